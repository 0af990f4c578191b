package outbox_test

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/outbox"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// bus takes down what was published; fails says which calls it refuses, by their number from 1.
type bus struct {
	mu    sync.Mutex
	calls int
	fails func(call int) bool
	got   []*eventv1.Envelope
	heads []*eventv1.Head
}

func (b *bus) publish(_ context.Context, env *eventv1.Envelope) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.calls++
	if b.fails != nil && b.fails(b.calls) {
		return errors.New("the bus is away")
	}
	b.got = append(b.got, env)
	return nil
}

func (b *bus) sendHead(_ context.Context, h *eventv1.Head) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.heads = append(b.heads, h)
	return nil
}

func (b *bus) positions() []int64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	var ps []int64
	for _, env := range b.got {
		ps = append(ps, env.Epoch*1_000_000+env.Position)
	}
	return ps
}

func newRelay(db *postgres.DB, b *bus) *outbox.Relay {
	return outbox.NewRelay(outbox.RelayConfig{
		DB: db, Publish: b.publish, SendHead: b.sendHead, Logger: slog.New(slog.DiscardHandler), Poll: 20 * time.Millisecond,
		Now: func() time.Time { return noon.Add(time.Minute) },
	})
}

// run lets a relay work and returns what stops it and waits for it; the end of the test does so too.
func run(t *testing.T, r *outbox.Relay) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("relay: %v", err)
		}
	})
	t.Cleanup(stop)
	return stop
}

func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	require.Eventually(t, holds, 20*time.Second, 5*time.Millisecond, what)
}

func sequence(epoch, from, to int64) []int64 {
	var ps []int64
	for p := from; p <= to; p++ {
		ps = append(ps, epoch*1_000_000+p)
	}
	return ps
}

func fillOutbox(t *testing.T, db *postgres.DB, n int) {
	t.Helper()
	msgs := make([]outbox.Message, n)
	for i := range msgs {
		msgs[i] = message("x")
	}
	mustAppend(t, db, noon, msgs...)
}

func TestRelayPublishesInOrder(t *testing.T) {
	t.Parallel()
	db, b := newDB(t), &bus{}
	fillOutbox(t, db, 600)
	r := newRelay(db, b)
	stop := run(t, r)
	eventually(t, "all published", func() bool { return len(b.positions()) == 600 })
	fillOutbox(t, db, 3)
	r.Nudge()
	r.Nudge()
	eventually(t, "the new ones published", func() bool { return len(b.positions()) == 603 })
	eventually(t, "no backlog", func() bool { n, age, err := r.Backlog(t.Context()); return err == nil && n == 0 && age == 0 })
	stop()
	require.Equal(t, sequence(1, 1, 603), b.positions())
	require.NotEmpty(t, b.heads)
	require.NotEmpty(t, b.got[0].Hash)

	// Another start publishes nothing again.
	stop = run(t, newRelay(db, b))
	fillOutbox(t, db, 1)
	eventually(t, "the next one published", func() bool { return len(b.positions()) > 603 })
	stop()
	require.Equal(t, sequence(1, 1, 604), b.positions())
}

// Catches a relay that passes over what the bus did not take.
func TestRelaySurvivesABusThatFails(t *testing.T) {
	t.Parallel()
	db, b := newDB(t), &bus{fails: func(call int) bool { return call%4 == 2 }}
	fillOutbox(t, db, 20)
	run(t, newRelay(db, b))
	eventually(t, "all published", func() bool { return len(b.positions()) >= 20 })
	require.Equal(t, sequence(1, 1, 20), b.positions())
}

func TestBacklog(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	b := &bus{fails: func(call int) bool { return true }}
	fillOutbox(t, db, 7)
	n, age, err := newRelay(db, b).Backlog(t.Context())
	require.NoError(t, err)
	require.Equal(t, int64(7), n)
	require.Equal(t, time.Minute, age.Round(time.Millisecond))
}

// Catches a cursor moved before the publication, and a second relay that moves it back: each event comes at least once, and of what each
// relay publishes the order holds.
func TestTwoRelaysAreHarmless(t *testing.T) {
	t.Parallel()
	db, b1, b2 := newDB(t), &bus{}, &bus{fails: func(call int) bool { return call%9 == 5 }}
	r1, r2 := newRelay(db, b1), newRelay(db, b2)
	stop1, stop2 := run(t, r1), run(t, r2)
	for range 20 {
		fillOutbox(t, db, 10)
		r1.Nudge()
		r2.Nudge()
	}
	eventually(t, "no backlog", func() bool { n, _, err := r1.Backlog(t.Context()); return err == nil && n == 0 })
	stop1()
	stop2()
	all := map[int64]bool{}
	for _, b := range []*bus{b1, b2} {
		ps := b.positions()
		require.True(t, slices.IsSorted(ps), "order of one relay: %v", ps)
		for _, p := range ps {
			all[p] = true
		}
	}
	require.Len(t, all, 200)
}

// Catches a relay that slept, wakes up, and moves the cursor back to where it was.
func TestAWokenRelayMovesNothingBack(t *testing.T) {
	t.Parallel()
	db, awake := newDB(t), &bus{}
	fillOutbox(t, db, 5)
	sleeping, wake := make(chan struct{}), make(chan struct{})
	sleepy := &bus{fails: func(call int) bool {
		if call == 1 {
			close(sleeping)
			<-wake
		}
		return false
	}}
	run(t, newRelay(db, sleepy))
	<-sleeping
	fillOutbox(t, db, 5)
	r := newRelay(db, awake)
	stop := run(t, r)
	eventually(t, "no backlog", func() bool { n, _, err := r.Backlog(t.Context()); return err == nil && n == 0 })
	stop()
	require.Equal(t, sequence(1, 1, 10), awake.positions())
	close(wake)
	eventually(t, "the old page published", func() bool { return len(sleepy.positions()) >= 5 })
	fillOutbox(t, db, 1)
	eventually(t, "no backlog", func() bool { n, _, err := r.Backlog(t.Context()); return err == nil && n == 0 })
	require.Equal(t, append(sequence(1, 1, 5), sequence(1, 11, 11)...), sleepy.positions())
}

func TestRelayLeavesALongBacklogToBeRead(t *testing.T) {
	t.Parallel()
	db, b := newDB(t), &bus{}
	fillOutbox(t, db, 1001)
	r := newRelay(db, b)
	run(t, r)
	eventually(t, "no backlog", func() bool { n, _, err := r.Backlog(t.Context()); return err == nil && n == 0 })
	require.Empty(t, b.positions())
	fillOutbox(t, db, 1)
	eventually(t, "the next one published", func() bool { return len(b.positions()) == 1 })
	require.Equal(t, sequence(1, 1002, 1002), b.positions())
	eventually(t, "a head that tells of it", func() bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return len(b.heads) > 0 && b.heads[len(b.heads)-1].At.Position == 1002
	})
}

func TestRelayGoesOnOverEpochs(t *testing.T) {
	t.Parallel()
	db, b := newDB(t), &bus{}
	fillOutbox(t, db, 3)
	for range 2 {
		_, err := outbox.RaiseEpoch(t.Context(), db, 5)
		require.NoError(t, err)
	}
	fillOutbox(t, db, 2)
	run(t, newRelay(db, b))
	eventually(t, "all published", func() bool { return len(b.positions()) == 5 })
	require.Equal(t, append(sequence(1, 1, 3), sequence(7, 1, 2)...), b.positions())
}
