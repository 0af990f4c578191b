package planttest

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"huskline/internal/bustest"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
)

// Three is a plant of three serve processes on one Postgres and one NATS, with certificates between them.
type Three struct {
	CA        string // the authority's certificate, for callers
	Authority *Authority
	Token     string // of an administrator
	Bus       *bustest.Bus
	Postgres  *pgserver.Server

	services map[string]*Process
	flags    map[string][]string
	grpc     map[string]string // addresses, the same at every start
}

// Services lists the three in the order of the flow.
func Services() []string { return []string{"intake", "inventory", "production"} }

// NewThree starts all of it and waits until each service is ready. The Postgres flushes to the disk, as serve insists on.
func NewThree(t testing.TB) *Three {
	t.Helper()
	p := &Three{
		Token: strings.Repeat("5a", 32), Bus: bustest.Listening(t),
		services: map[string]*Process{}, flags: map[string][]string{}, grpc: map[string]string{},
	}
	p.Postgres = startPostgres(t)
	p.Authority = NewAuthority(t)
	p.CA = p.Authority.File
	secret := filepath.Join(t.TempDir(), "admin-token")
	if err := os.WriteFile(secret, []byte(p.Token+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, name := range Services() {
		p.grpc[name] = FreePort(t)
	}
	for _, name := range Services() {
		owner, run, err := postgres.Provision(context.Background(), p.Postgres.DSN("postgres", pgserver.Superuser), name)
		if err != nil {
			t.Fatal(err)
		}
		cert, key := p.Authority.Issue(t, name)
		p.flags[name] = []string{
			"serve", name, "--ca", p.CA, "--owner-dsn", owner, "--run-dsn", run, "--nats", p.Bus.Server.URL(), "--grpc", p.grpc[name],
			"--http", "127.0.0.1:0", "--peers", p.peersOf(name), "--cert", cert, "--key", key, "--admin-token-file", secret, "--log-level", "info",
		}
	}
	t.Cleanup(func() {
		for _, service := range p.services {
			service.end()
		}
	})
	for _, name := range Services() {
		p.Start(t, name)
	}
	return p
}

func (p *Three) peersOf(name string) string {
	var out []string
	for _, other := range Services() {
		if other != name {
			out = append(out, other+"="+p.grpc[other])
		}
	}
	return strings.Join(out, ";")
}

// Start starts a service that does not run; env, such as HUSKLINE_FAILPOINT=NAME, is for this start alone.
func (p *Three) Start(t testing.TB, name string, env ...string) {
	t.Helper()
	p.services[name] = start(t, name, p.flags[name], env)
}

// Restart stops a service cleanly and starts it again.
func (p *Three) Restart(t testing.TB, name string, env ...string) {
	t.Helper()
	p.services[name].Stop(t)
	p.Start(t, name, env...)
}

// Service is the process of a service.
func (p *Three) Service(name string) *Process { return p.services[name] }

// Probe asks a running service whether it is ready, as the health check of an image does.
func (p *Three) Probe(t testing.TB, name string) Result {
	t.Helper()
	args := append(slices.Clone(p.flags[name]), "--http", p.services[name].HTTP, "--probe")
	return Call(t, args...)
}

// Addr is the address of the three as --addr reads it.
func (p *Three) Addr() string {
	var out []string
	for _, name := range Services() {
		out = append(out, name+"="+p.grpc[name])
	}
	return strings.Join(out, ",")
}

// Call runs a client command on the plant.
func (p *Three) Call(t testing.TB, args ...string) Result {
	t.Helper()
	return Call(t, append(p.Flags(), args...)...)
}

// OK is Call for a command that has to succeed.
func (p *Three) OK(t testing.TB, args ...string) string {
	t.Helper()
	return OK(t, append(p.Flags(), args...)...)
}

// Flags are what a client command needs to reach the plant and to print for programs.
func (p *Three) Flags() []string {
	return []string{"--addr", p.Addr(), "--token", p.Token, "--ca", p.CA, "--format", "json"}
}

// Logs is what the services have said, for a failure's report.
func (p *Three) Logs() string {
	var out strings.Builder
	for _, name := range Services() {
		fmt.Fprintf(&out, "---- %s\n%s\n", name, p.services[name].Log())
	}
	return out.String()
}

func startPostgres(t testing.TB) *pgserver.Server {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	server, err := pgserver.Start(ctx, pgserver.Config{Dir: filepath.Join(t.TempDir(), "cluster"), MaxConnections: 200})
	if err != nil {
		t.Fatalf("start postgres for tests: %v", err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		_ = server.Stop(ctx)
	})
	return server
}

// FreePort is an address that nobody listens on now, for what must be known before it runs, or keep its address over a restart.
func FreePort(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return addr
}
