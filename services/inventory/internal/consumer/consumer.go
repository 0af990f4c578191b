// Package consumer takes in what intake and production say. Births at the gate are applied; what was posted here before it could be said is
// compared, and a difference is a fault of the records that goes to quarantine.
package consumer

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// Tx is what the consumer needs of a transaction.
type Tx interface {
	stock.Tx
	// PutItem takes note of an item.
	PutItem(ctx context.Context, i lot.ItemChanged, at time.Time) error
	// PutParty takes note of a party.
	PutParty(ctx context.Context, p lot.PartyChanged, at time.Time) error
	// RunTotals is a run as the ledger has it, locked.
	RunTotals(ctx context.Context, id lot.RunID) (*stock.RunState, error)
}

// Apply gives an event its effect. Bodies that inventory has no use for (readings, prices, charges, runs that begin) only move on.
func Apply(ctx context.Context, tx Tx, e lot.Recorded) error {
	switch b := e.Body.(type) {
	case lot.ItemChanged:
		return tx.PutItem(ctx, b, e.Effective)
	case lot.PartyChanged:
		return tx.PutParty(ctx, b, e.Effective)
	case lot.Received:
		return stock.Receive(ctx, tx, b, stock.ByEvent+e.EventID, e.Effective)
	case lot.DeliveryCorrected:
		return stock.CompareDelivery(ctx, tx, b)
	case lot.Bought:
		return stock.ComparePurchase(ctx, tx, stock.Purchase{Bought: b, Claimant: stock.ByEvent + e.EventID, At: e.Effective})
	case lot.RunCompleted:
		return compareRun(ctx, tx, b)
	case lot.RunCorrected:
		return compareRun(ctx, tx, b.Completed)
	}
	return nil
}

// compareRun holds production's mass balance to the ledger's. A version that was corrected here meanwhile has nothing to be compared with.
func compareRun(ctx context.Context, tx Tx, c lot.RunCompleted) error {
	r, err := tx.RunTotals(ctx, c.Run)
	if err != nil {
		return err
	}
	if c.Version < r.Version {
		return nil
	}
	in, out := r.Totals()
	if c.Version != r.Version || !r.Final || in != c.Input || out != c.Output || in-out != c.Unaccounted {
		return fault.Conflict("run_differs", "run %s: production says version %d with %s in, %s out, %s unaccounted; the ledger has version %d (complete %t) with %s in, %s out",
			c.Run, c.Version, stock.Amount(c.Input, lot.ByWeight), stock.Amount(c.Output, lot.ByWeight), stock.Amount(c.Unaccounted, lot.ByWeight),
			r.Version, r.Final, stock.Amount(in, lot.ByWeight), stock.Amount(out, lot.ByWeight))
	}
	return nil
}
