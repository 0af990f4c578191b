package genealogy

import (
	"math"
	"slices"

	"huskline/internal/lot"
)

// hold is a hold on one lot, from its beginning until it was lifted.
type hold struct {
	name     string
	from, to int64
}

// held marks one lot; inventory tells a hold's spreading lot by lot.
func (x *Index) held(b lot.Held, at int64) {
	n := x.lot(b.Lot)
	for _, i := range x.holdsOf[n] {
		if x.holds[i].name == b.Hold && x.holds[i].to == math.MaxInt64 {
			return
		}
	}
	x.holdsOf[n] = append(x.holdsOf[n], int32(len(x.holds)))
	x.holds = append(x.holds, hold{name: b.Hold, from: at, to: math.MaxInt64})
}

// holdEnded lifts a hold from the excluded lot, or from every lot it stands on.
func (x *Index) holdEnded(b lot.HoldEnded, at int64) {
	if b.Lot != "" {
		for _, i := range x.holdsOf[x.lot(b.Lot)] {
			x.lift(i, b.Hold, at)
		}
		return
	}
	for i := range x.holds {
		x.lift(int32(i), b.Hold, at)
	}
}

func (x *Index) lift(i int32, name string, at int64) {
	if h := &x.holds[i]; h.name == name && h.to == math.MaxInt64 {
		h.to = at
	}
}

// holdsOn are the names of the holds that stand on a lot, sorted.
func (v View) holdsOn(n int32) []string {
	var out []string
	for _, i := range v.index.holdsOf[n] {
		if h := v.index.holds[i]; h.from <= v.at && v.at < h.to || v.at == math.MaxInt64 && h.to == math.MaxInt64 {
			out = append(out, h.name)
		}
	}
	slices.Sort(out)
	return out
}
