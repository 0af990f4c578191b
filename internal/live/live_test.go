package live

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/lot"
)

// sum is an index that adds up how many events it took.
type sum struct{ n int }

// Apply counts.
func (s *sum) Apply(lot.Recorded) error { s.n++; return nil }

// record is a follower in memory: what it is told to fold, in order, by two producers.
type record struct {
	mu     sync.Mutex
	hub    *Hub[*sum, int]
	index  *sum
	events []lot.Recorded
	hurry  int
}

func newRecord(cfg Config[*sum, int]) *record {
	r := &record{index: &sum{}}
	cfg.Fold = func(x *sum, e lot.Recorded, apply func() error) (int, int, error) {
		err := apply()
		return x.n, int(e.Epoch), err // epoch 1: told
	}
	cfg.Follow.New = func() *sum { return &sum{} }
	r.hub = New(cfg)
	r.hub.source = r
	return r
}

func markOf(events []lot.Recorded) follow.Mark {
	at := map[lot.Producer]int64{}
	for _, e := range events {
		at[e.Producer] = max(at[e.Producer], e.Position)
	}
	var m follow.Mark
	for _, p := range []lot.Producer{lot.Intake, lot.Inventory} {
		m.At = append(m.At, lot.Receipt{Producer: p, Epoch: 1, Position: at[p]})
	}
	return m
}

// say records an event and folds it.
func (r *record) say(p lot.Producer) {
	r.mu.Lock()
	defer r.mu.Unlock()
	e := lot.Recorded{Receipt: lot.Receipt{Producer: p, Epoch: 1, Position: 1}}
	for _, other := range r.events {
		if other.Producer == p {
			e.Position++
		}
	}
	r.hub.Stands(markOf(r.events))
	r.events = append(r.events, e)
	if err := r.hub.Folds(r.index, e, markOf(r.events), func() error { return r.index.Apply(e) }); err != nil {
		panic(err)
	}
}

// Settled tells the hub where the fold stands.
func (r *record) Settled(context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.hub.Stands(markOf(r.events))
	return nil
}

// Replay folds all anew.
func (r *record) Replay(_ context.Context, from follow.Mark, to follow.Observer[*sum]) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	x := &sum{}
	to.Stands(from)
	for i, e := range r.events {
		if from.Behind(e.Receipt) {
			if err := to.Folds(x, e, from.Raised(markOf(r.events[:i+1])), func() error { return x.Apply(e) }); err != nil {
				return err
			}
			continue
		}
		if err := x.Apply(e); err != nil {
			return err
		}
	}
	to.Stands(markOf(r.events))
	return nil
}

// Hurry notes who waits.
func (r *record) Hurry(more int) { r.hurry += more }

// caller is a watcher's end: what it got, and where it would go on.
type caller struct {
	t    testing.TB
	got  chan lot.Receipt // of messages with a note
	mark follow.Mark
	stop context.CancelFunc
	end  chan error
}

func watchFrom(t testing.TB, r *record, after *follow.Mark) *caller {
	ctx, stop := context.WithCancel(t.Context())
	c := &caller{t: t, got: make(chan lot.Receipt), stop: stop, end: make(chan error, 1)}
	here := make(chan struct{})
	var once sync.Once
	go func() {
		c.end <- r.hub.Watch(ctx, after, func(n *Note[int], _, mark follow.Mark) error {
			once.Do(func() { close(here) })
			if n != nil {
				select {
				case c.got <- n.Event.Receipt:
				case <-ctx.Done():
					return ctx.Err()
				}
			}
			c.mark = mark
			return nil
		})
	}()
	if after == nil {
		select {
		case <-here:
		case err := <-c.end:
			c.end <- err
		}
	}
	return c
}

func (c *caller) next() lot.Receipt {
	c.t.Helper()
	select {
	case at := <-c.got:
		return at
	case <-time.After(20 * time.Second):
		c.t.Fatal("no message came")
		return lot.Receipt{}
	}
}

func (c *caller) ended() error {
	c.t.Helper()
	select {
	case err := <-c.end:
		return err
	case <-time.After(20 * time.Second):
		c.t.Fatal("the view did not end")
		return nil
	}
}

func at(p lot.Producer, position int64) lot.Receipt {
	return lot.Receipt{Producer: p, Epoch: 1, Position: position}
}

// Each message's mark is where to go on: a caller that leaves after any of them and comes back gets every later event once, whether the hub still
// keeps it or not. The deliberate breaks it catches: a note at the border taken twice or by neither way, and a mark that falls back.
func TestNothingIsLostOrDoubled(t *testing.T) {
	t.Parallel()
	for _, keep := range []int{1, 3, 100} {
		r := newRecord(Config[*sum, int]{Keep: keep})
		for range 3 {
			r.say(lot.Intake)
			r.say(lot.Inventory)
		}
		first := markOf(r.events[:1])
		var got []lot.Receipt
		mark := first
		for range 5 { // leaves after each message
			c := watchFrom(t, r, &mark)
			got = append(got, c.next())
			c.stop()
			require.ErrorIs(t, c.ended(), context.Canceled)
			mark = mark.Raised(markOf([]lot.Recorded{{Receipt: got[len(got)-1]}}))
		}
		want := []lot.Receipt{at(lot.Inventory, 1), at(lot.Intake, 2), at(lot.Inventory, 2), at(lot.Intake, 3), at(lot.Inventory, 3)}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("keep %d (-want +got)\n%s", keep, d)
		}
	}
}

// Two watchers, one of which takes nothing: the other gets all at once, the slow one is told and goes on where it was.
func TestSlowCallerIsToldAndHoldsUpNobody(t *testing.T) {
	t.Parallel()
	r := newRecord(Config[*sum, int]{Keep: 4})
	quick, slow := watchFrom(t, r, nil), watchFrom(t, r, nil)
	for i := range int64(100) {
		r.say(lot.Intake)
		if got := quick.next(); got != at(lot.Intake, i+1) {
			t.Fatalf("got %v, want %d", got, i+1)
		}
	}
	err := slow.ended()
	if fault.ReasonOf(err) != "watch_behind" || fault.KindOf(err) != fault.KindUnavailable {
		t.Fatalf("the slow one: %v, want watch_behind", err)
	}
	again := watchFrom(t, r, &follow.Mark{At: []lot.Receipt{at(lot.Intake, 0), at(lot.Inventory, 0)}})
	for i := range int64(100) {
		if got := again.next(); got != at(lot.Intake, i+1) {
			t.Fatalf("again: got %v, want %d", got, i+1)
		}
	}
}

func TestBounds(t *testing.T) {
	t.Parallel()
	r := newRecord(Config[*sum, int]{Streams: 2, Weight: 10})
	a, _ := watchFrom(t, r, nil), watchFrom(t, r, nil)
	if err := watchFrom(t, r, nil).ended(); fault.ReasonOf(err) != "watch_full" {
		t.Errorf("a third: %v, want watch_full", err)
	}
	a.stop()
	require.ErrorIs(t, a.ended(), context.Canceled)
	for range 11 {
		r.say(lot.Intake)
	}
	old, ahead := markOf(nil), markOf(r.events)
	if err := watchFrom(t, r, &old).ended(); fault.ReasonOf(err) != "watch_too_far" {
		t.Errorf("from the beginning: %v, want watch_too_far", err)
	}
	ahead.At[1].Position = 7
	if err := watchFrom(t, r, &ahead).ended(); fault.ReasonOf(err) != "position_unknown" {
		t.Errorf("from a position that is not: %v, want position_unknown", err)
	}
}

// A closed hub ends its watchers, also one whose caller takes nothing, and lets no more in.
func TestCloseEndsAll(t *testing.T) {
	t.Parallel()
	r := newRecord(Config[*sum, int]{})
	idle, stuck := watchFrom(t, r, nil), watchFrom(t, r, nil)
	for range 3 {
		r.say(lot.Intake)
	}
	for range 3 {
		idle.next()
	}
	r.hub.Close()
	r.hub.Close()
	for _, c := range []*caller{idle, stuck, watchFrom(t, r, nil)} {
		if err := c.ended(); fault.ReasonOf(err) != "stopping" {
			t.Errorf("%v, want stopping", err)
		}
	}
}

// A caller that is lost ends its view with its own error; a silent one is told where it stands.
func TestBeatAndSendError(t *testing.T) {
	t.Parallel()
	r := newRecord(Config[*sum, int]{Beat: time.Millisecond})
	lost := errors.New("lost")
	beats := 0
	err := r.hub.Watch(t.Context(), nil, func(n *Note[int], _, _ follow.Mark) error {
		if beats++; n != nil || beats < 3 {
			return nil
		}
		return lost
	})
	require.ErrorIs(t, err, lost)
}

// After the last watcher left nothing is kept, and the follower is no longer hurried.
func TestSleepsAfterTheLast(t *testing.T) {
	t.Parallel()
	r := newRecord(Config[*sum, int]{Linger: time.Hour})
	c := watchFrom(t, r, nil)
	r.say(lot.Intake)
	c.next()
	c.stop()
	require.ErrorIs(t, c.ended(), context.Canceled)
	require.Equal(t, 1, r.hurry)
	r.hub.sleep()
	require.Equal(t, 0, r.hurry)
	require.Empty(t, r.hub.notes)
	r.say(lot.Intake)
	require.Empty(t, r.hub.notes)
}
