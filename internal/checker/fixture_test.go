package checker_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/checker"
	"huskline/internal/pgserver"
	"huskline/internal/planttest"
	"huskline/internal/postgres"
)

// stopped is a plant after its trade, stopped, on a Postgres of its own from which databases can be copied.
type stopped struct {
	server  *pgserver.Server
	journal []checker.Answered

	mu     sync.Mutex
	copies int
}

// services are the three in the order of the flow.
func services() []string { return []string{"intake", "inventory", "production"} }

// plantAfterTrade runs the trade on a plant in one process, checks it while it runs, stops it, and starts its Postgres alone.
func plantAfterTrade(t *testing.T) *stopped {
	t.Helper()
	up := planttest.Up(t, planttest.UpConfig{})
	tr := openTrade(t, up.GRPC, tokenOf(t, up.Dir))
	tr.run()
	running := checker.Plant{Databases: socketURLs(up.Dir), Clients: &tr.Clients, Journal: tr.journal}
	report, err := checker.At(t.Context(), running)
	require.NoError(t, err)
	show(t, report)
	require.NoError(t, report.Err(), "the running plant")
	up.Stop(t)
	server, err := pgserver.Start(t.Context(), pgserver.Config{Dir: up.Dir, UnsafeNoSync: true})
	require.NoError(t, err)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		_ = server.Stop(ctx)
	})
	return &stopped{server: server, journal: tr.journal}
}

func show(t *testing.T, r *checker.Report) {
	t.Helper()
	var text printed
	require.NoError(t, r.Write(&text))
	t.Log("\n" + string(text))
}

type printed []byte

func (p *printed) Write(b []byte) (int, error) { *p = append(*p, b...); return len(b), nil }

func tokenOf(t *testing.T, dir string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(dir, "endpoint"))
	require.NoError(t, err)
	var e struct{ Token string }
	require.NoError(t, json.Unmarshal(data, &e))
	return e.Token
}

// socketURLs reach the databases of a running up by its socket.
func socketURLs(dir string) map[string]string {
	urls := map[string]string{}
	for _, name := range services() {
		urls[name] = fmt.Sprintf("postgres://%s@/%s?host=%s&port=5432&sslmode=disable", pgserver.Superuser, postgres.OwnerRole(name),
			filepath.Join(dir, "postgres", "run"))
	}
	return urls
}

// copied is a plant of copies of the databases, thrown away with the test; it may be broken at will.
func (s *stopped) copied(t *testing.T) checker.Plant {
	t.Helper()
	s.mu.Lock()
	s.copies++
	n := s.copies
	s.mu.Unlock()
	p := checker.Plant{Databases: map[string]string{}, RunTime: map[string]string{}, Journal: s.journal, Stopped: true}
	for _, name := range services() {
		copyName := fmt.Sprintf("copy_%d_%s", n, name)
		s.exec(t, s.server.DSN("postgres", pgserver.Superuser), fmt.Sprintf("create database %s template %s", copyName, postgres.OwnerRole(name)))
		p.Databases[name] = s.server.DSN(copyName, pgserver.Superuser)
		p.RunTime[name] = s.server.DSN(copyName, postgres.RunRole(name))
	}
	t.Cleanup(func() {
		for _, name := range services() {
			s.exec(t, s.server.DSN("postgres", pgserver.Superuser), fmt.Sprintf("drop database copy_%d_%s with (force)", n, name))
		}
	})
	return p
}

func (s *stopped) exec(t *testing.T, dsn, sql string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, dsn)
	require.NoError(t, err)
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, sql)
	require.NoError(t, err, sql)
}

// TestPlant trades on a plant, checks it as it runs, and then tries copies of it.
func TestPlant(t *testing.T) {
	t.Parallel()
	s := plantAfterTrade(t)
	t.Run("stopped", func(t *testing.T) {
		t.Parallel()
		report, err := checker.At(t.Context(), s.copied(t))
		require.NoError(t, err)
		require.NoError(t, report.Err())
	})
	// TestPlant/broken shows that every invariant can fail, and by which row.
	t.Run("broken", func(t *testing.T) {
		t.Parallel()
		broken(t, s)
	})
	t.Run("program", func(t *testing.T) {
		t.Parallel()
		program(t, s)
	})
	// TestPlant/tampering catches a stored fact, event or link that no rule looks at.
	t.Run("tampering", func(t *testing.T) {
		t.Parallel()
		tampering(t, s)
	})
}
