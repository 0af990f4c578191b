package plant

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"

	"huskline/internal/pgserver"
	"huskline/internal/postgres"
)

// tool is a program of the Postgres that a service's database runs in, so that the versions fit; an error where it is not installed.
func (p *Plant) tool(service, name string) (string, error) {
	server := p.serverOf(p.home(service))
	if server == nil {
		return "", errors.New("no Postgres runs")
	}
	postgres, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", server.PID()))
	if err != nil {
		return "", err
	}
	path := filepath.Join(filepath.Dir(postgres), name)
	_, err = os.Stat(path)
	return path, err
}

// CanDump says why databases cannot be dumped and restored here; nil: they can.
func (p *Plant) CanDump() error {
	for _, name := range []string{"pg_dump", "pg_restore"} {
		if _, err := p.tool(Services()[0], name); err != nil {
			return fmt.Errorf("%s beside the Postgres in use: %w", name, err)
		}
	}
	return nil
}

// Dump writes a service's database, as it is at one moment, into a file.
func (p *Plant) Dump(ctx context.Context, service, file string) error {
	dump, err := p.tool(service, "pg_dump")
	if err != nil {
		return err
	}
	return command(ctx, dump, "--format=custom", "--file="+file, "--dbname="+p.SuperDSN(service))
}

// Restore makes a new cluster, restores a service's database there from a dump and has the service use it from its next start on; what it held open of
// the old one is cut. To be called while the service is held.
func (p *Plant) Restore(ctx context.Context, service, file string) error {
	restore, err := p.tool(service, "pg_restore")
	if err != nil {
		return err
	}
	p.mu.Lock()
	c := &cluster{dir: filepath.Join(p.Disk.Dir, fmt.Sprintf("pg-%d", len(p.clusters)))}
	p.clusters = append(p.clusters, c)
	p.mu.Unlock()
	if err := p.startCluster(ctx, c); err != nil {
		return err
	}
	server := p.serverOf(c)
	if _, _, err := postgres.Provision(ctx, server.DSN("postgres", pgserver.Superuser), service); err != nil {
		return err
	}
	if err := command(ctx, restore, "--exit-on-error", "--dbname="+server.DSN(postgres.OwnerRole(service), pgserver.Superuser), file); err != nil {
		return err
	}
	p.mu.Lock()
	p.moved[service] = c
	p.mu.Unlock()
	p.Store[service].Retarget(socketOf(server))
	p.Store[service].Cut()
	return nil
}

func command(ctx context.Context, path string, args ...string) error {
	if out, err := exec.CommandContext(ctx, path, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w: %s", filepath.Base(path), err, out)
	}
	return nil
}
