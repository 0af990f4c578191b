package sim

import (
	"context"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// OverBook gives the tolerance of a spot and the account of counts.
func (t *tx) OverBook(_ context.Context, spot stock.Spot) (stock.Tolerance, lot.Account, error) {
	place, _ := t.s.places.Get(spot.Place)
	of := stock.Tolerance{Place: place.Over}
	for _, l := range t.s.legs.Rows() {
		if l.Spot == spot && l.Key.Order == stock.GainOrder {
			of.Used += l.Quantity
		}
	}
	as, registered := t.s.reasons.Get(stock.GainReason)
	if !registered { // it is there from the first migration on
		as = lot.Account{Name: stock.GainReason, WritesOff: true, Unexplains: true}
	}
	return of, as, nil
}
