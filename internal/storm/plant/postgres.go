package plant

import (
	"context"
	"fmt"
	"net/url"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/pgserver"
	"huskline/internal/postgres"
)

// maxConnections is enough for three services, a second process of one, the checker and whoever gets in the way.
const maxConnections = 200

// cluster is a Postgres with the services whose databases it holds.
type cluster struct {
	dir    string
	server *pgserver.Server // nil: killed
}

// start starts it, and lets the proxies of its services know its socket.
func (p *Plant) startCluster(ctx context.Context, c *cluster) error {
	server, err := pgserver.Start(ctx, pgserver.Config{Dir: c.dir, MaxConnections: maxConnections})
	if err != nil {
		return err
	}
	p.mu.Lock()
	c.server = server
	p.mu.Unlock()
	for name, x := range p.Store {
		if p.home(name) == c {
			x.Retarget(socketOf(server))
		}
	}
	return nil
}

// socketOf is the path of a server's socket.
func socketOf(server *pgserver.Server) string {
	u, err := url.Parse(server.DSN("postgres", pgserver.Superuser))
	if err != nil {
		return ""
	}
	return filepath.Join(u.Query().Get("host"), ".s.PGSQL."+u.Query().Get("port"))
}

// home is the cluster of a service's database.
func (p *Plant) home(service string) *cluster {
	p.mu.Lock()
	defer p.mu.Unlock()
	if c := p.moved[service]; c != nil {
		return c
	}
	return p.clusters[0]
}

func (p *Plant) allClusters() []*cluster {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.clusters)
}

func (p *Plant) serverOf(c *cluster) *pgserver.Server {
	p.mu.Lock()
	defer p.mu.Unlock()
	return c.server
}

// KillPostgres ends every postmaster as kill -9 does; their children follow when they notice. They stay away until StartPostgres.
func (p *Plant) KillPostgres() {
	for _, c := range p.allClusters() {
		server := p.serverOf(c)
		if server == nil {
			continue
		}
		_ = syscall.Kill(server.PID(), syscall.SIGKILL)
		<-server.Done()
		p.forget(c)
	}
}

// forget gives the folder of a server free that has ended.
func (p *Plant) forget(c *cluster) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_ = p.serverOf(c).Stop(ctx)
	p.mu.Lock()
	c.server = nil
	p.mu.Unlock()
}

// StartPostgres starts what was killed or has ended by itself, as on a full disk; it recovers.
func (p *Plant) StartPostgres(ctx context.Context) error {
	for _, c := range p.allClusters() {
		if server := p.serverOf(c); server != nil {
			if !isClosed(server.Done()) {
				continue
			}
			p.forget(c)
		}
		if err := p.startCluster(ctx, c); err != nil {
			return err
		}
	}
	return nil
}

// PostgresAlive tells whether every Postgres runs.
func (p *Plant) PostgresAlive() bool {
	for _, c := range p.allClusters() {
		if server := p.serverOf(c); server == nil || isClosed(server.Done()) {
			return false
		}
	}
	return true
}

// PostgresProcesses are all processes of all Postgres.
func (p *Plant) PostgresProcesses() (pids []int) {
	for _, c := range p.allClusters() {
		if server := p.serverOf(c); server != nil {
			pids = append(pids, server.PID())
			pids = append(pids, childrenOf(server.PID())...)
		}
	}
	return pids
}

// SuperDSN reaches a service's database as the superuser, through no proxy.
func (p *Plant) SuperDSN(service string) string {
	return p.dsn(service, pgserver.Superuser)
}

// RunDSN reaches a service's database as its run-time role, through no proxy.
func (p *Plant) RunDSN(service string) string {
	return p.dsn(service, postgres.RunRole(service))
}

// dsn is empty while the service's Postgres is killed: then connecting fails.
func (p *Plant) dsn(service, role string) string {
	server := p.serverOf(p.home(service))
	if server == nil {
		return "host=/nowhere"
	}
	return server.DSN(postgres.OwnerRole(service), role)
}

// SQL runs statements as the superuser in a service's database.
func (p *Plant) SQL(ctx context.Context, service, sql string) error {
	conn, err := pgx.Connect(ctx, p.SuperDSN(service))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	if _, err := conn.Exec(ctx, sql); err != nil {
		return fmt.Errorf("%s: %w", sql, err)
	}
	return nil
}

// Number asks a service's database for one number, as the superuser.
func (p *Plant) Number(ctx context.Context, service, sql string) (n int64, err error) {
	conn, err := pgx.Connect(ctx, p.SuperDSN(service))
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }()
	return n, conn.QueryRow(ctx, sql).Scan(&n)
}

// throughProxy is a connection string by way of a proxy.
func throughProxy(dsn, addr string) (string, error) {
	u, err := url.Parse(dsn)
	if err != nil {
		return "", err
	}
	u.Host, u.RawQuery = addr, "sslmode=disable"
	return u.String(), nil
}
