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
	b.correcting, b.drawn = true, map[lot.ID]map[string]lot.Quantity{}
	for _, l := range legs {
		of := b.known.Lots[l.Spot.Lot]
		switch {
		case b.statedHere(l):
			continue
		case of == nil:
		case l.isGain():
			if l.Quantity != 0 {
				b.undone = append(b.undone, l)
			}
		case l.Key.Order%2 == 1:
			b.draws(of.ID, l.Container, l.Quantity)
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
		more := lot.Quantity(0)
		for _, q := range b.drawn[id] {
			more += q
		}
		if more > 0 {
			b.issued = append(b.issued, id)
		}
		for _, flag := range b.known.Flags[id] {
			q := more
			if flag.Part {
				q = b.moreOfPart(b.known.Lots[id], flag)
			}
			if q > 0 && !flag.Excluded && !b.known.Accepted {
				return fault.Precondition("lot_held", "lot %s: hold %s (%s) lies on it; a correction may not draw %s more of it", id, flag.Hold,
					flag.Reason, Amount(q, b.known.Lots[id].Measure))
			}
		}
	}
	return nil
}

// moreOfPart is how much more a set draws of the part of a lot that a hold lies on.
func (b *Book) moreOfPart(l *Lot, f Flag) lot.Quantity {
	more := lot.Quantity(0)
	for code, q := range b.drawn[l.ID] {
		switch {
		case code != "" && b.covers(l.ID, f, code):
			more += max(0, q)
		case code == "" && f.Window() && q > 0 && b.free(l) == 0:
			more += q // after the draw nothing is free: some of it was held
		}
	}
	return more
}
