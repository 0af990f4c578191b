package settle

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/intake/internal/form"
)

// Purchase is title to an owner's goods passing to the company, as it is to be recorded.
type Purchase struct {
	Command  string
	ID       string
	Lot      lot.ID
	NewLot   lot.ID       // empty: intake gives a code, or the ticket's own where it is bought whole
	Quantity lot.Quantity // 0: the whole ticket, untouched
	Price    money.Amount // in all
	Place    lot.PlaceID
	At       time.Time
}

// BeginPurchase judges a purchase and says what the inventory is to be asked. The id is reserved and a ticket is held until its answer.
func BeginPurchase(ctx context.Context, tx Tx, p Purchase) (lot.Bought, error) {
	if err := form.Moment("purchase "+p.ID+", effective", p.At, tx.Now()); err != nil {
		return lot.Bought{}, err
	}
	if err := form.Amount("purchase "+p.ID+", price", p.Price); err != nil {
		return lot.Bought{}, err
	}
	b := lot.Bought{Purchase: p.ID, Lot: p.Lot, NewLot: p.NewLot, Quantity: p.Quantity, Price: p.Price, Place: p.Place}
	var err error
	if b, err = p.from(ctx, tx, b); err != nil {
		return lot.Bought{}, err
	}
	known, used, err := tx.Reserve(ctx, p.ID, p.Command, b.NewLot)
	switch {
	case err != nil:
		return lot.Bought{}, err
	case known:
		return lot.Bought{}, fault.Conflict("purchase_known", "purchase %s: the id is in use", p.ID)
	case b.NewLot == "":
		b.NewLot, err = tx.NextCode(ctx, p.At.UTC().Year())
		return b, err
	case b.NewLot == b.Lot:
		return b, nil
	case used:
		return lot.Bought{}, fault.Conflict("lot_code_used", "lot %s: the code is in use; a code is never used again", b.NewLot)
	}
	_, err = lot.ParseID(string(b.NewLot))
	return b, err
}

// from finds whose goods are bought, and holds the ticket they came in on.
func (p Purchase) from(ctx context.Context, tx Tx, b lot.Bought) (lot.Bought, error) {
	have, err := tx.Received(ctx, p.Lot)
	if err != nil {
		return b, err
	}
	if have == nil {
		made, err := tx.Owned(ctx, p.Lot)
		switch {
		case err != nil:
			return b, err
		case made == nil:
			return b, fault.NotFound("lot_unknown", "lot %s: no owner's lot of this code is known", p.Lot)
		case p.Quantity == 0:
			return b, fault.Invalid("quantity_missing", "lot %s: it is no ticket, so the quantity bought must be given", p.Lot)
		}
		b.Owner = made.Owner
		return b, nil
	}
	switch {
	case have.Voided:
		return b, fault.Precondition("delivery_voided", "lot %s: the delivery was voided", p.Lot)
	case have.Bought || have.Facts.Ownership == lot.Company:
		return b, fault.Precondition("owner_wrong", "lot %s: it is the company's already", p.Lot)
	case have.HeldBy != "" && have.HeldBy != p.Command:
		return b, fault.Unavailable("delivery_held", "lot %s: another command waits for the inventory's answer about it; come again", p.Lot)
	case p.At.Before(have.Effective):
		return b, fault.Precondition("before_birth", "lot %s: %s is before it came in, at %s", p.Lot, p.At.UTC().Format(time.RFC3339),
			have.Effective.UTC().Format(time.RFC3339))
	case p.Quantity > have.Facts.Quantity:
		return b, fault.Precondition("stock_short", "lot %s: %d bought, %d came in", p.Lot, p.Quantity, have.Facts.Quantity)
	}
	if err := have.Priceable(); err != nil {
		return b, err
	}
	b.Owner = have.Facts.Owner
	if p.Quantity == 0 {
		b.Quantity = have.Facts.Quantity
		if p.NewLot == "" {
			b.NewLot = p.Lot
		}
	}
	return b, tx.Hold(ctx, p.Lot, have.HeldBy, p.Command)
}

// Bought records a command's purchase that the inventory has accepted.
func Bought(ctx context.Context, tx Tx, command string, b lot.Bought, at time.Time) ([]lot.Event, error) {
	if err := tx.SavePurchase(ctx, b, at); err != nil {
		return nil, err
	}
	if err := tx.Hold(ctx, b.Lot, command, ""); err != nil {
		return nil, err
	}
	lots := []lot.ID{b.Lot}
	if b.NewLot != b.Lot {
		lots = append(lots, b.NewLot)
	}
	return []lot.Event{{Lots: lots, Effective: at, Body: b}}, nil
}

// RefusedPurchase gives back what a purchase has kept that the inventory refused: its id, and the ticket.
func RefusedPurchase(ctx context.Context, tx Tx, p Purchase) error {
	if err := tx.Free(ctx, p.ID, p.Command); err != nil {
		return err
	}
	return tx.Hold(ctx, p.Lot, p.Command, "")
}
