// Package consumer takes in what inventory and production say. Intake needs little of it: corrections of deliveries that started elsewhere,
// and which lots made here are an owner's, so that title to them can be bought.
package consumer

import (
	"context"

	"huskline/internal/lot"
	"huskline/services/intake/internal/delivery"
)

// Tx is what the consumer needs of a transaction.
type Tx interface {
	delivery.Tx
	// SaveOwned notes a lot of an owner's that was made here.
	SaveOwned(ctx context.Context, id lot.ID, owner lot.PartyID) error
}

// Apply gives an event its effect. Bodies that intake has no use for only move on.
func Apply(ctx context.Context, tx Tx, e lot.Recorded) error {
	switch b := e.Body.(type) {
	case lot.Corrected:
		return corrected(ctx, tx, b)
	case lot.RunPosted:
		return owned(ctx, tx, b)
	case lot.Returned:
		if b.Owner != "" {
			return tx.SaveOwned(ctx, b.Lot, b.Owner)
		}
	}
	return nil
}

func corrected(ctx context.Context, tx Tx, set lot.Corrected) error {
	for _, d := range set.Deliveries {
		if err := delivery.Heard(ctx, tx, set, d); err != nil {
			return err
		}
	}
	for _, r := range set.Runs {
		if err := owned(ctx, tx, r); err != nil {
			return err
		}
	}
	return nil
}

func owned(ctx context.Context, tx Tx, r lot.RunPosted) error {
	for _, out := range r.Outputs {
		if out.Owner == "" {
			continue
		}
		if err := tx.SaveOwned(ctx, out.Lot, out.Owner); err != nil {
			return err
		}
	}
	return nil
}
