package follow

import (
	"context"
	"maps"
	"slices"
	"sort"
	"time"

	"huskline/internal/feed"
	"huskline/internal/lot"
)

// marks are when the events of each producer were recorded and what they build on. Per event they take 8 bytes, and 24 more per other
// producer whose position it was the first to name.
type marks map[lot.Producer]*mark

type mark struct {
	recorded []int64 // microseconds, one per event in order
	epochs   []epochStart
	raises   map[lot.Producer][]raise // rising
}

// epochStart says that the event numbered first, from 0, stands at a position of an epoch; those after it follow densely.
type epochStart struct {
	first           int
	epoch, position int64
}

// raise says that from the event numbered from, from 0, on a place of another producer is built on.
type raise struct {
	from            int
	epoch, position int64
}

func (m marks) add(s step) {
	k := m[s.at.Producer]
	if k == nil {
		k = &mark{raises: map[lot.Producer][]raise{}}
		m[s.at.Producer] = k
	}
	n := len(k.recorded)
	if n == 0 || k.place(n) != (lot.Receipt{Epoch: s.at.Epoch, Position: s.at.Position - 1}) {
		k.epochs = append(k.epochs, epochStart{n, s.at.Epoch, s.at.Position})
	}
	k.recorded = append(k.recorded, s.recorded)
	for _, r := range s.event.After {
		rs := k.raises[r.Producer]
		if len(rs) == 0 || feed.Compare(r, lot.Receipt{Epoch: rs[len(rs)-1].epoch, Position: rs[len(rs)-1].position}) > 0 {
			k.raises[r.Producer] = append(rs, raise{n, r.Epoch, r.Position})
		}
	}
}

// place is where the n-th event stands, counted from 1; n is at least 1.
func (k *mark) place(n int) lot.Receipt {
	i := sort.Search(len(k.epochs), func(i int) bool { return k.epochs[i].first >= n }) - 1
	e := k.epochs[i]
	return lot.Receipt{Epoch: e.epoch, Position: e.position + int64(n-1-e.first)}
}

// count is how many events stand at or before a place.
func (k *mark) count(r lot.Receipt) int {
	return sort.Search(len(k.recorded), func(i int) bool { return feed.Compare(k.place(i+1), r) > 0 })
}

// by is how many events were recorded by a time.
func (k *mark) by(micros int64) int {
	return sort.Search(len(k.recorded), func(i int) bool { return k.recorded[i] > micros })
}

// built is the furthest place of another producer that the first n events build on.
func (k *mark) built(n int, other lot.Producer) (lot.Receipt, bool) {
	rs := k.raises[other]
	i := sort.Search(len(rs), func(i int) bool { return rs[i].from >= n }) - 1
	if i < 0 {
		return lot.Receipt{}, false
	}
	return lot.Receipt{Producer: other, Epoch: rs[i].epoch, Position: rs[i].position}, true
}

// at counts, per producer, the events that were known at a time: recorded by then, and all that those build on.
func (m marks) at(micros int64) map[lot.Producer]int {
	n := map[lot.Producer]int{}
	for p, k := range m {
		n[p] = k.by(micros)
	}
	for again := true; again; {
		again = false
		for p, k := range m {
			for other := range k.raises {
				r, ok := k.built(n[p], other)
				if !ok || m[other] == nil {
					continue
				}
				if c := m[other].count(r); c > n[other] {
					n[other], again = c, true
				}
			}
		}
	}
	return n
}

// VectorAt gives what was known at a time, as places for Past: per producer the last event recorded by then, raised by what those events
// build on. Own first; of a producer of which nothing was known, the place before its first event. It waits as View does.
func (f *Follower[I]) VectorAt(ctx context.Context, t time.Time) ([]lot.Receipt, error) {
	to, err := f.stands(ctx)
	if err != nil {
		return nil, err
	}
	if err := f.await(ctx, to); err != nil {
		return nil, err
	}
	f.lock.RLock()
	defer f.lock.RUnlock()
	known := beginning()
	counts := f.marks.at(t.UnixMicro())
	for _, p := range slices.Sorted(maps.Keys(counts)) {
		if n := counts[p]; n > 0 {
			r := f.marks[p].place(n)
			r.Producer = p
			known.places[p] = r
		}
	}
	return known.vector(f.cfg.Self), nil
}
