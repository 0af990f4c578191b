package command_test

import (
	"context"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/fault"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

type trialKey struct{}

func tried(ctx context.Context) context.Context { return context.WithValue(ctx, trialKey{}, true) }

// A trial is judged as the command is, and leaves nothing: neither what the use-case does, nor events, nor the id. The deliberate break it catches: a
// trial that commits, after which the command itself is a repeat or finds its own effect in its way.
func TestTrialLeavesNothing(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	cfg := config(db)
	cfg.Trial = func(ctx context.Context) bool { return ctx.Value(trialKey{}) != nil }
	run := command.New(cfg)
	req := emptying("B-1")
	for range 2 {
		answer, err := command.Run(tried(t.Context()), run, req, empty(req))
		require.NoError(t, err)
		if answer.GetReceipt() != nil {
			t.Errorf("a trial has receipt %v", answer.GetReceipt())
		}
	}
	first, err := command.Run(t.Context(), run, req, empty(req))
	require.NoError(t, err)
	if first.GetReceipt().GetPosition() != 1 {
		t.Errorf("the command is recorded at %v, want position 1", first.GetReceipt())
	}
	again, err := command.Run(tried(t.Context()), run, req, empty(req))
	require.NoError(t, err)
	if !proto.Equal(again, first) {
		t.Errorf("trial of a recorded command = %v, want its answer %v", again, first)
	}
	other := proto.Clone(req).(*inventoryv1.EmptyBinRequest)
	other.BinLot = "B-2"
	if _, err := command.Run(tried(t.Context()), run, other, empty(other)); fault.ReasonOf(err) != "command_id_reused" {
		t.Errorf("trial of a known id with another message: %v", err)
	}
	same := emptying("B-1")
	if _, err := command.Run(tried(t.Context()), run, same, empty(same)); fault.ReasonOf(err) != "bin_empty" {
		t.Errorf("trial of what is refused: %v", err)
	}
}

// A trial of what the inventory has a part in judges the intent and asks the inventory nothing. The deliberate break it catches: a trial that opens the
// intent, which the sweeper then carries out.
func TestTrialAsksTheInventoryNothing(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	inv := newInventory()
	cfg := config(db)
	cfg.Trial = func(ctx context.Context) bool { return ctx.Value(trialKey{}) != nil }
	p := command.NewPoster(command.New(cfg), inv.call, completing())
	req := complete("R-1")
	answer, err := command.Post[*productionv1.CompleteRunResponse](tried(t.Context()), p, req)
	require.NoError(t, err)
	if answer.GetReceipt() != nil {
		t.Errorf("a trial has receipt %v", answer.GetReceipt())
	}
	for _, table := range []string{"intent_tries", "open_intents", "commands", "runs"} {
		var n int
		require.NoError(t, db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
			return tx.QueryRow(ctx, "select count(*) from "+table).Scan(&n)
		}))
		if n != 0 {
			t.Errorf("%d rows in %s, want none", n, table)
		}
	}
	if inv.calls != 0 {
		t.Errorf("the inventory was asked %d times, want never", inv.calls)
	}
}
