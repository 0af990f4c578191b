package genealogy

import (
	"slices"
	"strings"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/share"
	"huskline/internal/weight"
)

// Whole is how many parts the origins of a lot add up to, exactly.
const Whole int64 = 1_000_000_000_000_000_000

// Origin is a delivery or bought lot in another lot, and its parts of Whole.
type Origin struct {
	Lot   lot.ID
	Parts int64
}

// Share prints the origin's share as a decimal of 1 with up to 18 places, nothing rounded.
func (o Origin) Share() string { return weight.FormatDecimal(o.Parts, 18, 6) }

// Origins are the deliveries and bought lots in a lot, sorted by code; their parts sum to Whole. A lot's parts are handed back over what it was
// made from, by the pounds that went in and largest remainder at each step, until they rest on lots that nothing made: received ones, whatever was
// adjusted since, and ones whose birth is not known yet. An origin whose parts came to none is left out.
func (v View) Origins(id lot.ID) ([]Origin, error) {
	n, err := v.find(id)
	if err != nil {
		return nil, err
	}
	w := &spread{View: v, state: map[int32]int8{}, parts: map[int32]int64{n: Whole}}
	if err := w.order(n); err != nil {
		return nil, err
	}
	var out []Origin
	for _, at := range slices.Backward(w.sequence) {
		parts := w.parts[at]
		delete(w.parts, at)
		kept, err := w.handBack(at, parts)
		if err != nil {
			return nil, err
		}
		if kept > 0 {
			out = append(out, Origin{v.index.lots[at].id, kept})
		}
	}
	slices.SortFunc(out, func(a, b Origin) int { return strings.Compare(string(a.Lot), string(b.Lot)) })
	return out, nil
}

// spread hands parts back from a lot. Lots are numbered from 0, runs (those without a row for the output) from -2 down, so that a run's
// parts are gathered from all its outputs and split over its inputs once.
type spread struct {
	View
	sequence []int32 // each after all that it was made from
	state    map[int32]int8
	parts    map[int32]int64
}

// runAt is a run as a number of the walk, and back.
func runAt(n int32) int32 { return -2 - n }

// source is one thing that a lot or run was made from.
type source struct {
	at     int32
	weight weight.Mass
}

const (
	begun int8 = iota + 1
	done
)

// order lists what a lot was made from, ancestors first.
func (w *spread) order(at int32) error {
	switch w.state[at] {
	case begun:
		return fault.Bug("origins: %s is made from itself", w.key(at))
	case done:
		return nil
	}
	w.state[at] = begun
	sources, _ := w.sources(at)
	for _, s := range sources {
		if err := w.order(s.at); err != nil {
			return err
		}
	}
	w.state[at] = done
	w.sequence = append(w.sequence, at)
	return nil
}

func (w *spread) key(at int32) string {
	if at < 0 {
		return string(w.index.runs[runAt(at)].id)
	}
	return string(w.index.lots[at].id)
}

// sources are what a lot or run was made from, each once, and the pounds of a lot that rest on itself: those that came in at the gate, and
// those of a run into which nothing is known to have gone yet.
func (w *spread) sources(at int32) ([]source, weight.Mass) {
	var out []source
	var own weight.Mass
	place := map[int32]int{}
	add := func(from int32, m weight.Mass) {
		if i, ok := place[from]; ok {
			out[i].weight += m
			return
		}
		place[from] = len(out)
		out = append(out, source{from, m})
	}
	x := w.index
	if at < 0 {
		for i := x.runs[runAt(at)].first; i != none; i = x.legs[i].mate {
			if l := &x.legs[i]; l.kind == input && w.counts(i) {
				add(l.lot, w.pounds(l.lot, l.quantity))
			}
		}
		return out, 0
	}
	told := map[int32]bool{} // runs whose table has spoken: its rows are for all lines of an output together
	for i := x.lots[at].in; i != none; i = x.legs[i].next {
		if !w.counts(i) {
			continue
		}
		l := &x.legs[i]
		switch {
		case l.kind == received:
			own += w.pounds(at, l.quantity)
		case l.kind != output:
			add(l.peer, w.pounds(at, l.quantity))
		case w.rests(l.peer, at) == 0:
			own += w.pounds(at, l.quantity)
		case !x.runs[l.peer].names(at):
			add(runAt(l.peer), w.pounds(at, l.quantity))
		case !told[l.peer]:
			told[l.peer] = true
			w.contributors(l.peer, at, func(in int32, q lot.Quantity) { add(in, weight.Mass(q)) })
		}
	}
	return out, own
}

// rests counts the inputs that an output of a run rests on.
func (w *spread) rests(r, out int32) int {
	n := 0
	if w.index.runs[r].names(out) {
		w.contributors(r, out, func(int32, lot.Quantity) { n++ })
	} else {
		w.inputs(r, func(int32) { n++ })
	}
	return n
}

// handBack splits parts over the sources of a lot or run and tells how many stay: all, where nothing made it.
func (w *spread) handBack(at int32, parts int64) (int64, error) {
	sources, own := w.sources(at)
	if len(sources) == 0 {
		return parts, nil
	}
	sum := own
	for _, s := range sources {
		sum += s.weight
	}
	asked := make([]share.Part, 0, len(sources)+1)
	for _, s := range sources {
		m := int64(s.weight)
		if sum == 0 { // nothing says which weighed more
			m = 1
		}
		asked = append(asked, share.Part{Key: w.key(s.at), Weight: share.Of(m)})
	}
	asked = append(asked, share.Part{Key: w.key(at), Weight: share.Of(int64(own))})
	got, err := share.Split(parts, asked)
	if err != nil {
		return 0, fault.Bug("origins of %s: %v", w.key(at), err)
	}
	for i, s := range sources {
		w.parts[s.at] += got[i]
	}
	return got[len(sources)], nil
}
