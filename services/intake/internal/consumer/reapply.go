package consumer

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/item"
	"huskline/services/intake/internal/party"
	"huskline/services/intake/internal/ticket"
)

// OwnTx is what an own event that was taken back needs of a transaction.
type OwnTx interface {
	delivery.Tx
	party.Tx
	item.Tx
	ticket.Tx
	// SaveDiscard writes a reading down that was put aside for good.
	SaveDiscard(ctx context.Context, d lot.ReadingDiscarded) error
	// PutSettlement writes a final price as it was said, also one that was said anew for a corrected delivery.
	PutSettlement(ctx context.Context, s delivery.Settled, version int64) error
	// SavePurchase adds a purchase.
	SavePurchase(ctx context.Context, b lot.Bought, at time.Time) error
}

// Reapply makes the effect of an own event again, after the database went back to an earlier moment. Its own rules are not asked: it was
// accepted. What no event tells is lost: weighings of a lot that names no visit, and readings, which the scales must post again.
func Reapply(ctx context.Context, tx OwnTx, e lot.Recorded) error {
	switch b := e.Body.(type) {
	case lot.PartyChanged:
		return tx.SaveParty(ctx, b)
	case lot.ItemChanged:
		return tx.SaveItem(ctx, b, e.Effective)
	case lot.Received:
		return received(ctx, tx, b, e)
	case lot.DeliveryCorrected:
		return delivery.Retell(ctx, tx, b, "event "+e.EventID)
	case lot.PriceSettled:
		return resettled(ctx, tx, b, e.Effective)
	case lot.Bought:
		return tx.SavePurchase(ctx, b, e.Effective)
	case lot.ReadingDiscarded:
		return tx.SaveDiscard(ctx, b)
	case lot.ReadingsStored:
		return fault.Precondition("readings_lost", "batch %s: %d readings of %d scales went with the database; they must be posted again", b.Batch, b.Stored,
			len(b.Scales))
	}
	return weighed(ctx, tx, e)
}

// received bears a lot again. Its weighings are known where it names a visit, whose facts came back before it.
func received(ctx context.Context, tx OwnTx, b lot.Received, e lot.Recorded) error {
	s := delivery.State{Facts: b, Effective: e.Effective, Version: 1, Pay: b.Quantity, Command: "event " + e.EventID}
	if b.Visit != 0 {
		v, err := tx.Visit(ctx, b.Visit)
		if err != nil {
			return err
		}
		if s.Weighings, err = delivery.OfVisit(b, v); err != nil {
			return err
		}
	}
	return tx.Bear(ctx, s)
}

// weighed makes a fact of a vehicle on the scale known again.
func weighed(ctx context.Context, tx ticket.Tx, e lot.Recorded) error {
	switch b := e.Body.(type) {
	case lot.VehicleChanged:
		return tx.SaveVehicle(ctx, b)
	case lot.VisitWeighed:
		return tx.SaveWeighing(ctx, b, e.Effective)
	case lot.VisitClosed:
		return tx.SaveClosing(ctx, b)
	case lot.TareStored:
		return tx.SaveTare(ctx, b)
	case lot.WeightKeyed:
		return tx.SaveKeyed(ctx, b)
	case lot.WeightMatched:
		return tx.SaveMatch(ctx, b)
	case lot.TicketIssued:
		return tx.SaveTicket(ctx, b, e.Effective)
	case lot.TicketMarked:
		return tx.SaveMark(ctx, b, e.Effective)
	}
	return nil
}

func resettled(ctx context.Context, tx OwnTx, b lot.PriceSettled, at time.Time) error {
	have, err := tx.Received(ctx, b.Lot)
	switch {
	case err != nil:
		return err
	case have == nil:
		return fault.NotFound("lot_unknown", "lot %s: nothing came in under this code", b.Lot)
	}
	return tx.PutSettlement(ctx, delivery.Settled{PriceSettled: b, At: at}, have.Version)
}
