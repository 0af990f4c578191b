package postgres_test

import (
	"context"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
)

func TestTheRunRoleMayDoOnlyWhatItIsGranted(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	require.NoError(t, db.CheckRole(t.Context()))
	require.NoError(t, db.InTx(t.Context(), run(`insert into balance values ('A', 1)`)))
	require.NoError(t, db.InTx(t.Context(), run(`insert into leg (id, lot) values (1, 'A')`)))
	for _, sql := range []string{
		`update leg set lot = 'B'`, `delete from leg`, `truncate leg`, `delete from balance`, `drop table leg`,
		`create table mine (v text)`, `select * from goose_db_version`, `alter table leg disable trigger all`,
	} {
		err := db.InTx(t.Context(), run(sql))
		if !postgres.IsForbidden(err) {
			t.Errorf("%s: got %v, want forbidden", sql, err)
		}
	}
}

func TestTheRunRoleStaysInItsDatabase(t *testing.T) {
	t.Parallel()
	stock := dbtest.New(t, migrations(), "stock")
	_, other := dbtest.DSNs(t, fstest.MapFS{}, "mill")
	cfg, err := pgx.ParseConfig(other)
	require.NoError(t, err)
	dsn, err := postgres.WithRole(stock.DSN(), postgres.RunRole("stock"), cfg.Database)
	require.NoError(t, err)
	_, err = postgres.Open(t.Context(), postgres.Config{DSN: dsn, Name: "stock"})
	if !postgres.IsForbidden(err) {
		t.Errorf("got %v, want forbidden: no query crosses databases", err)
	}
}

func TestCheckRoleRefusesOwnersAndSuperusers(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	for _, dsn := range []string{dbtest.Owner(t, db), dbtest.Admin(t, db)} {
		err := dbtest.Open(t, dsn).CheckRole(t.Context())
		if got := fault.ReasonOf(err); got != "database_role_too_strong" {
			t.Errorf("%s: got %v, want a refusal", dsn, err)
		}
	}
}

func TestErrorsAreToldApartByConstraint(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	require.NoError(t, db.InTx(t.Context(), run(`insert into balance values ('A', 1)`)))
	for _, tc := range []struct {
		sql, constraint string
		is              func(error, string) bool
	}{
		{`insert into balance values ('A', 1)`, "balance_pkey", postgres.IsUniqueViolation},
		{`update balance set pounds = -1`, "balance_not_negative", postgres.IsCheckViolation},
		{`insert into leg (id, lot) values (1, 'Z')`, "leg_lot_fkey", postgres.IsForeignKeyViolation},
	} {
		err := db.InTx(t.Context(), run(tc.sql))
		if !tc.is(err, tc.constraint) || !tc.is(err, "") {
			t.Errorf("%s: %v is not recognised as %s", tc.sql, err, tc.constraint)
		}
		if tc.is(err, "another") || tc.is(nil, "") || postgres.IsForbidden(err) {
			t.Errorf("%s: %v is taken for something else", tc.sql, err)
		}
	}
}

func TestDurability(t *testing.T) {
	t.Parallel()
	fast := dbtest.New(t, migrations(), "stock")
	if got := fault.ReasonOf(fast.CheckDurability(t.Context())); got != "database_not_durable" {
		t.Errorf("a cluster with fsync off passes: %q", got)
	}
	s, err := pgserver.Start(t.Context(), pgserver.Config{Dir: t.TempDir()})
	require.NoError(t, err)
	t.Cleanup(func() { s.Stop(context.Background()) })
	db := dbtest.Open(t, s.DSN("postgres", pgserver.Superuser))
	require.NoError(t, db.CheckDurability(t.Context()))
	off := dbtest.Open(t, s.DSN("postgres", pgserver.Superuser)+"&options=-csynchronous_commit%3Doff")
	require.ErrorContains(t, off.CheckDurability(t.Context()), "synchronous_commit is off")
}

func TestIdentityIsReadByTheRunRole(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	got, err := db.Identity(t.Context())
	require.NoError(t, err)
	if got.System == "" || got.Timeline != 1 {
		t.Errorf("got %+v, want a system identifier and timeline 1 of a new cluster", got)
	}
}

// Catches: provisioning that is not repeatable, or that two processes cannot do at once.
func TestProvisionTogetherAndAgain(t *testing.T) {
	t.Parallel()
	admin := dbtest.Admin(t, dbtest.New(t, fstest.MapFS{}, "mill"))
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			owner, dsn, err := postgres.Provision(t.Context(), admin, "press")
			if err == nil {
				err = postgres.Migrate(t.Context(), owner, fstest.MapFS{
					"0001_cake.sql": {Data: []byte("-- +goose Up\ncreate table cake (v text);\ngrant select on cake to huskline_press_run;\n")},
				})
			}
			if err != nil {
				t.Error(err)
				return
			}
			db, err := postgres.Open(t.Context(), postgres.Config{DSN: dsn, Name: "press", MaxConns: 1})
			if err != nil {
				t.Error(err)
				return
			}
			defer db.Close()
			if err := db.InTx(t.Context(), run(`select * from cake`)); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	_, _, err := postgres.Provision(t.Context(), admin, `x"; drop role y`)
	if got := fault.KindOf(err); got != fault.KindInvalid {
		t.Errorf("got %v, want a refusal of the name", err)
	}
}

// A migration that fails half way leaves what came before it and nothing of itself.
func TestAFailedMigrationStopsBetweenFiles(t *testing.T) {
	t.Parallel()
	owner, _ := dbtest.DSNs(t, fstest.MapFS{}, "mill")
	set := fstest.MapFS{
		"0001_good.sql": {Data: []byte("-- +goose Up\ncreate table good (v text);\n")},
		"0002_bad.sql":  {Data: []byte("-- +goose Up\ncreate table half (v text);\nselect 1/0;\n")},
	}
	require.Error(t, postgres.Migrate(t.Context(), owner, set))
	set["0002_bad.sql"] = &fstest.MapFile{Data: []byte("-- +goose Up\ncreate table half (v text);\n")}
	require.NoError(t, postgres.Migrate(t.Context(), owner, set))
	require.NoError(t, postgres.Migrate(t.Context(), owner, set), "nothing left to do")
	db := dbtest.Open(t, owner)
	require.NoError(t, db.InTx(t.Context(), run(`insert into half select v from good`)))
}
