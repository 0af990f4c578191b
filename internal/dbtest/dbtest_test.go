package dbtest_test

import (
	"context"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// Catches: tests that share a database, or a copy that misses its migrations, its rights or its owner.
func TestEachTestHasItsOwnDatabase(t *testing.T) {
	t.Parallel()
	set := fstest.MapFS{"migrations/0001_bin.sql": {Data: []byte("-- +goose Up\ncreate table bin (v int primary key);\ngrant select, insert on bin to huskline_yard_run;\n")}}
	for _, name := range []string{"one", "two"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := dbtest.New(t, set, "yard")
			require.NoError(t, db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
				_, err := tx.Exec(ctx, `insert into bin values (1)`)
				return err
			}))
			require.NoError(t, db.CheckRole(t.Context()))
			dbtest.Exec(t, dbtest.Owner(t, db), `alter table bin add column w int; drop table bin`)
			dbtest.Exec(t, dbtest.Admin(t, db), `alter system reset all`)
		})
	}
}
