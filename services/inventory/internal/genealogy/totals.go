package genealogy

import (
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// Totals are the weights and counts of everything the view sees. They foot: Received + Returned + Adjusted - Unexplained - Unaccounted -
// InProcess = Shipped + OnHand. A lot whose birth is not known yet is on hand below nothing.
type Totals struct {
	Deliveries  int // as they stand: a voided one is none
	Lots        int // born
	Runs        int // with lines
	Shipments   int // lines
	Received    weight.Mass
	Shipped     weight.Mass
	Returned    weight.Mass
	OnHand      weight.Mass
	Adjusted    weight.Mass // signed, to accounts that explain it
	Unexplained weight.Mass // adjusted to accounts that explain nothing, and the book remainders of empty bins; below zero is a gain
	Unaccounted weight.Mass // inputs - outputs over the runs that are complete
	InProcess   weight.Mass // inputs - outputs over the open runs
}

// Totals adds up every lot and run.
func (v View) Totals() Totals {
	var t Totals
	x := v.index
	for i := range x.lots {
		n := int32(i)
		if v.born(n) && !x.lots[n].voided {
			t.Lots++
		}
		v.gather(n, &t)
	}
	for n := range x.runs {
		s := v.step(int32(n))
		if s.At.IsZero() {
			continue
		}
		t.Runs++
		if s.Open {
			t.InProcess += s.Unaccounted
		} else {
			t.Unaccounted += s.Unaccounted
		}
	}
	return t
}

func (v View) gather(n int32, t *Totals) {
	x := v.index
	for i := x.lots[n].in; i != none; i = x.legs[i].next {
		if l := &x.legs[i]; l.kind == received && v.counts(i) {
			t.Received += v.pounds(n, l.quantity)
			if lot.Source(x.lots[n].source) == lot.Delivery {
				t.Deliveries++
			}
		}
	}
	for i := x.lots[n].out; i != none; i = x.legs[i].next {
		if x.legs[i].kind == shipped && v.counts(i) {
			t.Shipments++
		}
	}
	q := v.quantities(n)
	t.Shipped += v.pounds(n, q.Shipped)
	t.Returned += v.pounds(n, q.Returned)
	t.OnHand += v.pounds(n, q.OnHand)
	t.Adjusted += v.pounds(n, q.Adjusted)
	t.Unexplained += v.pounds(n, q.Unaccounted)
}
