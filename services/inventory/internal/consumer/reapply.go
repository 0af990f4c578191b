package consumer

import (
	"context"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/movement"
	"huskline/services/inventory/internal/shipping"
	"huskline/services/inventory/internal/stock"
)

// OwnTx is what an own event that was taken back needs of a transaction.
type OwnTx interface {
	movement.Tx
	hold.Tx
	shipping.Tx
	// KnowPlace registers a place by its code where it is not registered: no event tells of places.
	KnowPlace(ctx context.Context, id lot.PlaceID, bin bool) error
	// CodeUsed keeps a code that may be one of inventory's own from being given again.
	CodeUsed(ctx context.Context, id lot.ID) error
}

// Reapply makes the effect of an own event again, after the database went back to an earlier moment, by the code that made it then. Whether it
// may be is not asked again, since it was accepted; that it adds up, and leaves nothing below nothing, is. What no event tells is lost: the
// names of places, reasons, claims of codes that bear no lot yet, open count sheets.
func Reapply(ctx context.Context, tx OwnTx, e lot.Recorded) error {
	order := movement.Order{Command: stock.TakenBack + e.EventID, At: e.Effective}
	switch b := e.Body.(type) {
	case lot.RunPosted:
		_, _, err := movement.PostRun(ctx, tx, order, b)
		return err
	case lot.Corrected:
		_, _, err := movement.Correct(ctx, tx, order, b)
		return err
	case lot.Poured:
		return repoured(ctx, tx, b, e)
	case lot.BinEmptied:
		return reemptied(ctx, tx, b, e)
	case lot.Adjusted:
		_, _, err := stock.AdjustLot(ctx, tx, stock.Adjust{
			Name: b.Adjustment, Lot: b.Lot, Place: b.Place, Delta: b.Delta, Reason: b.Reason, At: e.Effective, Account: &b.Account,
			DrawnBy: b.DrawnBy,
		})
		return err
	case lot.Moved:
		if err := tx.KnowPlace(ctx, b.To, false); err != nil {
			return err
		}
		_, err := stock.MoveLot(ctx, tx, b, e.Effective)
		return err
	case lot.Shipped:
		_, err := shipping.Ship(ctx, tx, shipping.Order{Shipped: b, At: e.Effective})
		return err
	case lot.Returned:
		return rereturned(ctx, tx, b, e)
	}
	return reheld(ctx, tx, e)
}

// reheld makes again what stops goods.
func reheld(ctx context.Context, tx OwnTx, e lot.Recorded) error {
	switch b := e.Body.(type) {
	case lot.Held:
		if b.Lot != b.Root {
			return hold.Reach(ctx, tx, b)
		}
		_, _, err := hold.Place(ctx, tx, hold.Order{Held: b, By: e.Actor, At: e.Effective})
		return err
	case lot.HoldEnded:
		if b.Excluded {
			return hold.ExcludeAgain(ctx, tx, b, e.Actor)
		}
		return tx.End(ctx, b.Hold, e.Actor, b.Reason)
	case lot.Disposed:
		return tx.AddDisposition(ctx, b, e.Actor)
	}
	return nil
}

func repoured(ctx context.Context, tx OwnTx, b lot.Poured, e lot.Recorded) error {
	if err := tx.KnowPlace(ctx, b.BinPlace, true); err != nil {
		return err
	}
	_, err := stock.PourLot(ctx, tx, stock.Pour{Poured: b, Claimant: stock.TakenBack + e.EventID, At: e.Effective})
	return err
}

func reemptied(ctx context.Context, tx OwnTx, b lot.BinEmptied, e lot.Recorded) error {
	left, _, err := stock.EmptyBin(ctx, tx, stock.Emptying{Name: b.Emptying, Bin: b.Bin, Place: b.Place, At: e.Effective})
	if err == nil && left != b.Remainder {
		return fault.Conflict("remainder_differs", "bin lot %s: %d were left when it was seen empty, the ledger has %d", b.Bin, b.Remainder, left)
	}
	return err
}

func rereturned(ctx context.Context, tx OwnTx, b lot.Returned, e lot.Recorded) error {
	if err := tx.KnowPlace(ctx, b.Place, false); err != nil {
		return err
	}
	if err := tx.CodeUsed(ctx, b.Lot); err != nil {
		return err
	}
	_, _, err := shipping.TakeBack(ctx, tx, shipping.Return{Returned: b, Claimant: stock.TakenBack + e.EventID, By: e.Actor, At: e.Effective})
	return err
}
