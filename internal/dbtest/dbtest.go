// Package dbtest gives each test a private, migrated database on a Postgres of its own, one for the test binary, and takes all of it away afterwards.
//
//	func TestMain(m *testing.M) { dbtest.Main(m) }
//
//	func TestReceive(t *testing.T) {
//		t.Parallel()
//		db := dbtest.New(t, store.Migrations, "intake")
//
// The Postgres starts when the first test asks for a database. It does not flush to the disk, so tests about durability start their own (pgserver). Where
// none is installed the test fails; with -short it is skipped.
package dbtest

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
)

// shared is the cluster of this test binary; its mutex makes it the one thing that tests share.
var shared = &cluster{templates: map[string]*template{}}

type cluster struct {
	mu        sync.Mutex
	server    *pgserver.Server
	err       error
	dir       string
	databases int
	templates map[string]*template
}

// template is a migrated database that others are copied from.
type template struct {
	once sync.Once
	name string
	err  error
}

// Main runs the tests and then stops the cluster, if a test started it. It is to be called from TestMain.
func Main(m *testing.M) {
	defer shared.stop()
	m.Run()
}

func (c *cluster) stop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.server != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
		defer cancel()
		if err := c.server.Stop(ctx); err != nil {
			fmt.Fprintln(os.Stderr, "dbtest:", err)
		}
	}
	if c.dir != "" {
		os.RemoveAll(c.dir)
	}
}

// admin is the superuser's connection string; it starts the cluster if need be.
func (c *cluster) admin(t testing.TB) string {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.server == nil && c.err == nil {
		c.err = c.start()
	}
	if testing.Short() && fault.ReasonOf(c.err) == "postgres_missing" {
		t.Skip("no PostgreSQL here; a run without -short would fail")
	}
	if c.err != nil {
		t.Fatalf("start postgres for tests: %v", c.err)
	}
	return c.server.DSN("postgres", pgserver.Superuser)
}

func (c *cluster) start() error {
	var err error
	if c.dir, err = os.MkdirTemp("", "huskline-dbtest-"); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	c.server, err = pgserver.Start(ctx, pgserver.Config{Dir: c.dir, MaxConnections: 400, UnsafeNoSync: true})
	return err
}

// next is a database name not used before.
func (c *cluster) next() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.databases++
	return fmt.Sprintf("test_%d", c.databases)
}

// templateFor is the template of these migrations, made once.
func (c *cluster) templateFor(t testing.TB, migrations fs.FS, service string) string {
	t.Helper()
	admin := c.admin(t)
	digest, err := digestOf(migrations)
	if err != nil {
		t.Fatalf("read migrations of %s: %v", service, err)
	}
	key := service + "_" + digest
	c.mu.Lock()
	tm := c.templates[key]
	if tm == nil {
		tm = &template{name: "template_" + key}
		c.templates[key] = tm
	}
	c.mu.Unlock()
	tm.once.Do(func() {
		var owner string
		owner, _, tm.err = postgres.ProvisionDatabase(context.Background(), admin, service, tm.name)
		if tm.err == nil {
			tm.err = postgres.Migrate(context.Background(), owner, migrations)
		}
	})
	if tm.err != nil {
		t.Fatalf("make template of %s: %v", service, tm.err)
	}
	return tm.name
}

func digestOf(migrations fs.FS) (string, error) {
	h := sha256.New()
	err := fs.WalkDir(migrations, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		text, err := fs.ReadFile(migrations, path)
		fmt.Fprintf(h, "%s %d\n%s", path, len(text), text)
		return err
	})
	return hex.EncodeToString(h.Sum(nil))[:8], err
}

// New is a database of its own with the service's migrations applied, opened as the service's run-time role. It is dropped when the test ends.
func New(t testing.TB, migrations fs.FS, service string) *postgres.DB {
	t.Helper()
	_, run := DSNs(t, migrations, service)
	return Open(t, run)
}

// DSNs is New for a test that opens the database itself, a whole service for one: the connection strings of the owner and of the run-time role.
func DSNs(t testing.TB, migrations fs.FS, service string) (owner, run string) {
	t.Helper()
	name := shared.next()
	source := shared.templateFor(t, migrations, service)
	admin := shared.admin(t)
	Exec(t, admin, "create database "+name+" template "+source+" owner "+postgres.OwnerRole(service))
	t.Cleanup(func() { Exec(t, admin, "drop database "+name+" with (force)") })
	Exec(t, admin, "revoke all on database "+name+" from public")
	Exec(t, admin, "grant connect on database "+name+" to "+postgres.RunRole(service))
	owner, err := postgres.WithRole(admin, postgres.OwnerRole(service), name)
	if err != nil {
		t.Fatal(err)
	}
	run, err = postgres.WithRole(admin, postgres.RunRole(service), name)
	if err != nil {
		t.Fatal(err)
	}
	return owner, run
}

// Owner is the connection string of the owner of a database made by New: for what the run-time role may not do.
func Owner(t testing.TB, db *postgres.DB) string {
	t.Helper()
	return as(t, db, func(cfg *pgx.ConnConfig) string { return cfg.User[:len(cfg.User)-len("_run")] })
}

// Admin is the superuser's connection string to a database made by New: to break things behind the service.
func Admin(t testing.TB, db *postgres.DB) string {
	t.Helper()
	return as(t, db, func(*pgx.ConnConfig) string { return pgserver.Superuser })
}

func as(t testing.TB, db *postgres.DB, role func(*pgx.ConnConfig) string) string {
	t.Helper()
	cfg, err := pgx.ParseConfig(db.DSN())
	if err != nil {
		t.Fatal(err)
	}
	dsn, err := postgres.WithRole(db.DSN(), role(cfg), cfg.Database)
	if err != nil {
		t.Fatal(err)
	}
	return dsn
}

// Open opens a connection string of a test database with a small pool and closes it when the test ends.
func Open(t testing.TB, dsn string) *postgres.DB {
	t.Helper()
	db, err := postgres.Open(context.Background(), postgres.Config{DSN: dsn, Name: t.Name(), MaxConns: 8})
	if err != nil {
		t.Fatalf("open test database: %v", err)
	}
	t.Cleanup(db.Close)
	return db
}

// Exec runs statements, separated by semicolons, over a connection of its own.
func Exec(t testing.TB, dsn, sql string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		t.Fatalf("connect for %s: %v", sql, err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, sql); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}
