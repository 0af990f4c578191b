package inbox_test

import (
	"context"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// dialogue lets two producers say n events, now and then after what the other said.
func dialogue(t *testing.T, a, b *producer, n int) []*eventv1.Envelope {
	t.Helper()
	var all []*eventv1.Envelope
	for i := range n {
		from, other := a, b
		if i%3 == 0 {
			from, other = b, a
		}
		var after []lot.Receipt
		if i%7 == 0 && other.at().Position > 0 {
			after = []lot.Receipt{other.at()}
		}
		all = append(all, from.say(t, after, lotN(i)))
	}
	return all
}

// TestExactlyOnce catches: a cursor moved outside the transaction of the effects, the bus's duplicates applied, `after` not waited for.
func TestExactlyOnce(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	intake, inventory := newProducer(lot.Intake), newProducer(lot.Inventory)
	all := dialogue(t, intake, inventory, 900)
	// Without the producers nothing but the bus brings events; with them what the bus lost is pulled.
	rnd := rand.New(rand.NewPCG(1, 2))
	in, stop := b.start(intake, inventory)
	for i := range 2 * len(all) {
		in.Offer(all[rnd.IntN(len(all))])
		if i == len(all) {
			stop()
			in, stop = b.start(intake, inventory)
		}
	}
	b.wait(in, intake, inventory)

	got := b.effects()
	seen := map[string]int{}
	for i, id := range got {
		seen[id] = i
	}
	require.Len(t, got, len(all))
	for _, p := range []*producer{intake, inventory} {
		last := -1
		for _, env := range p.log[1] {
			i, ok := seen[idOf(t, env)]
			require.True(t, ok, "event %d of %s took effect", env.Position, p.name)
			require.Greater(t, i, last, "events of %s in order", p.name)
			last = i
			for _, r := range afterOf(t, env) {
				other := map[lot.Producer]*producer{lot.Intake: intake, lot.Inventory: inventory}[r.Producer]
				require.Greater(t, i, seen[idOf(t, other.log[1][r.Position-1])], "event %d of %s after %v", env.Position, p.name, r)
			}
		}
	}
	require.Equal(t, []int64{900}, query[int64](b, `select count(*) from inbox_events where not repeated`))
	require.Empty(t, b.quarantined(in))
}

func afterOf(t *testing.T, env *eventv1.Envelope) []lot.Receipt {
	t.Helper()
	var e eventv1.Event
	require.NoError(t, proto.Unmarshal(env.Payload, &e))
	var after []lot.Receipt
	for _, r := range e.After {
		after = append(after, lot.Receipt{Producer: lot.Producer(r.Producer), Epoch: r.Epoch, Position: r.Position})
	}
	return after
}

// Catches: what an event put off taking others with it when it fails, after all of them were applied; and an event lost between two such statements.
func TestAnEventThatFailsLaterIsSetAsideAlone(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	var flowing []string
	bad := map[string]bool{}
	for i := range 300 {
		id := idOf(t, p.say(t, nil, lotN(i)))
		if i == 7 || i == 200 {
			bad[id] = true
			continue
		}
		flowing = append(flowing, id)
	}
	b.later = func(e lot.Recorded) string {
		switch {
		case bad[e.EventID]:
			return `insert into effects (event_id, producer) select $1::text, null where $2::text <> ''` // its producer must not be null
		case e.Position%3 == 0:
			return "" // at once, after what was put off before it
		}
		return effect
	}
	in, stop := b.start(p)
	b.wait(in, p)
	stop()
	require.Empty(t, cmp.Diff(flowing, b.effects()))
	var aside []string
	for _, q := range b.quarantined(in) {
		aside = append(aside, q.EventID)
		require.Equal(t, "internal", q.Reason)
	}
	require.Len(t, aside, 2)
	require.True(t, bad[aside[0]] && bad[aside[1]])
}

// TestPoison catches: a whole batch set aside for one event, a waiting event let through, a released event applied twice or its followers forgotten.
func TestPoison(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	var flowing, held []string
	for i := range 400 {
		switch i {
		case 100:
			held = append(held, idOf(t, p.say(t, nil, "bad")))
		case 120: // names the bad lot and another, which therefore waits too
			held = append(held, idOf(t, p.say(t, nil, "bad", "L7")))
		case 300:
			held = append(held, idOf(t, p.say(t, nil, "L7")))
		default:
			flowing = append(flowing, idOf(t, p.say(t, nil, lotN(1000+i))))
		}
	}
	b.failWith(poison("bad"))
	in, stop := b.start(p)
	b.wait(in, p)
	require.Empty(t, cmp.Diff(flowing, b.effects()))
	quarantine := b.quarantined(in)
	require.Len(t, quarantine, 3)
	at := func(n int64) lot.Receipt { return lot.Receipt{Producer: lot.Intake, Epoch: 1, Position: n} }
	for i, want := range []inbox.Quarantined{
		{At: at(101), Reason: "lot_unknown", Attempts: 1},
		{At: at(121), Reason: inbox.ReasonWaits, Behind: at(101)},
		{At: at(301), Reason: inbox.ReasonWaits, Behind: at(121)},
	} {
		got := quarantine[i]
		require.Equal(t, held[i], got.EventID)
		require.Equal(t, want, inbox.Quarantined{At: got.At, Reason: got.Reason, Behind: got.Behind, Attempts: got.Attempts})
	}
	require.Equal(t, []string{"lot L7: intake/1/121 in quarantine", "lot bad: intake/1/101 in quarantine"}, in.Touched("L7", "bad", "L1"))
	require.Equal(t, []string{"intake: events in quarantine: 3"}, in.CatchUp(t.Context()))
	require.Empty(t, in.Reach(t.Context()))
	require.Equal(t, 1, b.alarmed(inbox.AlarmQuarantine), "one alarm for the one that failed")

	// It fails again; then, after a restart, what it lacked is there.
	applied, reason, err := in.Retry(t.Context(), at(101))
	require.NoError(t, err)
	require.Equal(t, 0, applied)
	require.Equal(t, "lot_unknown", reason)
	applied, reason, err = in.Retry(t.Context(), at(301))
	require.NoError(t, err)
	require.Equal(t, 0, applied)
	require.Equal(t, inbox.ReasonWaits, reason)
	stop()
	in, _ = b.start(p)
	b.wait(in, p)
	b.failWith(nil)
	_, _, err = in.Retry(t.Context(), at(102))
	require.Equal(t, "not_in_quarantine", fault.ReasonOf(err))
	applied, reason, err = in.Retry(t.Context(), at(101))
	require.NoError(t, err)
	require.Equal(t, 3, applied)
	require.Empty(t, reason)
	require.Empty(t, cmp.Diff(slices.Concat(flowing, held), b.effects()))
	require.Empty(t, b.quarantined(in))
	require.Empty(t, in.Touched("bad", "L7"))
}

// TestPassing catches a failure that passes being taken for the event's own fault.
func TestPassing(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	for i := range 20 {
		p.say(t, nil, lotN(i))
	}
	tries := 0
	b.failWith(func(e lot.Recorded) error {
		if e.Position != 10 {
			return nil
		}
		if tries++; tries < 3 {
			return fault.Unavailable("elsewhere", "not now")
		}
		return nil
	})
	in, _ := b.start(p)
	b.wait(in, p)
	require.Empty(t, b.quarantined(in))
	require.Len(t, b.effects(), 20)
}

// TestUnreadable catches: a panic that ends the process, an unknown body skipped, another event under a known id taken for a repeat.
func TestUnreadable(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	first := p.say(t, nil, "L1")
	p.record([]byte("no event at all"), "lot-adjusted")
	newer, err := proto.Marshal(&eventv1.Event{Id: "0198", Lots: []string{"L2"}})
	require.NoError(t, err)
	p.record(newer, "lot-weighed-on-the-moon")
	p.say(t, nil, "L2") // waits for the one of a later version
	p.say(t, nil, "panic")
	again := proto.Clone(first).(*eventv1.Envelope)
	var other eventv1.Event
	require.NoError(t, proto.Unmarshal(again.Payload, &other))
	other.Actor = "somebody else"
	forged, err := proto.Marshal(&other)
	require.NoError(t, err)
	p.record(forged, first.Type)
	p.say(t, nil, "L1") // waits for the one with the id of another
	last := p.say(t, nil, "L3")
	b.failWith(func(e lot.Recorded) error {
		if slices.Contains(e.Lots, "panic") {
			panic("nil map")
		}
		return nil
	})
	in, _ := b.start(p)
	b.wait(in, p)
	require.Empty(t, cmp.Diff(idsOf(t, first, last), b.effects()))
	var reasons []string
	for _, q := range b.quarantined(in) {
		reasons = append(reasons, q.Reason)
	}
	require.Equal(t, []string{"event_malformed", "event_unknown", inbox.ReasonWaits, "internal", inbox.ReasonIDReused, inbox.ReasonWaits}, reasons)
}

// TestForged catches: an envelope believed because the bus brought it, a producer's changed past going unnoticed.
func TestForged(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	first := p.say(t, nil, "L1")
	in, _ := b.start(p)
	b.wait(in, p)
	b.eventually("the head is kept", func() bool { return len(query[int64](b, `select position from witnesses`)) == 1 })

	stranger := newProducer(lot.Intake)
	stranger.say(t, nil, "X")
	in.Offer(stranger.say(t, nil, "X")) // position 2 of another past
	second := p.say(t, nil, "L2")
	b.wait(in, p)
	require.Empty(t, cmp.Diff(idsOf(t, first, second), b.effects()))
	require.Zero(t, b.alarmed(inbox.AlarmForked))

	// Now the producer itself tells another past.
	stranger.say(t, nil, "X3")
	p.mu.Lock()
	p.log = stranger.log
	p.mu.Unlock()
	b.wait(in, p)
	b.eventually("an alarm", func() bool { return b.alarmed(inbox.AlarmForked) > 0 })
	require.Len(t, b.quarantined(in), 1)
	require.Empty(t, cmp.Diff(idsOf(t, first, second), b.effects()))

	old := proto.Clone(&eventv1.Head{At: &eventv1.Receipt{Producer: "intake", Epoch: 1, Position: 1}, Hash: make([]byte, 32)}).(*eventv1.Head)
	before := b.alarmed(inbox.AlarmForked)
	in.HeadSeen(old)
	b.eventually("an alarm for an old head that is not of the chain", func() bool { return b.alarmed(inbox.AlarmForked) > before })
}

// TestRestore catches: taken-back events applied twice, a new epoch not begun, or begun before the old one's end.
func TestRestore(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name        string
		seen, total int64 // events that the consumer has seen when the producer is restored to 300
	}{{"consumer knows more", 500, 500}, {"consumer knows less", 100, 500}} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			b := newBench(t)
			p := newProducer(lot.Intake)
			for i := range tt.seen {
				p.say(t, nil, lotN(int(i)))
			}
			in, stop := b.start(p)
			b.wait(in, p)
			stop()
			for i := tt.seen; i < tt.total; i++ {
				p.say(t, nil, lotN(int(i)))
			}
			want := idsOf(t, p.log[1]...)
			dead := p.log[1][499]
			lost := lot.Receipt{Producer: lot.Intake, Epoch: 1, Position: 450}
			p.restore(300)
			want = append(want, idOf(t, p.say(t, nil, "new")))
			in, _ = b.start(p)
			b.wait(in, p)
			require.Empty(t, cmp.Diff(want, b.effects()))
			require.NoError(t, in.Wait(t.Context(), []lot.Receipt{lost}), "a receipt of the lost part is met where it was taken back")
			in.Offer(dead)
			b.eventually("a dead event is an alarm", func() bool { return b.alarmed(inbox.AlarmDead) == 1 })
			require.Equal(t, []lot.Receipt{p.at()}, positions(t, b, in))
		})
	}
}

// TestRestoreWithQuarantine catches a taken-back event that blocks its lots a second time: it was applied, although one of its lots is blocked since.
func TestRestoreWithQuarantine(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	first := p.say(t, nil, "blocked", "free")
	second := p.say(t, nil, "blocked")
	b.failWith(func(e lot.Recorded) error {
		if e.EventID == idOf(t, second) {
			return fault.Invalid("lot_unknown", "not this one")
		}
		return nil
	})
	in, _ := b.start(p)
	b.wait(in, p)
	p.restore(0)
	third := p.say(t, nil, "free")
	p.say(t, nil, "blocked")
	b.wait(in, p)
	require.Empty(t, cmp.Diff(idsOf(t, first, third), b.effects()))
	require.Len(t, b.quarantined(in), 2)
	require.Equal(t, []int64{2}, query[int64](b, `select count(*) from inbox_events where repeated`))
}

func positions(t *testing.T, b *bench, in *inbox.Inbox) []lot.Receipt {
	t.Helper()
	var at []lot.Receipt
	require.NoError(t, b.db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) (err error) {
		at, err = in.Positions(ctx, tx)
		return err
	}))
	return at
}

// TestTwoProcesses catches a cursor that is not compared under its lock.
func TestTwoProcesses(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	intake, inventory := newProducer(lot.Intake), newProducer(lot.Inventory)
	one, _ := b.start(intake, inventory)
	two, _ := b.start(intake, inventory)
	all := dialogue(t, intake, inventory, 500)
	for _, env := range all {
		one.Offer(env)
		two.Offer(env)
	}
	b.wait(one, intake, inventory)
	b.wait(two, intake, inventory)
	require.Len(t, b.effects(), len(all))
	require.Empty(t, b.quarantined(one))
}

// TestWait catches a wait that hangs on the bus, or beyond its deadline.
func TestWait(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p, q := newProducer(lot.Intake), newProducer(lot.Inventory)
	in, _ := b.start(p, q)
	b.wait(in, p, q)
	p.say(t, nil, "L1")
	b.wait(in, p) // nothing was offered, no head was sent
	require.NoError(t, in.Wait(t.Context(), []lot.Receipt{{Producer: "self", Epoch: 1, Position: 99}}))
	require.Equal(t, "receipt_producer_unknown", fault.ReasonOf(in.Wait(t.Context(), []lot.Receipt{{Producer: "mars", Epoch: 1, Position: 1}})))

	p.setDown(true)
	p.say(t, nil, "L2")
	short, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	err := in.Wait(short, []lot.Receipt{p.at()})
	require.Equal(t, fault.KindUnavailable, fault.KindOf(err))
	require.Equal(t, "behind", fault.ReasonOf(err))
	require.Equal(t, []string{"intake: cannot be reached"}, in.CatchUp(t.Context()))

	require.Equal(t, []string{"intake: cannot be reached"}, in.Reach(t.Context()))
	p.setDown(false)
	q.say(t, []lot.Receipt{p.at()}, "L2")
	require.Empty(t, in.CatchUp(t.Context()))
	require.Len(t, b.effects(), 3)
	lags := in.Lags()
	require.Equal(t, []inbox.Lag{{Applied: p.at()}, {Applied: q.at()}}, lags)
	p.applied = []lot.Receipt{{Producer: "self", Epoch: 1, Position: 5}}
	q.setDown(true)
	furthest, silent := in.Held(t.Context())
	require.Equal(t, lot.Receipt{Producer: "self", Epoch: 1, Position: 5}, furthest)
	require.Equal(t, []lot.Producer{lot.Inventory}, silent)
}

// TestBeginningOfEpoch has a producer, restored to where it stood, begin an epoch in which it says nothing: its head's position is 0, and what it said
// before is still to be taken. Whoever asks for what is there by then waits for that, or is told. The deliberate break it catches: position 0
// counts as reached in any epoch.
func TestBeginningOfEpoch(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	last := p.say(t, nil, "L1")
	p.restore(1)
	require.Equal(t, lot.Receipt{Producer: lot.Intake, Epoch: 2}, p.at())
	b.failWith(func(lot.Recorded) error { return fault.Unavailable("busy", "not yet") })
	in, _ := b.start(p)
	short, cancel := context.WithTimeout(t.Context(), 400*time.Millisecond)
	defer cancel()
	require.Equal(t, []string{"intake: not caught up with its position 0 of epoch 2"}, in.CatchUp(short))
	require.False(t, in.Reached([]lot.Receipt{p.at()}))
	b.failWith(nil)
	b.wait(in, p)
	require.Equal(t, idsOf(t, last), b.effects())
	require.Empty(t, in.CatchUp(t.Context()))
}

// TestLostLast catches a last event that was lost on the bus and is never asked for.
func TestLostLast(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	p := newProducer(lot.Intake)
	in, _ := b.start(p)
	b.wait(in, p)
	want := idsOf(t, p.say(t, nil, "L1"))
	b.eventually("silence is broken", func() bool { return slices.Equal(want, b.effects()) })
	want = append(want, idOf(t, p.say(t, nil, "L1")))
	in.HeadSeen(p.head())
	b.eventually("a head is enough", func() bool { return slices.Equal(want, b.effects()) })
}

// TestInsertOnly catches a grant that lets the service change what it took in.
func TestInsertOnly(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	for _, sql := range []string{
		`update inbox_events set position = 1`, `delete from inbox_events`, `update witnesses set position = 1`, `delete from witnesses`,
		`delete from quarantine`, `delete from cursors`, `insert into releases (number) values (1)`,
	} {
		err := b.db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, sql)
			return err
		})
		require.True(t, postgres.IsForbidden(err), "%s: %v", sql, err)
	}
}
