package cost

import (
	"cmp"
	"slices"
	"strings"

	"huskline/internal/lot"
)

// flowKind says what a flow is.
type flowKind uint8

const (
	received flowKind = iota
	returned          // from a shipment line to the lot that came back
	titleOut          // an owner's pounds leaving him
	titleIn           // the same pounds as the company's
	filled            // from a run to a lot
	dumped            // from a lot to a run
	poured
	adjusted
	emptied
	shipped
)

// flow is pounds going from one node to another, or in from and out to the world. Of facts it holds all that evaluation needs; load and
// provisional are the last result.
type flow struct {
	kind        flowKind
	role        lot.Role // of a filled flow
	writesOff   bool     // of an adjustment
	unexplained bool     // of an adjustment
	byDraw      bool     // of an adjustment: a count gain that a draw over the book of a bin lot made
	provisional bool     // rests on the cost of an open run
	at          int64    // microseconds since 1970, UTC
	line        int64
	key         string
	quantity    lot.Quantity
	from, to    *node         // nil: the world
	goods       *goods        // of what fills a lot: what it then is
	stamp       stamp         // of a run's line: the posting it is from
	back        *shipmentLine // of a return: what it came back from
	load        load
}

// fills tells whether f is the birth of pounds in lot n.
func (f *flow) fills(n *node) bool { return f.to == n && f.goods != nil }

// rank orders the flows of one lot at one instant, seen from the lot n.
func (f *flow) rank(n *node) int {
	switch f.kind {
	case received, returned:
		return 0
	case adjusted:
		if f.byDraw {
			return 5
		}
		return f.correctionRank(n)
	case titleOut:
		return 10
	case titleIn:
		return 11
	case filled:
		return 20
	case dumped:
		return 21
	case poured:
		if f.to == n {
			return 30
		}
		return 31
	case emptied:
		return f.correctionRank(n)
	}
	return 50
}

// correctionRank puts what fills first, so that what draws draws on it.
func (f *flow) correctionRank(n *node) int {
	if f.to == n {
		return 40
	}
	return 41
}

// before compares two flows of the lot n by time, rank and natural key as bytes.
func (n *node) before(a, b *flow) int {
	if c := cmp.Compare(a.at, b.at); c != 0 {
		return c
	}
	if c := cmp.Compare(a.rank(n), b.rank(n)); c != 0 {
		return c
	}
	if c := strings.Compare(a.key, b.key); c != 0 {
		return c
	}
	if c := cmp.Compare(a.line, b.line); c != 0 {
		return c
	}
	return cmp.Compare(a.kind, b.kind)
}

// order sorts the flows of a lot as they happened.
func (n *node) order() {
	if !n.ordered {
		slices.SortFunc(n.flows, n.before)
		n.ordered = true
	}
}

// node is a lot or a run.
type node struct {
	flows   []*flow // all that touch it, each once
	lot     *lotState
	run     *runState
	ordered bool
	marked  bool // to be evaluated
	stuck   bool // in or below a circle of flows
	visit   int  // the last evaluation that reached it
	waits   int  // flows from nodes that the evaluation has yet to pass
}

// attach hangs a flow on its ends and marks them.
func (b *Book) attach(f *flow) {
	for _, n := range f.ends() {
		n.flows = append(n.flows, f)
		n.ordered = false
		b.touch(n)
	}
	if n := f.to; n != nil && f.goods != nil && (n.lot.birth == nil || n.before(f, n.lot.birth) < 0) {
		n.lot.birth = f
		b.described(n)
	}
}

// detach takes a flow off its ends and marks them.
func (b *Book) detach(f *flow) {
	for _, n := range f.ends() {
		n.flows = slices.DeleteFunc(n.flows, func(g *flow) bool { return g == f })
		b.touch(n)
	}
	if n := f.to; n != nil && n.lot != nil && n.lot.birth == f {
		n.lot.birth = nil
		for _, g := range n.flows {
			if g.fills(n) && (n.lot.birth == nil || n.before(g, n.lot.birth) < 0) {
				n.lot.birth = g
			}
		}
		b.described(n)
	}
}

func (f *flow) ends() []*node {
	out := make([]*node, 0, 2)
	if f.from != nil {
		out = append(out, f.from)
	}
	if f.to != nil && f.to != f.from {
		out = append(out, f.to)
	}
	return out
}

// touch marks a node whose facts changed. The pounds a run takes in also decide what shared charges put on the other runs they name.
func (b *Book) touch(n *node) {
	b.mark(n)
	if n.run == nil {
		return
	}
	for _, c := range n.run.charges {
		if len(c.runs) < 2 || c.stale {
			continue
		}
		c.stale = true
		for _, other := range c.runs {
			b.mark(other)
		}
	}
}

// carry stores what a flow carries now and marks its receiver where that is something else than before.
func (b *Book) carry(f *flow, l load, provisional bool) {
	if f.load == l && f.provisional == provisional {
		return
	}
	f.load, f.provisional = l, provisional
	if f.to != nil {
		b.mark(f.to)
	}
}
