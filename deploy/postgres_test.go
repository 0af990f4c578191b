package deploy

import (
	"context"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
	"huskline/services/intake"
	"huskline/services/inventory"
	"huskline/services/production"
)

// TestRolesScript runs the script as the Postgres image would, on an empty cluster, and then starts on its databases as the services do. It catches a
// role that owns or may too much, and one that lacks a right that migrations need.
func TestRolesScript(t *testing.T) {
	t.Parallel()
	psql, err := exec.LookPath("psql")
	if err != nil {
		t.Skip("no psql here; the script needs one")
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	server, err := pgserver.Start(ctx, pgserver.Config{Dir: filepath.Join(t.TempDir(), "cluster")})
	require.NoError(t, err)
	t.Cleanup(func() { _ = server.Stop(context.Background()) })
	admin, err := url.Parse(server.DSN("postgres", pgserver.Superuser))
	require.NoError(t, err)

	secrets := t.TempDir()
	for _, name := range services() {
		require.NoError(t, os.WriteFile(filepath.Join(secrets, "postgres_"+name), []byte("it's $"+name+" \\"), 0o600))
	}
	script, err := os.ReadFile(filepath.Join("postgres", "10-roles.sh"))
	require.NoError(t, err)
	require.Contains(t, string(script), "/run/secrets/")
	run := exec.CommandContext(ctx, "bash", "-c", strings.ReplaceAll(string(script), "/run/secrets/", secrets+"/"))
	run.Env = []string{
		"PATH=" + filepath.Dir(psql) + ":" + os.Getenv("PATH"), "POSTGRES_USER=" + pgserver.Superuser,
		"PGHOST=" + admin.Query().Get("host"), "PGPORT=" + admin.Query().Get("port"),
	}
	out, err := run.CombinedOutput()
	require.NoError(t, err, "%s", out)

	migrations := map[string]func() fs.FS{"intake": intake.Migrations, "inventory": inventory.Migrations, "production": production.Migrations}
	for _, name := range services() {
		owner, err := postgres.WithRole(admin.String(), postgres.OwnerRole(name), postgres.OwnerRole(name))
		require.NoError(t, err)
		serve, err := postgres.WithRole(admin.String(), postgres.RunRole(name), postgres.OwnerRole(name))
		require.NoError(t, err)
		require.NoError(t, postgres.Migrate(ctx, owner, migrations[name]()), name)
		db := dbtest.Open(t, serve)
		require.NoError(t, db.CheckRole(ctx), name)
		require.NoError(t, db.CheckDurability(ctx), name)
		_, err = db.Pool().Exec(ctx, "create table mine (x int)")
		require.True(t, postgres.IsForbidden(err), "%s may make tables as its run-time role: %v", name, err)
		var password bool
		dbtest.Open(t, server.DSN("postgres", pgserver.Superuser)).Pool().
			QueryRow(ctx, "select rolpassword is not null from pg_authid where rolname = $1", postgres.RunRole(name)).Scan(&password)
		require.True(t, password, "the run-time role of %s has no password", name)
		for _, other := range services() {
			if other == name {
				continue
			}
			elsewhere, err := postgres.WithRole(admin.String(), postgres.RunRole(name), postgres.OwnerRole(other))
			require.NoError(t, err)
			_, err = postgres.Open(ctx, postgres.Config{DSN: elsewhere, Name: "elsewhere", ConnectTimeout: 5 * time.Second})
			require.Error(t, err, "%s may enter the database of %s", name, other)
		}
	}
}
