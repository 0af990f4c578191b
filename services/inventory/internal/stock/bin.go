package stock

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Enter refuses goods of a lot in a place that is a bin and holds another: a bin holds one lot at a time. The lot of which they are drawn there,
// if any, makes room. What finds goods rather than brings them, a delivery told by its event, a count, a purchase, is not asked, and neither is
// what was accepted before. A correction set may put a lot where it lay before, whatever lies there by now.
func (b *Book) Enter(place lot.PlaceID, l, drawn lot.ID) error {
	p := b.known.Places[place]
	if !p.Bin || b.known.Accepted || b.correcting && b.layAt(l, place) {
		return nil
	}
	others := p.Lots
	for _, leg := range b.change.Legs {
		if leg.Spot.Place == place && leg.Spot.Lot != "" && leg.Quantity > 0 {
			others = append(others[:len(others):len(others)], leg.Spot.Lot)
		}
	}
	for _, other := range others {
		if other != l && other != drawn && b.liesIn(other, place) {
			return fault.Precondition("bin_occupied", "bin %s: it holds lot %s; a bin holds one lot at a time", place, other)
		}
	}
	return nil
}

// layAt tells whether a lot lies, or has lain, at a place.
func (b *Book) layAt(l lot.ID, place lot.PlaceID) bool {
	for s := range b.known.Balances {
		if s.Lot == l && s.Place == place {
			return true
		}
	}
	return false
}

// liesIn tells whether anything of a lot that lay at a place, or comes there by this book, is left there. Of lots that are not locked nothing
// moves.
func (b *Book) liesIn(id lot.ID, place lot.PlaceID) bool {
	if b.known.Lots[id] == nil {
		return true
	}
	var left lot.Quantity
	for s, bal := range b.known.Balances {
		if s.Lot == id && s.Place == place {
			left += bal.Quantity
		}
	}
	for _, leg := range b.change.Legs {
		if leg.Spot.Lot == id && leg.Spot.Place == place {
			left += leg.Quantity
		}
	}
	return left > 0
}
