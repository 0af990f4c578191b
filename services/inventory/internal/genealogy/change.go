package genealogy

import (
	"cmp"
	"slices"
	"time"

	"huskline/internal/lot"
)

// Change is what one event did to what lies of a lot at a place.
type Change struct {
	Lot      lot.ID
	Item     lot.ItemID
	Owner    lot.PartyID
	Measure  lot.Measure
	Place    lot.PlaceID
	Delta    lot.Quantity
	Quantity lot.Quantity // after it, as far as the facts are known
}

// spot is a lot at a place, by their numbers.
type spot struct{ lot, place int32 }

// journal notes changes while one event is applied.
type journal struct{ deltas map[spot]lot.Quantity }

func (x *Index) note(leg int32, delta lot.Quantity) {
	if x.journal != nil && delta != 0 {
		x.journal.deltas[spot{x.legs[leg].lot, x.placeAt(leg)}] += delta
	}
}

// Changes runs apply, which takes in events by Apply, and gives what it did to balances, by lot and place. What comes to nothing, such as a
// correction that leaves a balance as it was, is not among them.
func (x *Index) Changes(apply func() error) ([]Change, error) {
	x.journal = &journal{deltas: map[spot]lot.Quantity{}}
	err := apply()
	deltas := x.journal.deltas
	x.journal = nil
	var out []Change
	for s, delta := range deltas {
		if delta != 0 {
			out = append(out, x.changed(s, delta))
		}
	}
	slices.SortFunc(out, func(a, b Change) int { return cmp.Or(cmp.Compare(a.Lot, b.Lot), cmp.Compare(a.Place, b.Place)) })
	return out, err
}

func (x *Index) changed(s spot, delta lot.Quantity) Change {
	of, now := &x.lots[s.lot], x.View(time.Time{})
	c := Change{Lot: of.id, Owner: x.parties[now.owner(s.lot)].id, Measure: now.measure(s.lot), Place: x.places[s.place], Delta: delta}
	if i := now.item(s.lot); i != none {
		c.Item = x.items[i].id
	}
	for _, chain := range []int32{of.in, of.out} {
		for i := chain; i != none; i = x.legs[i].next {
			if l := &x.legs[i]; !l.dead && x.placeAt(i) == s.place {
				c.Quantity += l.change()
			}
		}
	}
	return c
}
