package stock

import (
	"maps"
	"slices"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Correct makes the book that of a correction set: it takes back all legs of facts, as FactLegs gave them, and lets held goods be drawn
// again, up to what was drawn of them before. What the facts bore is made anew, or is voided in the end.
func (b *Book) Correct(legs []Leg) {
	b.correcting, b.drawn = true, map[lot.ID]lot.Quantity{}
	for _, l := range legs {
		of := b.known.Lots[l.Spot.Lot]
		switch {
		case of == nil:
		case l.Key.Order%2 == 1:
			b.drawn[of.ID] += l.Quantity
		case l.Key.Order/2 != int16(Adjustment):
			b.Touch(of)
			of.Made -= l.Quantity
		}
		l.Quantity = -l.Quantity
		b.leg(l)
	}
}

// VoidUnmade voids the lots that nothing makes any more. Who drew on one finds it short.
func (b *Book) VoidUnmade() {
	for _, l := range b.change.Lots {
		if l.Made == 0 {
			l.Voided = true
		}
	}
}

// HeldNoMore refuses a correction set that draws more of held goods than was drawn before.
func (b *Book) HeldNoMore() error {
	for _, id := range slices.Sorted(maps.Keys(b.drawn)) {
		if b.drawn[id] <= 0 || b.known.Accepted {
			continue
		}
		for _, flag := range b.known.Flags[id] {
			if !flag.Excluded {
				return fault.Precondition("lot_held", "lot %s: hold %s (%s) lies on it; a correction may not draw %s more of it", id, flag.Hold,
					flag.Reason, Amount(b.drawn[id], b.known.Lots[id].Measure))
			}
		}
		b.issued = append(b.issued, id)
	}
	return nil
}
