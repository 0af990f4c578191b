package pgserver

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// hostRules lets anybody in who can reach the socket, and nobody else: the socket's folder is closed to others.
const hostRules = "local all all trust\n"

// clusterMajor is the major version that made the cluster, "" if there is none.
func (p place) clusterMajor() string {
	text, err := os.ReadFile(filepath.Join(p.dir, "cluster", "PG_VERSION"))
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(text))
}

// makeCluster runs initdb in a folder of another name and renames it when it is whole and on the disk. It does nothing when there is a cluster.
func (p place) makeCluster(ctx context.Context, bin binaries, noSync bool) error {
	if err := p.dropHalfMade(); err != nil {
		return err
	}
	cluster := filepath.Join(p.dir, "cluster")
	if _, err := os.Stat(cluster); err == nil {
		return nil
	} else if !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("look for cluster: %w", err)
	}
	half, err := os.MkdirTemp(p.dir, "cluster.new-")
	if err != nil {
		return fmt.Errorf("make cluster: %w", err)
	}
	if err := p.fill(ctx, bin, half, noSync); err != nil {
		return errors.Join(err, os.RemoveAll(half))
	}
	if err := os.Rename(half, cluster); err != nil {
		return errors.Join(fmt.Errorf("make cluster: %w", err), os.RemoveAll(half))
	}
	return syncPath(p.dir)
}

func (p place) fill(ctx context.Context, bin binaries, half string, noSync bool) error {
	if p.cred != nil {
		if err := os.Chown(half, int(p.cred.Uid), int(p.cred.Gid)); err != nil {
			return fmt.Errorf("make cluster: %w", err)
		}
	}
	args := []string{
		"--pgdata=" + p.inner(filepath.Base(half)), "--username=" + Superuser, "--auth=trust",
		"--encoding=UTF8", "--locale=C", "--data-checksums",
	}
	if noSync {
		args = append(args, "--no-sync")
	}
	cmd := p.command(ctx, bin.initdb(), args...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	// initdb has children of its own; its group goes as one.
	cmd.WaitDelay = hardStopLimit
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	c, err := startChild(cmd, syscall.SIGKILL)
	if err != nil {
		return fmt.Errorf("start %s: %w", bin.initdb(), err)
	}
	<-c.done
	if ctx.Err() != nil {
		return fmt.Errorf("make cluster in %s: %w", p.dir, context.Cause(ctx))
	}
	if c.err != nil {
		return fmt.Errorf("make cluster in %s: initdb: %v; it said:\n%s", p.dir, c.err, strings.TrimSpace(said.String()))
	}
	return writeFile(filepath.Join(half, "pg_hba.conf"), hostRules)
}

// dropHalfMade removes what an interrupted initdb left.
func (p place) dropHalfMade() error {
	entries, err := os.ReadDir(p.dir)
	if err != nil {
		return fmt.Errorf("look for half-made clusters: %w", err)
	}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), "cluster.new-") {
			continue
		}
		if err := os.RemoveAll(filepath.Join(p.dir, e.Name())); err != nil {
			return fmt.Errorf("remove half-made cluster: %w", err)
		}
	}
	return nil
}

// writeFile replaces the content of a file that exists, keeping its owner, and flushes it.
func writeFile(path, content string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_TRUNC, 0)
	if err != nil {
		return fmt.Errorf("write cluster: %w", err)
	}
	_, err = f.WriteString(content)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

func syncPath(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("flush folder: %w", err)
	}
	return errors.Join(f.Sync(), f.Close())
}
