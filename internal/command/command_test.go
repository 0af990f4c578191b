package command_test

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"path"
	"sync"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/command"
	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	"huskline/internal/seal"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

const domainTables = `-- +goose Up
create table emptied (bin text not null, at timestamptz not null, constraint emptied_pk primary key (bin));
create table runs (run text not null, state text not null, constraint runs_pk primary key (run));
grant select, insert, update, delete on emptied, runs to "@RUN_ROLE@";
`

// migrations is the tables of outbox and command, and those of a small domain, with grants to the production's role.
func migrations(t testing.TB) fs.FS {
	t.Helper()
	all := fstest.MapFS{"migrations/00101_domain.sql": {Data: []byte(domainTables)}}
	for _, set := range []fs.FS{outbox.Migrations, command.Migrations, seal.Migrations} {
		names, err := fs.Glob(set, "migrations/*.sql")
		require.NoError(t, err)
		for _, name := range names {
			text, err := fs.ReadFile(set, name)
			require.NoError(t, err)
			all[path.Clean(name)] = &fstest.MapFile{Data: text}
		}
	}
	for _, f := range all {
		f.Data = bytes.ReplaceAll(f.Data, []byte("@RUN_ROLE@"), []byte(postgres.RunRole("production")))
	}
	return all
}

func newDB(t testing.TB) *postgres.DB {
	t.Helper()
	db := dbtest.New(t, migrations(t), "production")
	require.NoError(t, outbox.Init(t.Context(), db, lot.Production))
	return db
}

// store is what the use-cases of these tests see of a transaction.
type store struct {
	pgx.Tx
	at time.Time
}

var noon = time.Date(2025, 11, 3, 12, 0, 0, 123_456_789, time.UTC)

type actorKey struct{}

func as(ctx context.Context, actor string) context.Context {
	return context.WithValue(ctx, actorKey{}, actor)
}

func config(db *postgres.DB) command.Config[store] {
	return command.Config[store]{
		DB: db, Producer: lot.Production, Now: func() time.Time { return noon },
		Wrap: func(tx pgx.Tx, at time.Time) store { return store{tx, at} },
		After: func(context.Context, pgx.Tx) ([]lot.Receipt, error) {
			return []lot.Receipt{{Producer: lot.Inventory, Epoch: 1, Position: 5}, {Producer: lot.Intake, Epoch: 1, Position: 3}}, nil
		},
		Actor: func(ctx context.Context) string { a, _ := ctx.Value(actorKey{}).(string); return a },
	}
}

func newID() string { return uuid.NewString() }

func emptying(bin string) *inventoryv1.EmptyBinRequest {
	return &inventoryv1.EmptyBinRequest{CommandId: newID(), BinLot: bin}
}

// empty is a use-case with an effect that cannot be had twice.
func empty(req *inventoryv1.EmptyBinRequest) func(context.Context, store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
	return func(ctx context.Context, tx store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		_, err := tx.Exec(ctx, `insert into emptied (bin, at) values ($1, $2)`, req.GetBinLot(), tx.at)
		if postgres.IsUniqueViolation(err, "emptied_pk") {
			return nil, nil, fault.Precondition("bin_empty", "bin %s is empty already", req.GetBinLot())
		}
		if err != nil {
			return nil, nil, err
		}
		event := lot.Event{
			Lots: []lot.ID{lot.ID(req.GetBinLot())}, Effective: noon.Add(-time.Hour),
			Body: lot.BinEmptied{Bin: lot.ID(req.GetBinLot()), Remainder: 42, Emptying: req.GetCommandId()},
		}
		return &inventoryv1.EmptyBinResponse{Remainder: 42}, []lot.Event{event}, nil
	}
}

func count(t testing.TB, db *postgres.DB, sql string) int {
	t.Helper()
	var n int
	require.NoError(t, db.Pool().QueryRow(t.Context(), sql).Scan(&n))
	return n
}

func position(t testing.TB, db *postgres.DB) int64 {
	t.Helper()
	h, err := outbox.ReadHead(t.Context(), db.Pool())
	require.NoError(t, err)
	return h.GetAt().GetPosition()
}

func events(t testing.TB, db *postgres.DB) []lot.Recorded {
	t.Helper()
	envs, err := outbox.Read(t.Context(), db.Pool(), 1, 0, 0)
	require.NoError(t, err)
	var all []lot.Recorded
	for i, env := range envs {
		require.Equal(t, int64(i+1), env.GetPosition(), "positions are dense")
		require.NoError(t, lotwire.Verify(env))
		r, err := lotwire.Unmarshal(env)
		require.NoError(t, err)
		all = append(all, r)
	}
	return all
}

func receiptAt(position int64) *eventv1.Receipt {
	return &eventv1.Receipt{Producer: "production", Epoch: 1, Position: position}
}

func TestRunRecordsOnce(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	var nudged atomic.Int32
	cfg := config(db)
	cfg.Recorded = func() { nudged.Add(1) }
	cfg.Receipts = func(context.Context) []lot.Receipt {
		return []lot.Receipt{{Producer: lot.Intake, Epoch: 1, Position: 9}, {Producer: lot.Inventory, Epoch: 1, Position: 4}, {Producer: lot.Production, Epoch: 1, Position: 1}}
	}
	req := emptying("B-1")
	got, err := command.Run(as(t.Context(), "press-3"), command.New(cfg), req, empty(req))
	require.NoError(t, err)
	want := &inventoryv1.EmptyBinResponse{Receipt: receiptAt(1), Remainder: 42}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("answer, want -, got +:\n%s", diff)
	}
	require.Equal(t, int32(1), nudged.Load())

	es := events(t, db)
	require.Len(t, es, 1)
	wantEvent := lot.Recorded{
		Receipt: lot.Receipt{Producer: lot.Production, Epoch: 1, Position: 1}, EventID: es[0].EventID, RecordedAt: noon.Truncate(time.Microsecond),
		Actor: "press-3", After: []lot.Receipt{{Producer: lot.Intake, Epoch: 1, Position: 9}, {Producer: lot.Inventory, Epoch: 1, Position: 5}},
		Event: lot.Event{
			Lots: []lot.ID{"B-1"}, Effective: noon.Add(-time.Hour).Truncate(time.Microsecond),
			Body: lot.BinEmptied{Bin: "B-1", Remainder: 42, Emptying: req.GetCommandId()},
		},
	}
	if diff := cmp.Diff(wantEvent, es[0]); diff != "" {
		t.Errorf("event, want -, got +:\n%s", diff)
	}
	require.Equal(t, uuid.Version(7), uuid.MustParse(es[0].EventID).Version())
	var at time.Time
	require.NoError(t, db.Pool().QueryRow(t.Context(), `select at from emptied`).Scan(&at))
	require.Equal(t, noon.Truncate(time.Microsecond), at.UTC(), "one time for all rows")

	// Somebody else says something meanwhile: the receipt of the first answer stays what it was.
	other := emptying("B-2")
	_, err = command.Run(t.Context(), command.New(cfg), other, empty(other))
	require.NoError(t, err)
	for range 3 {
		again, err := command.Run(t.Context(), command.New(config(db)), req, empty(req))
		require.NoError(t, err)
		if diff := cmp.Diff(want, again, protocmp.Transform()); diff != "" {
			t.Errorf("repeated answer, want -, got +:\n%s", diff)
		}
	}
	require.Equal(t, int64(2), position(t, db))
	require.Equal(t, 2, count(t, db, `select count(*) from commands`))
}

func TestAnIDForAnotherMessageIsAConflict(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	r := command.New(config(db))
	first := emptying("B-1")
	_, err := command.Run(t.Context(), r, first, empty(first))
	require.NoError(t, err)

	other := emptying("B-2")
	other.CommandId = first.CommandId
	_, err = command.Run(t.Context(), r, other, empty(other))
	require.Equal(t, "command_id_reused", fault.ReasonOf(err), "err = %v", err)
	require.Equal(t, fault.KindConflict, fault.KindOf(err))

	// Another method whose message has the same bytes.
	move := &inventoryv1.MoveLotRequest{CommandId: first.CommandId, Lot: "B-1"}
	a, err := proto.Marshal(move)
	require.NoError(t, err)
	b, err := proto.Marshal(first)
	require.NoError(t, err)
	require.Equal(t, a, b, "the two messages differ by their type alone")
	_, err = command.Run(t.Context(), r, move, func(context.Context, store) (*inventoryv1.MoveLotResponse, []lot.Event, error) {
		return &inventoryv1.MoveLotResponse{}, nil, nil
	})
	require.Equal(t, "command_id_reused", fault.ReasonOf(err), "err = %v", err)
	require.Equal(t, int64(1), position(t, db))
	require.Equal(t, 1, count(t, db, `select count(*) from emptied`))
}

func TestARefusedCommandLeavesNothingAndIsJudgedAgain(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	r := command.New(config(db))
	first := emptying("B-1")
	_, err := command.Run(t.Context(), r, first, empty(first))
	require.NoError(t, err)
	second := emptying("B-1")
	_, err = command.Run(t.Context(), r, second, func(ctx context.Context, tx store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		if _, err := tx.Exec(ctx, `insert into emptied (bin, at) values ('B-left', now())`); err != nil {
			return nil, nil, err
		}
		return empty(second)(ctx, tx)
	})
	require.Equal(t, "bin_empty", fault.ReasonOf(err), "err = %v", err)
	require.Equal(t, int64(1), position(t, db))
	require.Equal(t, 1, count(t, db, `select count(*) from emptied`))
	require.Equal(t, 1, count(t, db, `select count(*) from commands`))

	_, err = db.Pool().Exec(t.Context(), `delete from emptied`)
	require.NoError(t, err)
	got, err := command.Run(t.Context(), r, second, empty(second))
	require.NoError(t, err)
	require.Equal(t, int64(2), got.GetReceipt().GetPosition())
}

// Catches a command that is looked up, found new twice, and then either done twice or answered with the refusal that its own twin causes.
func TestTheSameCommandAtTheSameTime(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	r := command.New(config(db))
	const rounds, callers = 12, 6
	for round := range rounds {
		req := emptying(fmt.Sprintf("B-%d", round))
		var wg sync.WaitGroup
		for range callers {
			wg.Go(func() {
				got, err := command.Run(t.Context(), r, req, empty(req))
				if err != nil || got.GetReceipt().GetPosition() != int64(round+1) {
					t.Errorf("round %d: answer %v, error %v", round, got, err)
				}
			})
		}
		wg.Wait()
	}
	require.Len(t, events(t, db), rounds)
}

func TestWritersSideBySide(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	r := command.New(config(db))
	const writers, each = 8, 25
	var mu sync.Mutex
	seen := map[int64]bool{}
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				req := emptying(fmt.Sprintf("B-%d-%d", w, i))
				got, err := command.Run(t.Context(), r, req, empty(req))
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				seen[got.GetReceipt().GetPosition()] = true
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	require.Len(t, seen, writers*each, "every answer has a position of its own")
	require.Len(t, events(t, db), writers*each)
}

func TestASerializationFailureIsTriedAgain(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	req := emptying("B-1")
	tries := 0
	got, err := command.Run(t.Context(), command.New(config(db)), req, func(ctx context.Context, tx store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		answer, events, err := empty(req)(ctx, tx)
		if tries++; tries < 3 && err == nil {
			_, err = tx.Exec(ctx, `do $$ begin raise exception 'again' using errcode = '40001'; end $$`)
		}
		return answer, events, err
	})
	require.NoError(t, err)
	require.Equal(t, 3, tries)
	require.Equal(t, int64(1), got.GetReceipt().GetPosition())
}

func TestACommandWithoutEventsGetsTheHead(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	r := command.New(config(db))
	nothing := func(context.Context, store) (*inventoryv1.MoveLotResponse, []lot.Event, error) {
		return &inventoryv1.MoveLotResponse{}, nil, nil
	}
	for _, want := range []int64{0, 1} {
		req := &inventoryv1.MoveLotRequest{CommandId: newID()}
		got, err := command.Run(t.Context(), r, req, nothing)
		require.NoError(t, err)
		require.Equal(t, want, got.GetReceipt().GetPosition())
		if want == 0 {
			bin := emptying("B-1")
			_, err := command.Run(t.Context(), r, bin, empty(bin))
			require.NoError(t, err)
		}
	}
}

func TestRunRefusesWhatCannotBeKept(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	r := command.New(config(db))
	req := emptying("B-1")
	req.CommandId = "soon"
	_, err := command.Run(t.Context(), r, req, empty(req))
	require.Equal(t, "command_id_malformed", fault.ReasonOf(err), "err = %v", err)

	var bug *fault.BugError
	req = emptying("B-1")
	_, err = command.Run(t.Context(), r, req, func(context.Context, store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		return nil, nil, nil
	})
	require.ErrorAs(t, err, &bug, "no answer and no error")
	_, err = command.Run(t.Context(), r, req, func(context.Context, store) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		return &inventoryv1.EmptyBinResponse{}, []lot.Event{{Body: lot.Poured{}}}, nil
	})
	require.ErrorAs(t, err, &bug, "an event that cannot be read again")
	_, err = command.Run(t.Context(), r, req, empty(req))
	require.NoError(t, err)
	_, err = command.Run(t.Context(), r, req, func(context.Context, store) (*inventoryv1.MoveLotResponse, []lot.Event, error) {
		return nil, nil, nil
	})
	require.ErrorAs(t, err, &bug, "an answer of another type than the recorded one")
}

// Catches a run-time role that can change what was answered.
func TestRecordedCommandsCannotBeChanged(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	for _, sql := range []string{
		`update commands set answer = ''`, `delete from commands`, `update intent_tries set actor = ''`, `delete from intent_tries`,
		`update intent_ends set reason = ''`, `delete from intent_ends`, `truncate open_intents`,
	} {
		if _, err := db.Pool().Exec(t.Context(), sql); !postgres.IsForbidden(err) {
			t.Errorf("%s: err = %v, want it forbidden", sql, err)
		}
	}
}
