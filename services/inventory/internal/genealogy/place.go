package genealogy

import (
	"cmp"
	"slices"

	"huskline/internal/lot"
)

// stands notes the place of a leg.
func (x *Index) stands(leg int32, place lot.PlaceID) {
	if place == "" && int(leg) >= len(x.standing) {
		return
	}
	n, ok := x.placeOf[place]
	if !ok {
		n = int32(len(x.places))
		x.places, x.placeOf[place] = append(x.places, place), n
	}
	for int(leg) >= len(x.standing) {
		x.standing = append(x.standing, 0)
	}
	x.standing[leg] = n
}

// moved enters both legs of a move, the second right behind the first. What a lot came from stays as it is.
func (x *Index) moved(b lot.Moved, at int64) {
	key := factName{carriedOff, b.Movement}
	if _, again := x.legOf[key]; again {
		return
	}
	n, name := x.lot(b.Lot), x.name(b.Movement)
	x.legOf[key] = x.enter(leg{quantity: b.Quantity, at: at, lot: n, peer: none, mate: none, line: name, kind: carriedOff}, b.From)
	x.enter(leg{quantity: b.Quantity, at: at, lot: n, peer: none, mate: none, line: name, kind: carriedTo}, b.To)
}

// Pile is what lies of a lot at a place.
type Pile struct {
	Place    lot.PlaceID
	Quantity lot.Quantity
}

// Piles are the places where something of a lot lies, by code. A place may hold less than nothing as long as not all facts are known.
func (v View) Piles(id lot.ID) ([]Pile, error) {
	n, err := v.find(id)
	if err != nil {
		return nil, err
	}
	x := v.index
	at := map[int32]lot.Quantity{}
	for _, chain := range []int32{x.lots[n].in, x.lots[n].out} {
		for i := chain; i != none; i = x.legs[i].next {
			if v.counts(i) {
				at[x.placeAt(i)] += x.legs[i].change()
			}
		}
	}
	var out []Pile
	for place, q := range at {
		if q != 0 {
			out = append(out, Pile{x.places[place], q})
		}
	}
	slices.SortFunc(out, func(a, b Pile) int { return cmp.Compare(a.Place, b.Place) })
	return out, nil
}

func (x *Index) placeAt(leg int32) int32 {
	if int(leg) < len(x.standing) {
		return x.standing[leg]
	}
	return 0
}

// change is what a leg adds to what lies at its place.
func (l *leg) change() lot.Quantity {
	switch l.kind {
	case received, output, pouredIn, cameBack, boughtIn, adjusted, carriedTo:
		return l.quantity
	case wentBack: // the pounds had left with the shipment
		return 0
	}
	return -l.quantity
}
