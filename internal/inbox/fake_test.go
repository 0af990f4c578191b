package inbox_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

const service = "production"

// migrations are the inbox's tables and one for effects, in which an event can stand only once.
func migrations(t testing.TB) fs.FS {
	t.Helper()
	own, err := fs.ReadFile(inbox.Migrations, "migrations/00002_inbox.sql")
	require.NoError(t, err)
	effects := []byte(`-- +goose Up
		create table effects (number bigint generated always as identity, event_id text primary key, producer text not null);
		grant select, insert on effects to "@RUN_ROLE@";`)
	set := fstest.MapFS{}
	for name, text := range map[string][]byte{"00002_inbox.sql": own, "00101_effects.sql": effects} {
		set["migrations/"+name] = &fstest.MapFile{Data: bytes.ReplaceAll(text, []byte("@RUN_ROLE@"), []byte(postgres.RunRole(service)))}
	}
	return set
}

// producer says events with real links and answers as a service would.
type producer struct {
	name lot.Producer

	mu      sync.Mutex
	epoch   int64
	log     map[int64][]*eventv1.Envelope
	ends    []*eventv1.Head
	applied []lot.Receipt
	down    bool
	reads   int
}

func newProducer(name lot.Producer) *producer {
	return &producer{name: name, epoch: 1, log: map[int64][]*eventv1.Envelope{}}
}

func (p *producer) head() *eventv1.Head {
	said := p.log[p.epoch]
	h := &eventv1.Head{At: &eventv1.Receipt{Producer: string(p.name), Epoch: p.epoch, Position: int64(len(said))}, Hash: make([]byte, 32)}
	if len(said) > 0 {
		h.Hash = said[len(said)-1].Hash
	} else if len(p.ends) > 0 {
		h.Hash = p.ends[len(p.ends)-1].Hash
	}
	return h
}

// say records an adjustment of the lots, the plainest event there is.
func (p *producer) say(t testing.TB, after []lot.Receipt, lots ...lot.ID) *eventv1.Envelope {
	t.Helper()
	id := uuid.Must(uuid.NewV7()).String()
	first := lot.ID("any")
	if len(lots) > 0 {
		first = lots[0]
	}
	body := lot.Adjusted{Adjustment: id, Lot: first, Delta: 1, Reason: "count", Account: lot.Account{Name: "count"}}
	payload, err := lotwire.Marshal(id, "tester", after, lot.Event{Lots: lots, Effective: time.Unix(1, 0), Body: body})
	require.NoError(t, err)
	return p.record(payload, body.Kind())
}

func (p *producer) record(payload []byte, kind string) *eventv1.Envelope {
	p.mu.Lock()
	defer p.mu.Unlock()
	head := p.head()
	env := &eventv1.Envelope{
		Producer: string(p.name), Epoch: p.epoch, Position: head.At.Position + 1, RecordedMicros: 1_000_000 + head.At.Position,
		PreviousHash: head.Hash, Payload: payload, Type: kind,
	}
	env.Hash = lotwire.Hash(env)
	p.log[p.epoch] = append(p.log[p.epoch], env)
	return env
}

func (p *producer) at() lot.Receipt {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := p.head().At
	return lot.Receipt{Producer: p.name, Epoch: h.Epoch, Position: h.Position}
}

// restore goes back to a position and takes back under the next epoch what was lost.
func (p *producer) restore(kept int64) {
	p.mu.Lock()
	lost := p.log[p.epoch][kept:]
	p.log[p.epoch] = p.log[p.epoch][:kept]
	end := p.head()
	p.ends = append(p.ends, end)
	p.epoch++
	p.mu.Unlock()
	for _, env := range lost {
		p.record(env.Payload, env.Type)
	}
}

var errDown = errors.New("no route to it")

func (p *producer) source() inbox.Source {
	return inbox.Source{
		Producer: p.name,
		Read: func(ctx context.Context, epoch, after int64, fn func([]*eventv1.Envelope) error) error {
			for {
				p.mu.Lock()
				p.reads++
				page := p.log[epoch][min(after, int64(len(p.log[epoch]))):]
				page = page[:min(len(page), 256)]
				down := p.down
				p.mu.Unlock()
				if down || ctx.Err() != nil {
					return errDown
				}
				if len(page) == 0 {
					return nil
				}
				if err := fn(page); err != nil {
					return err
				}
				after += int64(len(page))
			}
		},
		Head: func(context.Context) (inbox.Standing, error) {
			p.mu.Lock()
			defer p.mu.Unlock()
			if p.down {
				return inbox.Standing{}, errDown
			}
			return inbox.Standing{Head: p.head(), Earlier: p.ends, Applied: p.applied}, nil
		},
	}
}

func (p *producer) setDown(down bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.down = down
}

// effect is what an event does here.
const effect = `insert into effects (event_id, producer) values ($1, $2)`

// bench is a consumer under test.
type bench struct {
	t  testing.TB
	db *postgres.DB

	mu     sync.Mutex
	fail   func(e lot.Recorded) error
	later  func(e lot.Recorded) string // the statement of its effect, put off; "": none is
	alarms map[string]int
}

func newBench(t testing.TB) *bench {
	t.Helper()
	return &bench{t: t, db: dbtest.New(t, migrations(t), service), alarms: map[string]int{}}
}

func (b *bench) failWith(fail func(e lot.Recorded) error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fail = fail
}

func (b *bench) apply(ctx context.Context, tx pgx.Tx, e lot.Recorded) error {
	b.mu.Lock()
	fail, later := b.fail, b.later
	b.mu.Unlock()
	if fail != nil {
		if err := fail(e); err != nil {
			return err
		}
	}
	if later != nil {
		if sql := later(e); sql != "" {
			return postgres.Later(ctx, tx, sql, e.EventID, e.Producer)
		}
	}
	_, err := tx.Exec(ctx, effect, e.EventID, e.Producer)
	return err
}

// start runs an inbox until stop is called, at the latest at the end of the test.
func (b *bench) start(producers ...*producer) (in *inbox.Inbox, stop func()) {
	cfg := inbox.Config{DB: b.db, Self: "self", Apply: b.apply, Now: time.Now, Logger: slog.New(slog.DiscardHandler), Silence: 50 * time.Millisecond,
		Alarm: func(reason string, _ lot.Receipt) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.alarms[reason]++
		}}
	for _, p := range producers {
		cfg.Sources = append(cfg.Sources, p.source())
	}
	in = inbox.New(cfg)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- in.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(b.t, <-done)
	})
	b.t.Cleanup(stop)
	return in, stop
}

func (b *bench) alarmed(reason string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.alarms[reason]
}

// wait waits until the inbox stands where the producers stand.
func (b *bench) wait(in *inbox.Inbox, producers ...*producer) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	for _, p := range producers {
		require.NoError(b.t, in.Wait(ctx, []lot.Receipt{p.at()}))
	}
}

// effects are the ids of applied events in the order in which they took effect.
func (b *bench) effects() []string {
	b.t.Helper()
	return query[string](b, `select event_id from effects order by number`)
}

func query[T any](b *bench, sql string, args ...any) []T {
	b.t.Helper()
	var all []T
	require.NoError(b.t, b.db.Snapshot(context.Background(), func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return err
		}
		all, err = pgx.CollectRows(rows, pgx.RowTo[T])
		return err
	}))
	return all
}

func (b *bench) quarantined(in *inbox.Inbox) []inbox.Quarantined {
	b.t.Helper()
	var all []inbox.Quarantined
	require.NoError(b.t, b.db.Snapshot(context.Background(), func(ctx context.Context, tx pgx.Tx) (err error) {
		all, err = in.Quarantined(ctx, tx, 0, 1000)
		return err
	}))
	return all
}

func (b *bench) eventually(what string, ok func() bool) {
	b.t.Helper()
	require.Eventually(b.t, ok, 20*time.Second, 5*time.Millisecond, what)
}

// idOf is the id in an envelope.
func idOf(t testing.TB, env *eventv1.Envelope) string {
	t.Helper()
	var e eventv1.Event
	require.NoError(t, proto.Unmarshal(env.Payload, &e))
	return e.Id
}

func idsOf(t testing.TB, envs ...*eventv1.Envelope) []string {
	t.Helper()
	ids := make([]string, 0, len(envs))
	for _, env := range envs {
		ids = append(ids, idOf(t, env))
	}
	return ids
}

// poison fails for events that name the lot.
func poison(id lot.ID) func(lot.Recorded) error {
	return func(e lot.Recorded) error {
		for _, l := range e.Lots {
			if l == id {
				return fault.Invalid("lot_unknown", "lot %s is not known", l)
			}
		}
		return nil
	}
}

func lotN(i int) lot.ID { return lot.ID(fmt.Sprintf("L%d", i)) }
