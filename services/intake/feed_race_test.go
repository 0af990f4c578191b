package intake_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/services/intake"
	"huskline/services/intake/internal/store"
	"huskline/services/intake/internal/weighing"
)

// One writer holds number 1 of a scale, not yet committed, while another stores number 2 and comes to the watermark: it waits, and then sees both.
// It catches a watermark that is worked out before the lock is had: without "for update" in Advance the second writer ends at 0.
func TestWatermarkWaitsForTheOtherWriter(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, intake.Migrations(), "intake")
	ctx := t.Context()
	post := func(ctx context.Context, tx pgx.Tx, n int64) (weighing.Result, error) {
		r, _, err := weighing.Post(ctx, store.New(tx, clock(), 'A'), weighing.Batch{Command: id(), Register: true, Readings: []weighing.Reading{
			{Scale: "W", Sequence: n, Time: day(3, 8), Digits: "5", Unit: "LBR", Kind: weighing.Gross},
		}})
		return r, err
	}
	require.NoError(t, db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := store.New(tx, clock(), 'A').Scales(ctx, []string{"W"}, true)
		return err
	}))
	second := make(chan weighing.Result, 1)
	done := make(chan error, 1)
	require.NoError(t, db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := post(ctx, tx, 1); err != nil {
			return err
		}
		go func() {
			done <- db.InTx(context.WithoutCancel(ctx), func(ctx context.Context, tx pgx.Tx) error {
				r, err := post(ctx, tx, 2)
				second <- r
				return err
			})
		}()
		require.Eventually(t, func() bool {
			var waiting int
			const locks = `select count(*) from pg_locks l join pg_database d on d.oid = l.database or l.database is null where not l.granted and d.datname = current_database()`
			return db.Pool().QueryRow(context.WithoutCancel(ctx), locks).Scan(&waiting) == nil && waiting > 0
		}, 20*time.Second, 5*time.Millisecond, "the second writer waits for the first")
		return nil
	}))
	require.NoError(t, <-done)
	require.Equal(t, []weighing.Watermark{{Scale: "W", Sequence: 2}}, (<-second).Watermarks)
}

// A batch whose event came back after a restore is stored again by the sender's repeat, its lines counted once however often it comes.
func TestRetoldBatch(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, intake.Migrations(), "intake")
	ctx := t.Context()
	command := id()
	var got []weighing.Totals
	for range 3 {
		require.NoError(t, db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
			st := store.New(tx, clock(), 'A')
			r, events, err := weighing.Post(ctx, st, weighing.Batch{Command: command, Register: true, Retold: true, Readings: []weighing.Reading{
				{Scale: "W", Sequence: 1, Time: day(3, 8), Digits: "5", Unit: "LBR", Kind: weighing.Gross},
				{Scale: "W", Sequence: 1, Time: day(3, 8), Digits: "5", Unit: "LBR", Kind: weighing.Gross},
			}})
			require.NoError(t, err)
			require.Empty(t, events, "it was said already")
			require.EqualValues(t, 2, r.Stored+r.Repeated)
			totals, err := st.FeedTotals(ctx)
			got = append(got, totals)
			return err
		}))
	}
	once := weighing.Totals{Lines: 2, Stored: 1, Scales: 1}
	require.Equal(t, []weighing.Totals{once, once, once}, got)
}
