package production_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/postgres"
	"huskline/services/production"
	"huskline/services/production/internal/consumer"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/store"
)

// The rules of runs and the book of costs must not take different prices to be in force, whatever order items were changed in. Break it catches:
// the newest price in place of the one in force, and none before an item's first.
func TestPriceInForceIsTheBooks(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, production.Migrations(), "production")
	rapid.Check(t, func(r *rapid.T) {
		book := cost.New()
		n := rapid.IntRange(1, 5).Draw(r, "changes")
		item := lot.ItemID(rapid.StringMatching(`[a-z]{12}`).Draw(r, "item"))
		asked := noon.Add(time.Duration(rapid.IntRange(-3, 3).Draw(r, "asked")) * time.Hour)
		err := db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
			s := store.New(tx, noon)
			for i := range n {
				e := lot.Recorded{
					Receipt: lot.Receipt{Producer: lot.Intake, Epoch: 1, Position: int64(i + 1)},
					Event: lot.Event{Effective: noon.Add(time.Duration(rapid.IntRange(-2, 2).Draw(r, "at")) * time.Hour), Body: lot.ItemChanged{
						Item: item, ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: priceOf(rapid.Int64Range(-1, 3).Draw(r, "price")),
					}},
				}
				if err := book.Apply(e); err != nil {
					return err
				}
				if err := consumer.Apply(ctx, s, e); err != nil {
					return err
				}
			}
			have, err := s.Look(ctx, run.Want{Items: []lot.ItemID{item}, At: asked})
			if err != nil {
				return err
			}
			got, want := have.Items[item].Price, book.Price(item, asked)
			if (got == nil) != (want == nil) || got != nil && *got != *want {
				r.Errorf("price in force at %s: %v, the book has %v", asked, got, want)
			}
			return errRolledBack
		})
		if fault.ReasonOf(err) != "rolled_back" {
			r.Fatal(err)
		}
	})
}

var errRolledBack = fault.Precondition("rolled_back", "each try begins with nothing")

// priceOf is no price below zero.
func priceOf(n int64) *money.Price {
	if n < 0 {
		return nil
	}
	p := money.Price(n)
	return &p
}

// What the others said of lots: whose they are is what the latest word says, through a purchase, a pour and a return.
func TestOwnersOfLots(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, production.Migrations(), "production")
	position := int64(0)
	tell := func(ctx context.Context, s store.Tx, bodies ...lot.Body) {
		for _, body := range bodies {
			position++
			e := lot.Recorded{Receipt: lot.Receipt{Producer: lot.Intake, Epoch: 1, Position: position}, Event: lot.Event{Effective: noon, Body: body}}
			require.NoError(t, consumer.Apply(ctx, s, e))
		}
	}
	require.NoError(t, db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		s := store.New(tx, noon)
		theirs := lot.Received{Lot: "D-1", Item: "inshell", Measure: lot.ByWeight, Owner: "C-1"}
		tell(ctx, s, theirs, lot.Received{Lot: "D-2", Item: "inshell", Measure: lot.ByWeight, Owner: "C-1"},
			lot.Poured{Pour: "P-1", Bin: "BIN-1", Item: "inshell", Measure: lot.ByWeight, Lot: "D-2"},
			lot.Bought{Purchase: "B-1", Lot: "D-1", NewLot: "D-1B", Owner: "C-1"}, lot.Bought{Purchase: "B-2", Lot: "D-2", NewLot: "D-2", Owner: "C-1"},
			lot.Returned{Return: "RT-1", Lot: "D-3", Item: "inshell", Measure: lot.ByWeight, Owner: "C-1"}, lot.PartyChanged{Party: "C-1"})
		have, err := s.Look(ctx, run.Want{Lots: []lot.ID{"D-1", "D-1B", "D-2", "BIN-1", "D-3", "D-4"}})
		require.NoError(t, err)
		owners := map[lot.ID]lot.PartyID{}
		for id, l := range have.Lots {
			owners[id] = l.Owner
		}
		require.Equal(t, map[lot.ID]lot.PartyID{"D-1": "C-1", "D-1B": "", "D-2": "", "BIN-1": "C-1", "D-3": "C-1"}, owners)
		return nil
	}))
}

// The run-time role may add facts and not change or remove them.
func TestFactsAreInsertOnly(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, production.Migrations(), "production")
	for _, table := range []string{"events", "commands", "inbox_events", "item_prices", "run_lines", "run_contributions"} {
		for _, sql := range []string{"delete from " + table, "truncate " + table} {
			if _, err := db.Pool().Exec(t.Context(), sql); !postgres.IsForbidden(err) {
				t.Errorf("%s: %v, want it to be forbidden", sql, err)
			}
		}
	}
}
