// Package settle keeps what goods cost beyond the day they came in: final prices, and title to an owner's goods passing to the company.
package settle

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/form"
)

// Reservations is what a purchase keeps while it waits for the inventory.
type Reservations interface {
	// Hold moves the hold on a lot from one command to another, where it is the first one's; empty: none waits for the inventory.
	Hold(ctx context.Context, id lot.ID, from, to string) error
	// Reserve keeps a purchase's id for a command, and tells whether it is another's already, or a lot code is in use.
	Reserve(ctx context.Context, purchase, command string, code lot.ID) (purchaseUsed, codeUsed bool, err error)
	// Free gives a purchase's id back that a command has reserved.
	Free(ctx context.Context, purchase, command string) error
}

// Tx is what final prices and purchases need of a transaction.
type Tx interface {
	Reservations
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// Received finds a received lot and locks it until the end of the transaction; nil where there is none.
	Received(ctx context.Context, id lot.ID) (*delivery.State, error)
	// SaveSettlement adds a final price, reckoned from a version of the delivery. An id that is in use is refused.
	SaveSettlement(ctx context.Context, s delivery.Settled, version int64) error
	// Owned finds a lot of an owner's that was made here; nil where there is none.
	Owned(ctx context.Context, id lot.ID) (*Owned, error)
	// NextCode gives the next lot code of this producer for a year.
	NextCode(ctx context.Context, year int) (lot.ID, error)
	// SavePurchase adds a purchase; one of a whole ticket, which keeps its code, marks the ticket as bought.
	SavePurchase(ctx context.Context, b lot.Bought, at time.Time) error
}

// Owned is a lot of an owner's that was made here from the owner's goods.
type Owned struct {
	Lot   lot.ID
	Owner lot.PartyID
}

// Settlement is a final price as it is to be recorded.
type Settlement struct {
	ID    string
	Lot   lot.ID
	Price money.Price
	At    time.Time
}

// Price sets a final price. Of several the latest effective stands.
func Price(ctx context.Context, tx Tx, s Settlement) (money.Amount, []lot.Event, error) {
	if err := form.Moment("settlement "+s.ID+", effective", s.At, tx.Now()); err != nil {
		return 0, nil, err
	}
	have, err := tx.Received(ctx, s.Lot)
	if err != nil {
		return 0, nil, err
	}
	if err := s.allowed(have); err != nil {
		return 0, nil, err
	}
	if err := form.Price("price", s.Price); err != nil {
		return 0, nil, err
	}
	purchase, err := have.Purchase(s.Price)
	if err != nil {
		return 0, nil, err
	}
	if err := form.Amount("purchase", purchase); err != nil {
		return 0, nil, err
	}
	said := lot.PriceSettled{Settlement: s.ID, Lot: s.Lot, Price: s.Price, Purchase: purchase}
	if err := tx.SaveSettlement(ctx, delivery.Settled{PriceSettled: said, At: s.At}, have.Version); err != nil {
		return 0, nil, err
	}
	return purchase, []lot.Event{{Lots: []lot.ID{s.Lot}, Effective: s.At, Body: said}}, nil
}

func (s Settlement) allowed(have *delivery.State) error {
	switch {
	case have == nil:
		return fault.NotFound("lot_unknown", "lot %s: nothing came in under this code", s.Lot)
	case have.Voided:
		return fault.Precondition("delivery_voided", "lot %s: the delivery was voided, there is nothing to pay", s.Lot)
	case have.Facts.Ownership == lot.Custom:
		return fault.Precondition("custom_not_priced", "lot %s: it is a custom client's and not bought, so it has no price", s.Lot)
	case have.Facts.Ownership == lot.SellersOwn:
		return fault.Precondition("title_not_passed", "lot %s: it came in as the seller's own; its price is that of the purchase", s.Lot)
	case s.At.Before(have.Effective):
		return fault.Precondition("before_birth", "lot %s: a price of %s is before it came in, at %s", s.Lot, s.At.UTC().Format(time.RFC3339),
			have.Effective.UTC().Format(time.RFC3339))
	}
	return have.Priceable()
}
