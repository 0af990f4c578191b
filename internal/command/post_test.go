package command_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// inventory is the other side as its contract has it: a movement is done once per id, and a refusal kept per id and try.
type inventory struct {
	mu       sync.Mutex
	done     map[string]*inventoryv1.PostMovementResponse
	sent     map[string]*inventoryv1.PostMovementRequest
	refusals map[string]error
	calls    int
	refuse   error // what it says to movements that it does not know yet
	before   error // fails before anything is done
	after    error // loses the reply
}

func newInventory() *inventory {
	return &inventory{
		done: map[string]*inventoryv1.PostMovementResponse{}, sent: map[string]*inventoryv1.PostMovementRequest{}, refusals: map[string]error{},
	}
}

func (i *inventory) call(_ context.Context, move *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.calls++
	key := fmt.Sprintf("%s/%d", move.GetCommandId(), move.GetTry())
	switch {
	case i.before != nil:
		return nil, i.before
	case i.done[move.GetCommandId()] != nil && !proto.Equal(i.sent[move.GetCommandId()], move):
		return nil, fault.Conflict("command_id_reused", "movement %s differs", move.GetCommandId())
	case i.done[move.GetCommandId()] != nil:
		return i.done[move.GetCommandId()], i.after
	case i.refusals[key] != nil:
		return nil, i.refusals[key]
	case i.refuse != nil:
		i.refusals[key] = i.refuse
		return nil, i.refuse
	}
	resp := &inventoryv1.PostMovementResponse{
		Receipt: &eventv1.Receipt{Producer: "inventory", Epoch: 1, Position: int64(100 + len(i.done))}, InputMicropounds: 700, OutputMicropounds: 600,
	}
	i.done[move.GetCommandId()] = resp
	i.sent[move.GetCommandId()] = proto.CloneOf(move)
	return resp, i.after
}

func (i *inventory) set(change func(*inventory)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	change(i)
}

// completing is a handler that holds the run from intent to end.
func completing() command.Handler[store] {
	return command.Handler[store]{
		Method:     "CompleteRun",
		NewRequest: func() command.Request { return &productionv1.CompleteRunRequest{} },
		Intent: func(ctx context.Context, tx store, req command.Request) (*inventoryv1.PostMovementRequest, error) {
			run := req.(*productionv1.CompleteRunRequest).GetRun()
			if run == "" {
				return nil, nil
			}
			_, err := tx.Exec(ctx, `insert into runs (run, state) values ($1, 'closing')`, run)
			if postgres.IsUniqueViolation(err, "runs_pk") {
				return nil, fault.Precondition("run_closed", "run %s is closed or closing", run)
			}
			return &inventoryv1.PostMovementRequest{
				Movement: &inventoryv1.PostMovementRequest_Run{Run: &eventv1.RunPosted{Run: run, Version: 1, Final: true}},
			}, err
		},
		Outcome: func(
			ctx context.Context, tx store, req command.Request, move *inventoryv1.PostMovementRequest, resp *inventoryv1.PostMovementResponse,
		) (proto.Message, []lot.Event, error) {
			run := move.GetRun().GetRun()
			if move != nil {
				tag, err := tx.Exec(ctx, `update runs set state = 'closed' where run = $1 and state = 'closing'`, run)
				if err != nil || tag.RowsAffected() != 1 {
					return nil, nil, errors.Join(err, fmt.Errorf("%d runs held", tag.RowsAffected()))
				}
			}
			in, out := lot.Quantity(resp.GetInputMicropounds()), lot.Quantity(resp.GetOutputMicropounds())
			event := lot.Event{Effective: noon, Body: lot.RunCompleted{Run: lot.RunID(run), Version: 1, Input: in, Output: out, Unaccounted: in - out}}
			return &productionv1.CompleteRunResponse{InputMicropounds: int64(in), OutputMicropounds: int64(out)}, []lot.Event{event}, nil
		},
		Refused: func(ctx context.Context, tx store, req command.Request, why error) error {
			_, err := tx.Exec(ctx, `delete from runs where run = $1`, req.(*productionv1.CompleteRunRequest).GetRun())
			return err
		},
	}
}

func complete(run string) *productionv1.CompleteRunRequest {
	return &productionv1.CompleteRunRequest{CommandId: newID(), Run: run}
}

// newPoster is the service after a start, its clock late by so much.
func newPoster(db *postgres.DB, inv *inventory, late time.Duration) *command.Poster[store] {
	cfg := config(db)
	cfg.Now = func() time.Time { return noon.Add(late) }
	return command.NewPoster(command.New(cfg), inv.call, completing())
}

func checkOnce(t *testing.T, db *postgres.DB, inv *inventory, p *command.Poster[store], req command.Request) {
	t.Helper()
	got, err := command.Post[*productionv1.CompleteRunResponse](t.Context(), p, req)
	require.NoError(t, err)
	want := &productionv1.CompleteRunResponse{Receipt: receiptAt(1), InputMicropounds: 700, OutputMicropounds: 600}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("answer, want -, got +:\n%s", diff)
	}
	require.Len(t, inv.done, 1)
	require.Len(t, events(t, db), 1)
	require.Equal(t, 0, count(t, db, `select count(*) from open_intents`))
	require.Equal(t, 1, count(t, db, `select count(*) from runs where state = 'closed'`))
	require.Equal(t, 1, count(t, db, `select count(*) from intent_ends where kind = 0`))
}

func TestPostInThreeSteps(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	req := complete("R-1")
	_, err := p.Do(as(t.Context(), "line-2"), req)
	require.NoError(t, err)
	checkOnce(t, db, inv, p, req)
	require.Equal(t, 1, inv.calls, "a recorded answer asks nobody")

	e := events(t, db)[0]
	require.Equal(t, "line-2", e.Actor)
	require.Contains(t, e.After, lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 100}, "the event comes after what the inventory recorded")
	for id, move := range inv.sent {
		require.NotEqual(t, req.GetCommandId(), id, "the sender may use its id towards the inventory for something else")
		require.Equal(t, int64(1), move.GetTry())
		require.Equal(t, "line-2", move.GetActor())
	}

	other := complete("R-2")
	other.CommandId = req.CommandId
	_, err = p.Do(t.Context(), other)
	require.Equal(t, "command_id_reused", fault.ReasonOf(err), "err = %v", err)
}

// Catches an intent that is lost, or done twice, when the process dies between intent and outcome: before the call, or after it when the
// reply is lost.
func TestTheSweeperFinishesWhatACrashLeft(t *testing.T) {
	t.Parallel()
	for name, crash := range map[string]func(*inventory){
		"before the call was taken": func(i *inventory) { i.before = errors.New("connection reset") },
		"before the reply came":     func(i *inventory) { i.after = errors.New("connection reset") },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db, inv := newDB(t), newInventory()
			crash(inv)
			req := complete("R-1")
			_, err := newPoster(db, inv, 0).Do(as(t.Context(), "line-2"), req)
			require.Equal(t, "outcome_unknown", fault.ReasonOf(err), "err = %v", err)
			require.Equal(t, fault.KindUnavailable, fault.KindOf(err))
			require.Empty(t, events(t, db))
			require.Equal(t, 1, count(t, db, `select count(*) from open_intents`))

			// Another message must not slip in while it is not known what became of the first.
			other := complete("R-2")
			other.CommandId = req.CommandId
			_, err = newPoster(db, inv, 0).Do(t.Context(), other)
			require.Equal(t, "command_id_reused", fault.ReasonOf(err), "err = %v", err)

			inv.set(func(i *inventory) { i.before, i.after = nil, nil })
			require.NoError(t, newPoster(db, inv, 4*time.Second).Sweep(t.Context()))
			require.Empty(t, events(t, db), "an intent of 4 s has a caller yet")
			p := newPoster(db, inv, 6*time.Second)
			require.NoError(t, p.Sweep(t.Context()))
			require.Equal(t, "line-2", events(t, db)[0].Actor, "the sweeper finishes in the name of who began")
			require.NoError(t, p.Sweep(t.Context()))
			checkOnce(t, db, inv, p, req)
		})
	}
}

func TestTheSameRequestFinishesAnOpenIntent(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	inv.set(func(i *inventory) { i.after = errors.New("connection reset") })
	req := complete("R-1")
	_, err := p.Do(t.Context(), req)
	require.Error(t, err)
	inv.set(func(i *inventory) { i.after = nil })
	checkOnce(t, db, inv, p, req)
}

// Catches finishers that do not exclude each other: callers and sweepers of two processes at once, with replies lost on the way.
func TestManyFinishersRecordOnce(t *testing.T) {
	t.Parallel()
	for range 5 {
		db, inv := newDB(t), newInventory()
		inv.set(func(i *inventory) { i.after = errors.New("connection reset") })
		req := complete("R-1")
		_, err := newPoster(db, inv, 0).Do(t.Context(), req)
		require.Error(t, err)
		inv.set(func(i *inventory) { i.after = nil })
		var wg sync.WaitGroup
		for range 4 {
			wg.Go(func() {
				if err := newPoster(db, inv, time.Minute).Sweep(t.Context()); err != nil {
					t.Error(err)
				}
			})
			wg.Go(func() {
				if _, err := newPoster(db, inv, time.Minute).Do(t.Context(), req); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		checkOnce(t, db, inv, newPoster(db, inv, 0), req)
	}
}

func TestTheSameRequestAtTheSameTime(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	req := complete("R-1")
	var wg sync.WaitGroup
	for range 6 {
		wg.Go(func() {
			if _, err := p.Do(t.Context(), req); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	checkOnce(t, db, inv, p, req)
	require.Equal(t, 1, count(t, db, `select count(*) from intent_tries`))
}

func TestARefusedMovementIsUndoneAndJudgedAgain(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	short := fault.Precondition("lot_short", "lot L-1: 3 lb are there, 5 lb are asked for")
	inv.set(func(i *inventory) { i.refuse = short })
	req := complete("R-1")
	for try := range 2 {
		_, err := p.Do(t.Context(), req)
		require.Equal(t, short, err, "the caller gets the inventory's own words")
		require.Equal(t, try+1, count(t, db, `select count(*) from intent_ends where reason = 'lot_short'`))
		require.Equal(t, 0, count(t, db, `select count(*) from runs`), "the reservation is undone")
		require.Equal(t, 0, count(t, db, `select count(*) from open_intents`))
		require.Empty(t, events(t, db))
	}
	inv.set(func(i *inventory) { i.refuse = nil })
	checkOnce(t, db, inv, p, req)
	for _, move := range inv.sent {
		require.Equal(t, int64(3), move.GetTry())
	}
}

func TestTheSweeperUndoesWhatWasRefused(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	inv.set(func(i *inventory) { i.before = errors.New("connection reset") })
	_, err := newPoster(db, inv, 0).Do(t.Context(), complete("R-1"))
	require.Error(t, err)
	inv.set(func(i *inventory) { i.before, i.refuse = nil, fault.NotFound("lot_unknown", "lot L-1 is not known") })
	require.NoError(t, newPoster(db, inv, -time.Hour).Sweep(t.Context()), "also when the clock went back by an hour")
	require.Equal(t, 0, count(t, db, `select count(*) from runs`))
	require.Equal(t, 0, count(t, db, `select count(*) from open_intents`))
}

// That a caller may not ask, or that nobody is there, says nothing about the movement.
func TestWhatIsNoJudgementKeepsTheIntentOpen(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	req := complete("R-1")
	for _, why := range []error{
		fault.Denied("role_missing", "no right to post"), fault.Unauthenticated("token_unknown", "who are you"),
		fault.Unavailable("behind", "come again"), context.DeadlineExceeded,
	} {
		inv.set(func(i *inventory) { i.before = why })
		_, err := p.Do(t.Context(), req)
		require.Equal(t, fault.KindUnavailable, fault.KindOf(err), "%v gave %v", why, err)
		require.Equal(t, 1, count(t, db, `select count(*) from open_intents`))
	}
	inv.set(func(i *inventory) { i.before = nil })
	checkOnce(t, db, inv, p, req)
}

func TestARefusedIntentAsksNobody(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	_, err := p.Do(t.Context(), complete("R-1"))
	require.NoError(t, err)
	_, err = p.Do(t.Context(), complete("R-1"))
	require.Equal(t, "run_closed", fault.ReasonOf(err), "err = %v", err)
	require.Equal(t, 1, inv.calls)
	require.Equal(t, 1, count(t, db, `select count(*) from intent_tries`))
}

func TestANilMovementIsRecordedAtOnce(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	req := complete("")
	for range 2 {
		got, err := command.Post[*productionv1.CompleteRunResponse](t.Context(), p, req)
		require.NoError(t, err)
		require.Equal(t, int64(1), got.GetReceipt().GetPosition())
	}
	require.Equal(t, 0, inv.calls)
	require.Len(t, events(t, db), 1)
}

func TestAHandlerThatIsGoneBlocksNobody(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	inv.set(func(i *inventory) { i.before = errors.New("connection reset") })
	cfg := config(db)
	old := completing()
	old.Method = "CloseRun"
	_, err := command.NewPoster(command.New(cfg), inv.call, old).Do(t.Context(), complete("R-1"))
	require.Error(t, err)
	req := complete("R-2")
	_, err = newPoster(db, inv, 0).Do(t.Context(), req)
	require.Error(t, err)
	inv.set(func(i *inventory) { i.before = nil })
	var bug *fault.BugError
	require.ErrorAs(t, newPoster(db, inv, time.Minute).Sweep(t.Context()), &bug)
	require.Equal(t, 1, count(t, db, `select count(*) from open_intents`))
	require.Len(t, events(t, db), 1)
}

// Catches movements that a restored inventory never gets again.
func TestResendRepeatsWhatARestoredInventoryLost(t *testing.T) {
	t.Parallel()
	db, inv := newDB(t), newInventory()
	p := newPoster(db, inv, 0)
	const runs = 230 // more than two pages
	for n := range runs {
		_, err := p.Do(t.Context(), complete(fmt.Sprintf("R-%d", n)))
		require.NoError(t, err)
	}
	// Positions 100 to 119 are what is left.
	lost := 0
	inv.set(func(i *inventory) {
		for id, resp := range i.done {
			if resp.GetReceipt().GetPosition() > 119 {
				delete(i.done, id)
				lost++
			}
		}
	})
	sent, err := p.Resend(t.Context(), 1, 119)
	require.NoError(t, err)
	require.Equal(t, lost, sent)
	require.Len(t, inv.done, runs)
	require.Equal(t, int64(runs), position(t, db), "nothing is said twice")
}
