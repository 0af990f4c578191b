package genealogy

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"huskline/internal/lot"
)

// answers is everything that can be asked, for every lot.
type answers struct {
	Lots       []Lot
	Quantities []Quantities
	Piles      [][]Pile
	Down, Up   [][]lot.ID
	Origins    [][]Origin
	Lines      []ShipmentLine
	Steps      []Step
	Totals     Totals
	Positions  []lot.Receipt
}

func ask(t require.TestingT, x *Index, ids []lot.ID) answers {
	var a answers
	v := x.View(time.Time{})
	for _, id := range ids {
		of, err := v.Lot(id)
		require.NoError(t, err)
		q, err := v.Quantities(id)
		require.NoError(t, err)
		down, err := v.Descendants(id)
		require.NoError(t, err)
		up, err := v.Ancestors(id)
		require.NoError(t, err)
		origins, err := v.Origins(id)
		require.NoError(t, err)
		piles, err := v.Piles(id)
		require.NoError(t, err)
		lies := lot.Quantity(0)
		for _, p := range piles {
			lies += p.Quantity
		}
		require.Equal(t, q.OnHand, lies, "what lies of lot %s in all places", id)
		a.Piles = append(a.Piles, piles)
		a.Lots, a.Quantities, a.Origins = append(a.Lots, of), append(a.Quantities, q), append(a.Origins, origins)
		a.Down, a.Up = append(a.Down, down), append(a.Up, up)
	}
	var err error
	a.Lines, err = v.ShipmentLines(ids)
	require.NoError(t, err)
	a.Steps, err = v.Steps(ids)
	require.NoError(t, err)
	a.Totals, a.Positions = v.Totals(), x.Positions()
	return a
}

// Break that it catches: a received delivery that overwrites a correction heard before it.
func TestOrderAcrossProducersDoesNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		ids := p.known()
		want := ask(t, fold(t, slices.Concat(p.facts[lot.Intake], p.facts[lot.Inventory])), ids)
		got := ask(t, fold(t, p.merged("order")), ids)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("another order gives another index (-intake first +drawn):\n%s", diff)
		}
	})
}

// known leaves out bins into which nothing was poured.
func (p *plant) known() []lot.ID {
	x := fold(p.t, slices.Concat(p.facts[lot.Intake], p.facts[lot.Inventory]))
	return slices.DeleteFunc(slices.Clone(p.lots), func(id lot.ID) bool {
		return x.known(id) == none
	})
}

// Breaks that it catches: a table followed in one direction only, or in neither; lines of a lower version still followed; a pour or
// return followed in one direction only.
func TestForwardAndBackwardAreInversesAndThePlantsPairs(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		ids := p.known()
		a := ask(t, fold(t, p.merged("order")), ids)
		for i, id := range ids {
			for j, other := range ids {
				if forward, backward := slices.Contains(a.Down[i], other), slices.Contains(a.Up[j], id); forward != backward {
					t.Fatalf("%s made from %s: forward says %v, backward %v", other, id, forward, backward)
				}
			}
			if diff := cmp.Diff(p.closure(id, 1), a.Down[i]); diff != "" {
				t.Fatalf("descendants of %s (-plant +index):\n%s", id, diff)
			}
			if diff := cmp.Diff(p.closure(id, 0), a.Up[i]); diff != "" {
				t.Fatalf("ancestors of %s (-plant +index):\n%s", id, diff)
			}
		}
	})
}

// Breaks that it catches: parts floored without handing out the remainder; parts handed to inputs that a table leaves out.
func TestOriginsSumToWholeAndAreAncestors(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		ids := p.known()
		a := ask(t, fold(t, p.merged("order")), ids)
		for i, id := range ids {
			sum := int64(0)
			for _, o := range a.Origins[i] {
				sum += o.Parts
				if o.Lot != id && !slices.Contains(a.Up[i], o.Lot) {
					t.Fatalf("origin %s of %s is none of its ancestors", o.Lot, id)
				}
			}
			if sum != Whole {
				t.Fatalf("origins of %s sum to %d, want %d: %v", id, sum, Whole, a.Origins[i])
			}
		}
	})
}

// Breaks that it catches: a return that starts a trace of its own; a purchase under a new code that cuts the trace.
func TestEveryShippedPoundReachesReceipts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		p.shipAll()
		v := fold(t, p.merged("order")).View(time.Time{})
		lines, err := v.ShipmentLines(p.known())
		require.NoError(t, err)
		for _, line := range lines {
			origins, err := v.Origins(line.Lot)
			require.NoError(t, err)
			for _, o := range origins {
				of, err := v.Lot(o.Lot)
				require.NoError(t, err)
				if of.Source == 0 {
					t.Fatalf("shipment %s: %s of lot %s rests on %s, which was not received", line.Shipment, o.Share(), line.Lot, o.Lot)
				}
			}
		}
	})
}

// Breaks that it catches: a run line told twice and counted twice; a version whose lines still count beside the next one's.
func TestWeightsFoot(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		ids := p.known()
		a := ask(t, fold(t, p.merged("order")), ids)
		for i, id := range ids {
			if a.Quantities[i].OnHand != p.onHand[id] {
				t.Fatalf("lot %s: %d on hand, the plant has %d", id, a.Quantities[i].OnHand, p.onHand[id])
			}
		}
		s := a.Totals
		if in, out := s.Received+s.Returned+s.Adjusted-s.Unexplained-s.Unaccounted-s.InProcess, s.Shipped+s.OnHand; in != out {
			t.Fatalf("%s lb came in and %s lb are shipped or on hand: %+v", in, out, s)
		}
	})
}

// Breaks that it catches: a fact known by its position and not by its natural key.
func TestFactsToldTwiceChangeNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawPlant(t)
		ids, facts := p.known(), p.merged("order")
		x := fold(t, facts)
		want := ask(t, x, ids)
		for _, f := range facts {
			if _, again := f.Body.(lot.Corrected); !again {
				require.NoError(t, x.Apply(f))
			}
		}
		if diff := cmp.Diff(want, ask(t, x, ids)); diff != "" {
			t.Fatalf("telling it all again changed the index (-once +twice):\n%s", diff)
		}
	})
}
