package plant

import (
	"context"
	"fmt"
	"net/url"
	"path/filepath"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/pgserver"
	"huskline/internal/postgres"
)

// maxConnections is enough for three services, a second process of one, the checker and whoever gets in the way.
const maxConnections = 200

// startPostgres starts Postgres on the disk, and lets the proxies know its socket.
func (p *Plant) startPostgres(ctx context.Context) error {
	server, err := pgserver.Start(ctx, pgserver.Config{Dir: filepath.Join(p.Disk.Dir, "pg"), MaxConnections: maxConnections})
	if err != nil {
		return err
	}
	u, err := url.Parse(server.DSN("postgres", pgserver.Superuser))
	if err != nil {
		return err
	}
	p.mu.Lock()
	p.postgres = server
	p.socket = filepath.Join(u.Query().Get("host"), ".s.PGSQL."+u.Query().Get("port"))
	p.mu.Unlock()
	for _, x := range p.Store {
		x.Retarget(p.socket)
	}
	return nil
}

// KillPostgres ends the postmaster as kill -9 does; its children follow when they notice. It stays away until StartPostgres.
func (p *Plant) KillPostgres() {
	server := p.server()
	if server == nil {
		return
	}
	_ = syscall.Kill(server.PID(), syscall.SIGKILL)
	<-server.Done()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	_ = server.Stop(ctx) // it has ended; this gives the folder free
	p.mu.Lock()
	p.postgres = nil
	p.mu.Unlock()
}

// StartPostgres starts a Postgres that was killed, which recovers.
func (p *Plant) StartPostgres(ctx context.Context) error {
	if server := p.server(); server != nil {
		select {
		case <-server.Done(): // by itself, as on a full disk
			p.KillPostgres()
		default:
			return nil
		}
	}
	return p.startPostgres(ctx)
}

// PostgresAlive tells whether Postgres runs.
func (p *Plant) PostgresAlive() bool {
	server := p.server()
	if server == nil {
		return false
	}
	select {
	case <-server.Done():
		return false
	default:
		return true
	}
}

func (p *Plant) server() *pgserver.Server {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.postgres
}

// SuperDSN reaches a service's database as the superuser, through no proxy.
func (p *Plant) SuperDSN(service string) string {
	return p.server().DSN(postgres.OwnerRole(service), pgserver.Superuser)
}

// RunDSN reaches a service's database as its run-time role, through no proxy.
func (p *Plant) RunDSN(service string) string {
	return p.server().DSN(postgres.OwnerRole(service), postgres.RunRole(service))
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
