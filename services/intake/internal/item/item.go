// Package item keeps the things that can lie in a lot, with the reference prices by which joint cost is shared.
package item

import (
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
)

// The bounds of an item's texts.
const (
	maxName      = 500
	maxAllergens = 50
	maxAllergen  = 100
)

// Tx is what items need of a transaction.
type Tx interface {
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// SaveItem adds a version of an item, in force from a time on; the earlier ones are kept. An item of another measure is refused, since
	// what its lots count cannot change under them.
	SaveItem(ctx context.Context, i lot.ItemChanged, from time.Time) error
}

// Register adds an item or changes it from a time on; no time means now.
func Register(ctx context.Context, tx Tx, i lot.ItemChanged, from time.Time) ([]lot.Event, error) {
	if from.IsZero() {
		from = tx.Now()
	}
	if err := form.Moment("item "+string(i.Item)+", effective", from, tx.Now()); err != nil {
		return nil, err
	}
	if err := judge(i); err != nil {
		return nil, err
	}
	if err := tx.SaveItem(ctx, i, from); err != nil {
		return nil, err
	}
	return []lot.Event{{Effective: from, Body: i}}, nil
}

func judge(i lot.ItemChanged) error {
	if err := form.Code("item", string(i.Item)); err != nil {
		return err
	}
	if err := form.Text("item "+string(i.Item)+", name", i.Name, maxName); err != nil {
		return err
	}
	if i.SplitOff != nil {
		if err := form.Price("item "+string(i.Item)+", split-off price", *i.SplitOff); err != nil {
			return err
		}
	}
	switch {
	case i.Unit > form.MaxPiece:
		return fault.Invalid("weight_out_of_range", "item %s: the weight of one piece, %s lb, is above %s lb", i.Item, i.Unit, form.MaxPiece)
	case i.Unit < 0:
		return fault.Invalid("weight_negative", "item %s: the weight of one piece, %s lb, is below zero", i.Item, i.Unit)
	case len(i.Allergens) > maxAllergens:
		return fault.Invalid("allergens_too_many", "item %s: %d allergens, at most %d are allowed", i.Item, len(i.Allergens), maxAllergens)
	}
	for n, a := range i.Allergens {
		if err := form.Text("item "+string(i.Item)+", allergen", a, maxAllergen); err != nil {
			return err
		}
		if a == "" || slices.Contains(i.Allergens[:n], a) {
			return fault.Invalid("allergen_malformed", "item %s: allergen %q is empty or given twice; allergens go by their specific names, each once", i.Item, a)
		}
	}
	return nil
}
