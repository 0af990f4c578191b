package form

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// The most of one lot, and of one line of money. The quantities are those that the inventory takes, so that nothing is accepted here which stays
// in quarantine there. At a billion dollars a line, thousands of lines at the bound still add up in 64 bits, and MaxPrice x MaxPounds is no more
// than they hold, so that a price can be reckoned for any lot that came in. MaxPiece x MaxPieces is within them too.
const (
	MaxPounds weight.Mass  = 1_000_000_000 * weight.Pound
	MaxPieces lot.Quantity = 1_000_000_000
	MaxPiece  weight.Mass  = 5_000 * weight.Pound
	MaxAmount money.Amount = 1_000_000_000_000_000 // 1,000,000,000.00
	MaxPrice  money.Price  = 1_000_000_000         // 1,000.00
)

// Quantity refuses more than one lot may have.
func Quantity(field string, q lot.Quantity, by lot.Measure) error {
	switch {
	case by == lot.ByCount && q > MaxPieces:
		return fault.Invalid("quantity_out_of_range", "%s %d pieces: at most %d are allowed in one lot", field, q, MaxPieces)
	case by != lot.ByCount && weight.Mass(q) > MaxPounds:
		return fault.Invalid("quantity_out_of_range", "%s %s lb: at most %s lb are allowed in one lot", field, weight.Mass(q), MaxPounds)
	}
	return nil
}

// Amount refuses money below zero, and more than one line may have.
func Amount(field string, a money.Amount) error {
	switch {
	case a < 0:
		return fault.Invalid("amount_negative", "%s %s: it is not below zero", field, a)
	case a > MaxAmount:
		return fault.Invalid("amount_out_of_range", "%s %s: at most %s is allowed", field, a, MaxAmount)
	}
	return nil
}

// Price refuses a price below zero, and one that no goods of the trade have.
func Price(field string, p money.Price) error {
	switch {
	case p < 0:
		return fault.Invalid("price_negative", "%s %s: it is not below zero", field, p)
	case p > MaxPrice:
		return fault.Invalid("price_out_of_range", "%s %s: at most %s is allowed", field, p, MaxPrice)
	}
	return nil
}
