package seal_test

import (
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/postgres"
	"huskline/internal/seal"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// Two tables of the same columns: one sealed by its trigger, one by its statements.
const tables = `-- +goose Up
create table by_trigger (id text not null, n bigint, at timestamptz, list text[], flag boolean, bytes bytea);
create table by_statement (like by_trigger);
select seal_table('by_trigger');
select seal_table('by_statement', true);
grant select, insert, update on by_trigger, by_statement to "@RUN_ROLE@";
`

func migrations(t *testing.T) fs.FS {
	t.Helper()
	shared, err := fs.ReadFile(seal.Migrations, "migrations/00006_seal.sql")
	require.NoError(t, err)
	all := fstest.MapFS{}
	for name, text := range map[string]string{"00006_seal.sql": string(shared), "00101_tables.sql": tables} {
		all["migrations/"+name] = &fstest.MapFile{Data: []byte(strings.ReplaceAll(text, "@RUN_ROLE@", postgres.RunRole("intake")))}
	}
	return all
}

// Catches: a seal in a statement that is not the trigger's, so that verify names sound rows, or none of them.
func TestStatementsSealAsTheTriggerDoes(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(t), "intake")
	const values = `$1::text, $2::bigint, $3::timestamptz, $4::text[], $5::boolean, $6::bytea`
	rows := [][]any{
		{"plain", int64(-7), time.Date(2026, 1, 5, 8, 0, 0, 123456000, time.UTC), []string{"a", `b"c\`}, true, []byte{0, 255}},
		{"", nil, nil, []string{}, nil, []byte{}},
		{`a "b", (c)\` + "\n\t ü", int64(1) << 62, time.Unix(0, 0), nil, false, nil},
	}
	for _, row := range rows {
		_, err := db.Pool().Exec(t.Context(), `insert into by_trigger (id, n, at, list, flag, bytes) values (`+values+`)`, row...)
		require.NoError(t, err)
		_, err = db.Pool().Exec(t.Context(), seal.Insert("by_statement", "id, n, at, list, flag, bytes", "select "+values), row...)
		require.NoError(t, err)
	}
	const differ = `select count(*) from by_trigger a join by_statement b using (id) where a.seal is null or a.seal is distinct from b.seal`
	require.Equal(t, 0, count(t, db, differ), "after inserts")
	require.Equal(t, 3, count(t, db, `select count(distinct seal) from by_statement`))

	_, err := db.Pool().Exec(t.Context(), `update by_trigger set n = 5`)
	require.NoError(t, err)
	_, err = db.Pool().Exec(t.Context(), `update by_statement set n = 5, seal = `+seal.Of("id, 5::bigint, at, list, flag, bytes"))
	require.NoError(t, err)
	require.Equal(t, 0, count(t, db, differ), "after updates")

	// Who is not the service does not seal.
	dbtest.Exec(t, dbtest.Admin(t, db), `update by_trigger set n = 6`)
	require.Equal(t, 0, count(t, db, differ), "a seal of before stays with a row changed behind the service")
	require.Equal(t, 3, count(t, db, `select count(*) from by_trigger where n = 6`))
}

func count(t *testing.T, db *postgres.DB, sql string) (n int) {
	t.Helper()
	require.NoError(t, db.Pool().QueryRow(t.Context(), sql).Scan(&n))
	return n
}
