package sim

import (
	"context"
	"time"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// OverBook gives the tolerance of a spot, with what ended it up to a time, and the account of counts.
func (t *tx) OverBook(_ context.Context, spot stock.Spot, until time.Time) (stock.Tolerance, lot.Account, error) {
	place, _ := t.s.places.Get(spot.Place)
	of := stock.Tolerance{Place: place.Over}
	var first time.Time
	for _, l := range t.s.legs.Rows() {
		if l.Spot.Lot == spot.Lot && l.Spot.Place == spot.Place && (first.IsZero() || l.Key.At.Before(first)) {
			first = l.Key.At
		}
		if l.Spot == spot && l.Key.Order == stock.GainOrder {
			of.Used += l.Quantity
		}
	}
	for _, l := range t.s.legs.Rows() {
		if l.Spot.Place == spot.Place && l.Spot.Lot != "" && !l.Key.At.Before(first) && !l.Key.At.After(until) {
			of.Came = append(of.Came, stock.Entry{Spot: l.Spot, Key: l.Key, Quantity: l.Quantity})
		}
	}
	for _, e := range t.s.emptied.Rows() {
		if e.Spot == spot {
			of.Emptied = append(of.Emptied, e)
		}
	}
	as, registered := t.s.reasons.Get(stock.GainReason)
	if !registered { // it is there from the first migration on
		as = lot.Account{Name: stock.GainReason, WritesOff: true, Unexplains: true}
	}
	return of, as, nil
}
