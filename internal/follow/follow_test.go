package follow_test

import (
	"context"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/lot"
	"huskline/internal/outbox"
)

// TestViewSeesOwnWrites catches a View that answers before the index holds what was committed before it.
func TestViewSeesOwnWrites(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	f := p.follower()
	ids, asOf := view(t, f)
	require.Empty(t, ids)
	require.Equal(t, whole(lot.Receipt{Producer: lot.Inventory, Epoch: 1}), asOf)
	for n := range 100 {
		r := p.say(clock, nil, lotN(n))
		ids, asOf := view(t, f)
		require.Equal(t, p.all[n].id, ids[len(ids)-1])
		require.Equal(t, whole(r), asOf)
	}
	heard := p.hear(lot.Intake, clock, nil, "L1")
	ids, asOf = view(t, f, heard)
	require.Equal(t, p.all[100].id, ids[len(ids)-1])
	require.Equal(t, whole(lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 100}, heard), asOf)

	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	err := f.View(short, []lot.Receipt{{Producer: lot.Intake, Epoch: 1, Position: 99}}, func(*index, []lot.Receipt) error { return errStop })
	require.Equal(t, fault.KindUnavailable, fault.KindOf(err))
	require.ErrorIs(t, f.View(t.Context(), nil, func(*index, []lot.Receipt) error { return errStop }), errStop)
}

// TestManyReaders holds View to its promise while others write; it is for the race detector too.
func TestManyReaders(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	f := p.follower()
	var running sync.WaitGroup
	for range 4 {
		running.Go(func() {
			last := 0
			for range 30 {
				err := f.View(t.Context(), nil, func(x *index, _ []lot.Receipt) error {
					if len(x.ids) < last {
						t.Errorf("an index went back from %d events to %d", last, len(x.ids))
					}
					last = len(x.ids)
					f.Gaps()
					return nil
				})
				if err != nil {
					t.Error(err)
				}
			}
		})
	}
	for n := range 60 {
		p.say(clock, nil, lotN(n))
	}
	running.Wait()
}

// history lets three producers say n events that build on each other, one each second, by clocks that do not agree: what an event builds on
// may bear a later time.
func history(p *plant, n int) {
	skew := map[lot.Producer]time.Duration{lot.Inventory: 50 * time.Second, lot.Production: -100 * time.Second}
	rnd := rand.New(rand.NewPCG(3, 4))
	newest := map[lot.Producer]lot.Receipt{}
	for i := range n {
		at := clock.Add(time.Duration(i) * time.Second)
		name := []lot.Producer{lot.Intake, lot.Inventory, lot.Production}[rnd.IntN(3)]
		at = at.Add(skew[name])
		var after []lot.Receipt
		for other, r := range newest {
			if other != name && rnd.IntN(6) == 0 {
				after = append(after, r)
			}
		}
		if name == lot.Inventory {
			newest[name] = p.say(at, after, lotN(i))
		} else {
			newest[name] = p.hear(name, at, after, lotN(i))
		}
	}
}

// TestPast catches: a fold of the past that takes in more or less than its places, or in an order that depends on timing.
func TestPast(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	history(p, 700)
	p.settled()
	f := p.follower()
	live, asOf := view(t, f)
	require.Empty(t, f.Gaps(), "nothing came before what it builds on")
	fresh, same := past(t, f, asOf)
	require.Equal(t, asOf, same)
	require.Empty(t, cmp.Diff(sorted(live), sorted(fresh)), "the live index is a fresh fold")
	require.Empty(t, cmp.Diff(p.ids(asOf), sorted(fresh)))

	rnd := rand.New(rand.NewPCG(5, 6))
	for range 10 {
		var vector []lot.Receipt
		for _, r := range asOf {
			r.Position = rnd.Int64N(r.Position + 1)
			vector = append(vector, r)
		}
		// Without a producer nothing of it is known.
		if rnd.IntN(4) == 0 {
			vector = vector[1:]
		}
		one, at := past(t, f, vector)
		two, _ := past(t, f, vector)
		require.Equal(t, one, two, "the same order each time")
		require.Equal(t, vector, at)
		require.Subset(t, p.ids(vector), one)
	}
	err := f.Past(t.Context(), []lot.Receipt{{Producer: "mars", Epoch: 1, Position: 1}}, nil)
	require.Equal(t, "as_of_unknown", fault.ReasonOf(err))
	short, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	err = f.Past(short, []lot.Receipt{{Producer: lot.Intake, Epoch: 1, Position: 9999}}, nil)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(err))
}

// TestVectorAt catches a time read off the wrong producer's clock, and `after` not raised, or raised only once.
func TestVectorAt(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	history(p, 400)
	p.settled()
	f := p.follower()
	for _, seconds := range []int{-101, -50, 0, 57, 200, 299, 400, 4000} {
		when := clock.Add(time.Duration(seconds) * time.Second)
		got, err := f.VectorAt(t.Context(), when)
		require.NoError(t, err)
		want := map[lot.Producer]lot.Receipt{}
		for _, r := range whole() {
			want[r.Producer] = r
		}
		for again := true; again; {
			again = false
			for _, s := range p.all {
				known := !s.recorded.After(when) || want[s.at.Producer].Position >= s.at.Position
				if !known {
					continue
				}
				for _, r := range append(s.after, s.at) {
					if r.Position > want[r.Producer].Position {
						want[r.Producer], again = r, true
					}
				}
			}
		}
		require.Len(t, got, len(want), "known at %d s", seconds)
		for _, r := range got {
			require.Equal(t, want[r.Producer], r, "known at %d s", seconds)
		}
		ids, _ := past(t, f, got)
		require.Equal(t, p.ids(got), sorted(ids))
	}
}

// TestGaps catches: an event that an index refuses ending the fold, quarantine not told, a released event not folded late.
func TestGaps(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.refuseLot("bad")
	f := p.follower()
	bad := p.hear(lot.Intake, clock, nil, "bad")
	p.hear(lot.Intake, clock, nil, "good")
	own := p.say(clock, nil, "unfoldable")
	panics := p.say(clock, nil, "panic")
	p.say(clock, nil, "good")
	p.settled()
	ids, asOf := view(t, f)
	require.Len(t, ids, 2)
	want := []string{
		"event intake/1/1 in quarantine: lot_unknown", "event inventory/1/1 not understood: unfoldable", "event inventory/1/2 not understood: internal",
	}
	lines := func(gaps []follow.Gap) (all []string) {
		for _, g := range gaps {
			all = append(all, g.String())
		}
		return all
	}
	require.Equal(t, want, lines(f.Gaps()))
	require.Equal(t, want[:1], lines(f.Gaps("bad", "good")))
	require.Equal(t, []int64{1, 2}, []int64{own.Position, panics.Position})
	require.Empty(t, f.Gaps("good"))

	p.refuseLot("")
	applied, reason, err := p.in.Retry(t.Context(), bad)
	require.NoError(t, err)
	require.Equal(t, 1, applied, reason)
	ids, again := view(t, f)
	require.Len(t, ids, 3, "a released event is folded late")
	require.Equal(t, asOf, again)
	require.Equal(t, want[1:], lines(f.Gaps()))
	fresh, _ := past(t, f, asOf)
	require.Equal(t, sorted(ids), sorted(fresh))
	ids, _ = view(t, p.follower())
	require.Equal(t, sorted(fresh), sorted(ids), "a later start loads the same")
}

// TestRepeated catches an event folded twice that its producer took back under its old id.
func TestRepeated(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.hear(lot.Intake, clock, nil, "L1")
	first := p.others[lot.Intake][0]
	again := p.append(lot.Intake, clock, first.Payload)
	last := p.hear(lot.Intake, clock, nil, "L2")
	p.settled()
	for _, f := range []*follow.Follower[*index]{p.follower(), p.follower()} {
		ids, asOf := view(t, f, last)
		require.Equal(t, p.ids(asOf), sorted(ids))
		require.Len(t, ids, 2)
		require.Empty(t, f.Gaps())
		ids, _ = past(t, f, []lot.Receipt{again})
		require.Len(t, ids, 1)
	}
}

// TestOwnEpochs catches a follower that stops at the end of an epoch of its own service.
func TestOwnEpochs(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	f := p.follower()
	for n := range 150 {
		p.say(clock.Add(time.Duration(n)*time.Second), nil, lotN(n))
	}
	_, err := outbox.RaiseEpoch(t.Context(), p.db, 4)
	require.NoError(t, err)
	_, asOf := view(t, f)
	require.Equal(t, whole(lot.Receipt{Producer: lot.Inventory, Epoch: 5}), asOf)
	for n := range 10 {
		p.say(clock.Add(time.Duration(200+n)*time.Second), nil, lotN(n))
	}
	nobody := func(context.Context) []string { return nil }
	ok := func(*index, []lot.Receipt) error { return nil }
	require.NoError(t, f.Asked(t.Context(), whole(lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 150}), nobody, ok))
	err = f.Asked(t.Context(), whole(lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 151}), nobody, ok)
	require.ErrorContains(t, err, "inventory/1/151", "the first epoch ended before it")
	require.Equal(t, "position_unknown", fault.ReasonOf(err))
	for _, f := range []*follow.Follower[*index]{f, p.follower()} {
		ids, asOf := view(t, f)
		require.Len(t, ids, 160)
		require.Equal(t, whole(lot.Receipt{Producer: lot.Inventory, Epoch: 5, Position: 10}), asOf)
		at, err := f.VectorAt(t.Context(), clock.Add(149*time.Second))
		require.NoError(t, err)
		require.Equal(t, whole(lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 150}), at)
		ids, _ = past(t, f, at)
		require.Len(t, ids, 150)
	}
}
