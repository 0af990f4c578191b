package follow_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

const service = "inventory"

func migrations(t testing.TB) fs.FS {
	t.Helper()
	set := fstest.MapFS{}
	for name, from := range map[string]fs.FS{"migrations/00001_outbox.sql": outbox.Migrations, "migrations/00002_inbox.sql": inbox.Migrations} {
		text, err := fs.ReadFile(from, name)
		require.NoError(t, err)
		set[name] = &fstest.MapFile{Data: bytes.ReplaceAll(text, []byte("@RUN_ROLE@"), []byte(postgres.RunRole(service)))}
	}
	return set
}

// index is the plainest fold: what came, in order. It refuses an event that comes before what it builds on, so that a wrong order shows as a gap.
type index struct {
	ids  []string
	seen map[lot.Producer]lot.Receipt
}

func newIndex() *index { return &index{seen: map[lot.Producer]lot.Receipt{}} }

func (x *index) Apply(e lot.Recorded) error {
	if slices.Contains(e.Lots, "unfoldable") {
		return fault.Invalid("unfoldable", "lot unfoldable")
	}
	if slices.Contains(e.Lots, "panic") {
		panic("nil map")
	}
	for _, r := range e.After {
		if x.seen[r.Producer].Position < r.Position {
			return fault.Bug("%s before %v", e.EventID, r)
		}
	}
	x.seen[e.Producer] = e.Receipt
	x.ids = append(x.ids, e.EventID)
	return nil
}

// said is an event as the test knows it.
type said struct {
	id       string
	at       lot.Receipt
	after    []lot.Receipt
	recorded time.Time
}

// plant is a service's database with events of its own and of two others.
type plant struct {
	t   testing.TB
	db  *postgres.DB
	all []said

	mu     sync.Mutex
	others map[lot.Producer][]*eventv1.Envelope
	refuse lot.ID // an event that names it goes to quarantine
	in     *inbox.Inbox
}

var clock = time.Date(2025, 11, 3, 8, 0, 0, 0, time.UTC)

func newPlant(t testing.TB) *plant {
	t.Helper()
	p := &plant{t: t, db: dbtest.New(t, migrations(t), service), others: map[lot.Producer][]*eventv1.Envelope{}}
	require.NoError(t, outbox.Init(t.Context(), p.db, lot.Inventory))
	cfg := inbox.Config{DB: p.db, Self: lot.Inventory, Now: time.Now, Apply: p.apply, Silence: 50 * time.Millisecond}
	for _, name := range []lot.Producer{lot.Intake, lot.Production} {
		cfg.Sources = append(cfg.Sources, p.source(name))
	}
	p.in = inbox.New(cfg)
	p.background(p.in.Run)
	return p
}

func (p *plant) background(run func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- run(ctx) }()
	p.t.Cleanup(func() {
		cancel()
		require.NoError(p.t, <-done)
	})
}

func (p *plant) apply(_ context.Context, _ pgx.Tx, e lot.Recorded) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if slices.Contains(e.Lots, p.refuse) {
		return fault.Invalid("lot_unknown", "lot %s", p.refuse)
	}
	return nil
}

func (p *plant) refuseLot(id lot.ID) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.refuse = id
}

func (p *plant) source(name lot.Producer) inbox.Source {
	return inbox.Source{
		Producer: name,
		Read: func(_ context.Context, _, after int64, fn func([]*eventv1.Envelope) error) error {
			p.mu.Lock()
			page := slices.Clone(p.others[name][min(after, int64(len(p.others[name]))):])
			p.mu.Unlock()
			return fn(page)
		},
		Head: func(context.Context) (inbox.Standing, error) {
			p.mu.Lock()
			defer p.mu.Unlock()
			return inbox.Standing{Head: headOf(name, p.others[name])}, nil
		},
	}
}

func headOf(name lot.Producer, envs []*eventv1.Envelope) *eventv1.Head {
	h := &eventv1.Head{At: &eventv1.Receipt{Producer: string(name), Epoch: 1, Position: int64(len(envs))}, Hash: make([]byte, 32)}
	if len(envs) > 0 {
		h.Hash = envs[len(envs)-1].Hash
	}
	return h
}

func payload(t testing.TB, after []lot.Receipt, lots ...lot.ID) (id string, bytes []byte) {
	t.Helper()
	id = uuid.Must(uuid.NewV7()).String()
	body := lot.Adjusted{Adjustment: id, Lot: "any", Delta: 1, Reason: "count", Account: lot.Account{Name: "count"}}
	bytes, err := lotwire.Marshal(id, "tester", after, lot.Event{Lots: lots, Effective: clock, Body: body})
	require.NoError(t, err)
	return id, bytes
}

// say records an event of the service itself.
func (p *plant) say(at time.Time, after []lot.Receipt, lots ...lot.ID) lot.Receipt {
	p.t.Helper()
	id, bytes := payload(p.t, after, lots...)
	var r lot.Receipt
	require.NoError(p.t, p.db.InTx(context.Background(), func(ctx context.Context, tx pgx.Tx) (err error) {
		r, err = outbox.Append(ctx, tx, at, []outbox.Message{{ID: id, Type: lot.Adjusted{}.Kind(), Payload: bytes}})
		return err
	}))
	p.all = append(p.all, said{id, r, after, at})
	return r
}

// hear lets another producer say an event; it is taken in the background.
func (p *plant) hear(name lot.Producer, at time.Time, after []lot.Receipt, lots ...lot.ID) lot.Receipt {
	p.t.Helper()
	id, bytes := payload(p.t, after, lots...)
	r := p.append(name, at, bytes)
	p.all = append(p.all, said{id, r, after, at})
	return r
}

// append gives a payload of another producer its next place.
func (p *plant) append(name lot.Producer, at time.Time, payload []byte) lot.Receipt {
	p.mu.Lock()
	defer p.mu.Unlock()
	head := headOf(name, p.others[name])
	env := &eventv1.Envelope{Producer: string(name), Epoch: 1, Position: head.At.Position + 1, RecordedMicros: at.UnixMicro(),
		PreviousHash: head.Hash, Payload: payload, Type: lot.Adjusted{}.Kind()}
	env.Hash = lotwire.Hash(env)
	p.others[name] = append(p.others[name], env)
	return lot.Receipt{Producer: name, Epoch: 1, Position: env.Position}
}

// settled waits until all that was said is taken in.
func (p *plant) settled() {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	for _, name := range []lot.Producer{lot.Intake, lot.Production} {
		require.NoError(p.t, p.in.Wait(ctx, []lot.Receipt{p.head(name)}))
	}
}

func (p *plant) head(name lot.Producer) lot.Receipt {
	p.mu.Lock()
	defer p.mu.Unlock()
	return lot.Receipt{Producer: name, Epoch: 1, Position: int64(len(p.others[name]))}
}

func (p *plant) follower() *follow.Follower[*index] {
	f := follow.New(follow.Config[*index]{DB: p.db, Self: lot.Inventory, New: newIndex, Page: 100})
	p.background(f.Run)
	return f
}

// ids are those of the events at or before the places, by producer and position.
func (p *plant) ids(vector []lot.Receipt) []string {
	var known []said
	for _, s := range p.all {
		for _, r := range vector {
			if s.at.Producer == r.Producer && (s.at.Epoch < r.Epoch || s.at.Epoch == r.Epoch && s.at.Position <= r.Position) {
				known = append(known, s)
			}
		}
	}
	var ids []string
	for _, s := range known {
		ids = append(ids, s.id)
	}
	slices.Sort(ids)
	return ids
}

func sorted(ids []string) []string {
	ids = slices.Clone(ids)
	slices.Sort(ids)
	return ids
}

func view(t testing.TB, f *follow.Follower[*index], need ...lot.Receipt) (ids []string, asOf []lot.Receipt) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	require.NoError(t, f.View(ctx, need, func(x *index, at []lot.Receipt) error {
		ids, asOf = slices.Clone(x.ids), at
		return nil
	}))
	return ids, asOf
}

func past(t testing.TB, f *follow.Follower[*index], vector []lot.Receipt) (ids []string, asOf []lot.Receipt) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	require.NoError(t, f.Past(ctx, vector, func(x *index, at []lot.Receipt) error {
		ids, asOf = x.ids, at
		return nil
	}))
	return ids, asOf
}

var errStop = errors.New("stop")

func lotN(n int) lot.ID { return lot.ID(fmt.Sprint("L", n)) }
