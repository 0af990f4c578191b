package delivery

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/visit"
	"huskline/services/intake/internal/weighing"
)

// visited is the weighings of the visit that a delivery names, and how the vehicle stood: one end after the other where that holds of any.
func (f Facts) visited(v *visit.State) ([]Weighing, lot.Draft, error) {
	switch {
	case v == nil:
		return nil, 0, fault.NotFound("visit_unknown", "visit %d: there is none of this number", f.Visit)
	case len(f.Weighings) > 0:
		return nil, 0, fault.Invalid("weighings_twice", "visit %d: %d weighings are listed too; a delivery has the one or the other", f.Visit, len(f.Weighings))
	}
	lines, err := v.Take(f.VisitLine, f.Lot)
	if err != nil {
		return nil, 0, err
	}
	var out []Weighing
	draft := lines[0].Draft
	for _, l := range lines {
		out = append(append(out, side(weighing.Gross, l.Gross)...), side(weighing.Tare, l.Tare)...)
		if l.Draft == lot.EndsDraft {
			draft = l.Draft
		}
	}
	return out, draft, nil
}

// OfVisit is the weighings of a received lot that names a visit.
func OfVisit(r lot.Received, v *visit.State) ([]Weighing, error) {
	out, _, err := Facts{Lot: r.Lot, Visit: r.Visit, VisitLine: r.VisitLine}.visited(v)
	return out, err
}

func side(kind weighing.Kind, w visit.Weight) []Weighing {
	var out []Weighing
	for _, i := range w.Indications {
		out = append(out, Weighing{Kind: kind, Scale: i.Scale, Sequence: i.Sequence, Keyed: i.Keyed, Digits: i.Digits, Unit: i.Unit, Time: i.Time, Mass: i.Mass})
	}
	return out
}

// Priceable refuses a lot whose weight prices no purchase: of a vehicle that was weighed one end after the other (NIST Handbook 44, 2.20, UR.3.3).
func (s State) Priceable() error {
	if s.Facts.Draft != lot.EndsDraft {
		return nil
	}
	return fault.Precondition("draft_prices_nothing",
		"lot %s, visit %d: the vehicle was weighed one end after the other; such a weight prices no purchase (NIST Handbook 44, 2.20, UR.3.3)", s.Facts.Lot, s.Facts.Visit)
}

// once is the stored readings and keyed weights that a delivery lists, each of which it lists once.
type once struct {
	readings map[ReadingKey]bool
	keyed    map[int64]bool
}

// take refuses a weight that was taken before, under the same name or the other one. A number that no reading is stored under may be given again.
func (o *once) take(w Weighing, known Known) error {
	if o.readings == nil {
		o.readings, o.keyed = map[ReadingKey]bool{}, map[int64]bool{}
	}
	key := ReadingKey{Scale: w.Scale, Sequence: w.Sequence}
	_, stored := known.Readings[key]
	if w.Keyed != 0 {
		key.Sequence = known.Keyed[w.Keyed].Sequence
		stored = key.Sequence != 0
	}
	switch {
	case w.Keyed != 0 && (o.keyed[w.Keyed] || stored && o.readings[key]):
		return fault.Invalid("weight_twice", "keyed weight %d: it is named twice; a weight is used once", w.Keyed)
	case stored && o.readings[key]:
		return fault.Invalid("weight_twice", "scale %s, sequence %d: it is named twice; a weight is used once", w.Scale, w.Sequence)
	}
	o.readings[key], o.keyed[w.Keyed] = stored, w.Keyed != 0
	return nil
}

// keyed gives a weighing the weight that a person keyed in.
func (w Weighing) keyed(known Known, of lot.ID) (Weighing, error) {
	k, ok := known.Keyed[w.Keyed]
	switch {
	case !ok:
		return w, fault.NotFound("keyed_unknown", "keyed weight %d: there is none of this number", w.Keyed)
	case w.Digits != "" || w.Sequence != 0 || w.Scale != "" && w.Scale != k.Scale:
		return w, fault.Invalid("weight_twice", "keyed weight %d: a reading or digits are given with it; it is the one or the other", w.Keyed)
	}
	w.Scale, w.Digits, w.Unit, w.Time, w.Mass = k.Scale, k.Digits, k.Unit, k.Time, k.Mass
	return w, k.Usable(of)
}
