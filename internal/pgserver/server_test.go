package pgserver

import (
	"context"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
)

// start runs a server until the test ends.
func start(t *testing.T, cfg Config) *Server {
	t.Helper()
	s, err := Start(t.Context(), cfg)
	if testing.Short() && fault.ReasonOf(err) == "postgres_missing" {
		t.Skip("no PostgreSQL here; a run without -short would fail")
	}
	require.NoError(t, err)
	t.Cleanup(func() { s.Stop(context.Background()) })
	return s
}

func query(t *testing.T, s *Server, sql string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.DSN("postgres", Superuser))
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var got string
	require.NoError(t, conn.QueryRow(t.Context(), sql).Scan(&got))
	return got
}

func execute(t *testing.T, s *Server, sql string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.DSN("postgres", Superuser))
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), sql)
	require.NoError(t, err)
}

func TestStartMakesACheckedDurablePrivateCluster(t *testing.T) {
	t.Parallel()
	s := start(t, Config{Dir: t.TempDir()})
	want := map[string]string{
		"data_checksums": "on", "fsync": "on", "full_page_writes": "on", "synchronous_commit": "on",
		"server_encoding": "UTF8", "listen_addresses": "", "max_connections": "100", "timezone": "UTC",
	}
	got := map[string]string{}
	for name := range want {
		got[name] = query(t, s, "select current_setting('"+name+"')")
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("settings (-want +got):\n%s", diff)
	}
	if got := query(t, s, "select datcollate from pg_database where datname = 'postgres'"); got != "C" {
		t.Errorf("collation %q, want C: sort order would depend on the machine", got)
	}
	info, err := os.Stat(s.socket)
	require.NoError(t, err)
	if got := info.Mode().Perm(); got != 0o700 {
		t.Errorf("socket folder has mode %o, want 700: with trust inside, others must stay out", got)
	}
}

func TestStartAgainKeepsWhatWasCommitted(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	begun := time.Now()
	s := start(t, Config{Dir: dir})
	t.Logf("cold start %v", time.Since(begun))
	execute(t, s, "create table kept (v text)")
	execute(t, s, "insert into kept values ('pecan')")
	require.NoError(t, s.Stop(t.Context()))
	require.NoError(t, s.Stop(t.Context()), "a second stop repeats the first's answer")

	begun = time.Now()
	s = start(t, Config{Dir: dir})
	t.Logf("warm start %v", time.Since(begun))
	if got := query(t, s, "select v from kept"); got != "pecan" {
		t.Errorf("got %q, want pecan", got)
	}
}

func TestASecondStartIsRefusedByName(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	start(t, Config{Dir: dir, UnsafeNoSync: true})
	_, err := Start(t.Context(), Config{Dir: dir})
	if got := fault.ReasonOf(err); got != "data_folder_in_use" {
		t.Fatalf("got %v, want a refusal", err)
	}
	for _, part := range []string{dir, strconv.Itoa(os.Getpid())} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%q does not name %s", err, part)
		}
	}
}

func TestFolderNames(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ name, sub string }{
		{"space and quotes", `it's "the" barn [north]`},
		{"comma", "north, south"},
		{"plus and percent", "a+b%20c"},
		{"not ASCII", "Nußhälfte ñ"},
		{"too long for a socket", strings.Repeat("long/", 30)},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			s := start(t, Config{Dir: filepath.Join(t.TempDir(), tc.sub), UnsafeNoSync: true})
			if got := query(t, s, "select 'in'"); got != "in" {
				t.Errorf("got %q", got)
			}
			if n := len(s.socket) + len("/.s.PGSQL."+port); n > maxSocketPath {
				t.Errorf("socket path has %d bytes, limit %d", n, maxSocketPath)
			}
			require.NoError(t, s.Stop(t.Context()))
			if _, err := os.Stat(s.socket); s.tmp && err == nil {
				t.Errorf("%s is left behind", s.socket)
			}
		})
	}
}

// The folders above the data folder may be closed to the user that Postgres runs as, or open: both ways must work.
func TestAFolderThatAllMayEnter(t *testing.T) {
	t.Parallel()
	dir, err := os.MkdirTemp("/tmp", "huskline-test-")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(dir) })
	require.NoError(t, os.Chmod(dir, 0o755))
	s := start(t, Config{Dir: dir, UnsafeNoSync: true})
	if s.place.handle != nil {
		t.Error("the folder is handed over as a descriptor, though its path would do")
	}
	if got := query(t, s, "select 'in'"); got != "in" {
		t.Errorf("got %q", got)
	}
}

func TestCancelWhileTheClusterIsMade(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		s, err := Start(ctx, Config{Dir: dir})
		if err == nil {
			s.Stop(context.Background())
		}
		ended <- err
	}()
	// global/ is written early by initdb, long before it is done.
	await(t, func() bool { return len(halfMade(t, dir, "global")) > 0 })
	cancel()
	require.ErrorIs(t, <-ended, context.Canceled)
	if left := halfMade(t, dir, ""); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
	s := start(t, Config{Dir: dir})
	if got := query(t, s, "select 'in'"); got != "in" {
		t.Errorf("got %q", got)
	}
}

// A half-made cluster is what kill -9 during initdb leaves.
func TestAHalfMadeClusterDoesNotCount(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	half := filepath.Join(dir, "postgres", "cluster.new-1")
	require.NoError(t, os.MkdirAll(filepath.Join(half, "global"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(half, "PG_VERSION"), []byte("15\n"), 0o600))
	s := start(t, Config{Dir: dir, UnsafeNoSync: true})
	if got := query(t, s, "select 'in'"); got != "in" {
		t.Errorf("got %q", got)
	}
	if left := halfMade(t, dir, ""); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func halfMade(t *testing.T, dir, inside string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, "postgres", "cluster.new-*", inside))
	require.NoError(t, err)
	return found
}

func TestMissingOrWrongBinaries(t *testing.T) {
	t.Parallel()
	script := t.TempDir()
	for _, name := range []string{"initdb", "postgres"} {
		require.NoError(t, os.WriteFile(filepath.Join(script, name), []byte("#!/bin/sh\necho 'postgres (PostgreSQL) 16.1'\n"), 0o755))
	}
	made := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(made, "postgres", "cluster"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(made, "postgres", "cluster", "PG_VERSION"), []byte("9\n"), 0o600))
	for _, tc := range []struct {
		name, reason, part string
		cfg                Config
	}{
		{"none", "postgres_missing", "install PostgreSQL", Config{Dir: t.TempDir(), BinDirs: []string{t.TempDir()}}},
		{"wrapper scripts", "postgres_missing", "install PostgreSQL", Config{Dir: t.TempDir(), BinDirs: []string{script}}},
		{"another version's cluster", "postgres_version", "made by PostgreSQL 9", Config{Dir: made}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			_, err := Start(t.Context(), tc.cfg)
			if got := fault.ReasonOf(err); got != tc.reason {
				t.Fatalf("got %v, want reason %s", err, tc.reason)
			}
			if !strings.Contains(err.Error(), tc.part) {
				t.Errorf("%q does not say %q", err, tc.part)
			}
		})
	}
}

func TestDSNNamesSocketDatabaseAndRole(t *testing.T) {
	t.Parallel()
	s := &Server{socket: "/a b/run"}
	got, err := url.Parse(s.DSN("intake", "huskline_intake_run"))
	require.NoError(t, err)
	if got.Query().Get("host") != "/a b/run" || got.Path != "/intake" || got.User.Username() != "huskline_intake_run" {
		t.Errorf("got %s", got)
	}
}

// await polls until ok, for at most ten seconds.
func await(t *testing.T, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, 10*time.Second, 2*time.Millisecond)
}
