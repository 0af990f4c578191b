package command_test

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/command"
	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// takeBack makes the database as a restore leaves it: all commands forgotten, their events taken back.
func takeBack(t testing.TB, db *postgres.DB) {
	t.Helper()
	dbtest.Exec(t, dbtest.Admin(t, db), `delete from commands;
		insert into taken_back (event_id, tail, from_epoch, from_position, reason, detail)
		select event_id, ('x' || substr(replace(event_id::text, '-', ''), 17))::bit(64)::bigint, epoch, position, '', '' from events`)
}

// TestTakenBack catches a command that is done again because a restore lost its row.
func TestTakenBack(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	req := emptying("BIN1")
	first, err := command.Run(t.Context(), command.New(config(db)), req, empty(req))
	require.NoError(t, err)
	takeBack(t, db)
	again := func(ctx context.Context, tx store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		t.Error("done again")
		return nil, nil, nil
	}

	_, err = command.Run(t.Context(), command.New(config(db)), req, again)
	require.Equal(t, command.ReasonTakenBack, fault.ReasonOf(err), "an answer that cannot be told: %v", err)

	cfg := config(db)
	cfg.Retell = func(_ context.Context, _ pgx.Tx, req command.Request, events []lot.Recorded) (proto.Message, error) {
		if len(events) != 1 || req.(*inventoryv1.EmptyBinRequest).GetBinLot() != "BIN1" {
			t.Errorf("got %v for %v, want its one event", events, req)
		}
		return &inventoryv1.EmptyBinResponse{Remainder: int64(events[0].Body.(lot.BinEmptied).Remainder)}, nil
	}
	second, err := command.Run(t.Context(), command.New(cfg), req, again)
	require.NoError(t, err)
	if diff := cmp.Diff(first, second, protocmp.Transform()); diff != "" {
		t.Errorf("answer told again (-want +got):\n%s", diff)
	}
	require.Equal(t, 1, count(t, db, `select count(*) from events`))
}

// TestTakenBackReceipt tells an answer that is nothing but a receipt, of a command that said two events.
func TestTakenBackReceipt(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	req := &inventoryv1.RegisterPlaceRequest{CommandId: newID(), Place: &inventoryv1.Place{Place: "P"}}
	use := func(context.Context, store) (*inventoryv1.RegisterPlaceResponse, []lot.Event, error) {
		e := lot.Event{Effective: noon, Body: lot.BinEmptied{Bin: "B", Emptying: "e"}}
		return &inventoryv1.RegisterPlaceResponse{}, []lot.Event{e, e}, nil
	}
	first, err := command.Run(t.Context(), command.New(config(db)), req, use)
	require.NoError(t, err)
	takeBack(t, db)
	second, err := command.Run(t.Context(), command.New(config(db)), req, use)
	require.NoError(t, err)
	if diff := cmp.Diff(first, second, protocmp.Transform()); diff != "" {
		t.Errorf("answer told again (-want +got):\n%s", diff)
	}
	require.Equal(t, 2, count(t, db, `select count(*) from events`))
}

// TestTakenBackOutcome catches a sweeper that records an outcome a second time: the intent is of before the restore, its outcome came back.
func TestTakenBackOutcome(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	inv := newInventory()
	p := command.NewPoster(command.New(config(db)), inv.call, completing())
	_, err := p.Do(t.Context(), &productionv1.CompleteRunRequest{CommandId: newID(), Run: "R1"})
	require.NoError(t, err)
	takeBack(t, db)
	dbtest.Exec(t, dbtest.Admin(t, db), `insert into open_intents select command_id, try, 0 from intent_tries; delete from intent_ends`)

	require.NoError(t, p.Sweep(t.Context()))
	require.Equal(t, 1, count(t, db, `select count(*) from events`), "the outcome is recorded once")
	require.Zero(t, count(t, db, `select count(*) from open_intents`))
	require.Equal(t, 1, count(t, db, `select count(*) from intent_ends where kind = 0`))
}

// TestLostMovement catches a command that comes again, judged anew, after a restore has lost it, of which the inventory knows another movement:
// its sender must not be told to make a new id.
func TestLostMovement(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	req := complete("R-1")
	_, err := newPoster(newDB(t), inv, 0).Do(t.Context(), req)
	require.NoError(t, err)
	inv.set(func(i *inventory) {
		for _, move := range i.sent {
			move.Line = "as it was judged then"
		}
	})
	p := newPoster(db, inv, 0)
	for range 2 {
		_, err = p.Do(t.Context(), req)
		require.Equal(t, command.ReasonTakenBack, fault.ReasonOf(err), "%v", err)
		require.Zero(t, count(t, db, `select count(*) from open_intents`))
		require.Zero(t, count(t, db, `select count(*) from runs`), "the reservation is undone")
	}
}

// TestShutGate catches a command, or a sweep, that goes by the gate.
func TestShutGate(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	cfg := config(db)
	shut := fault.Unavailable("restored_alone", "it only reads")
	cfg.Gate = func(context.Context) error { return shut }
	r := command.New(cfg)
	req := emptying("BIN1")
	_, err := command.Run(t.Context(), r, req, empty(req))
	require.ErrorIs(t, err, shut)
	p := command.NewPoster(r, newInventory().call, completing())
	_, err = p.Do(t.Context(), &productionv1.CompleteRunRequest{CommandId: newID(), Run: "R1"})
	require.ErrorIs(t, err, shut)
	require.ErrorIs(t, p.Sweep(t.Context()), shut)
	require.Zero(t, count(t, db, `select count(*) from intent_tries`))
}
