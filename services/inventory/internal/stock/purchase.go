package stock

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Purchase is title to an owner's goods passing to the company.
type Purchase struct {
	lot.Bought
	Claimant string
	At       time.Time
}

// Buy passes title. An untouched ticket bought whole keeps its code; other goods become a lot of the company's, with the trace running
// through and every hold going along, since they are the same goods. What was bought already under the purchase's name stands as it is.
func Buy(ctx context.Context, tx Tx, p Purchase) ([]lot.Event, error) {
	legs, err := tx.FactLegs(ctx, []string{PurchaseFact(p.Bought.Purchase)})
	if err != nil {
		return nil, err
	}
	if len(legs) > 0 {
		return nil, p.compare(legs)
	}
	return pass(ctx, tx, p)
}

func pass(ctx context.Context, tx Tx, p Purchase) ([]lot.Event, error) {
	b, err := Open(ctx, tx, PurchaseFact(p.Bought.Purchase), Want{Lots: []lot.ID{p.Lot, p.NewLot}, Born: []lot.ID{p.NewLot}})
	if err != nil {
		return nil, err
	}
	if err := b.When(PurchaseFact(p.Bought.Purchase), p.At); err != nil {
		return nil, err
	}
	events, err := b.buy(p)
	if err != nil {
		return nil, err
	}
	return events, b.Close(ctx, tx)
}

func (b *Book) buy(p Purchase) ([]lot.Event, error) {
	fact := PurchaseFact(p.Bought.Purchase)
	l, err := b.Lot(p.Lot)
	if err != nil {
		return nil, err
	}
	switch {
	case p.Quantity <= 0:
		return nil, fault.Invalid("quantity_not_positive", "purchase %s: %d is not above zero", p.Bought.Purchase, p.Quantity)
	case l.Owner == "" && l.Ownership == lot.Company:
		return nil, fault.Precondition("owner_wrong", "lot %s: it is the company's already", l.ID)
	case l.Owner != p.Owner:
		return nil, fault.Precondition("owner_wrong", "lot %s: it belongs to %s, not to %s", l.ID, OwnerName(l.Owner), OwnerName(p.Owner))
	case p.At.Before(l.Born):
		return nil, fault.Precondition("before_birth", "lot %s: %s is before it came to be, at %s", l.ID, Stamp(p.At), Stamp(l.Born))
	}
	b.Once(fact)
	name := p.Bought.Purchase
	out, in := DrawKey(p.At, OwnerChange, name), FillKey(p.At, OwnerChange, name)
	if p.NewLot == p.Lot {
		if p.Quantity != l.Made || !b.Untouched(l, p.Place) {
			return nil, fault.Precondition("ticket_touched", "lot %s: only an untouched ticket bought whole keeps its code: %s were made, %s lie there, %s are bought",
				l.ID, Amount(l.Made, l.Measure), Amount(b.OnHand(Spot{l.ID, p.Place, l.Owner}), l.Measure), Amount(p.Quantity, l.Measure))
		}
		d := Draw{Lot: l, Place: p.Place, Quantity: p.Quantity, Key: out, Fact: fact}
		portions := b.anywhere(l, p.Place, p.Quantity)
		if err := b.take(d, portions); err != nil {
			return nil, err
		}
		b.Touch(l)
		l.Owner, l.Ownership = "", lot.Company
		b.PutPortions(l, p.Place, d, portions, in)
		return nil, nil
	}
	n, err := b.Bear(Birth{
		ID: p.NewLot, Claimant: p.Claimant, Item: l.Item, Measure: l.Measure, Ownership: lot.Company, Source: FromPurchase,
		Maker: string(l.ID), Party: l.Party, Born: p.At,
	})
	if err != nil {
		return nil, err
	}
	b.freeze(l, p.At)
	d := Draw{Lot: l, Place: p.Place, Quantity: p.Quantity, Key: out, Fact: fact}
	portions := b.anywhere(l, p.Place, p.Quantity)
	if err := b.take(d, portions); err != nil {
		return nil, err
	}
	b.PutPortions(n, p.Place, d, portions, in)
	b.Grow(n, p.Quantity, p.At)
	b.Join(string(l.ID), string(n.ID), fact)
	for _, f := range b.Flags(l.ID) {
		b.heldDrawn = append(b.heldDrawn, Marked{f.Hold, l.ID}) // nobody knows which part was bought
	}
	return b.HandDown(n, []Parent{{l.ID, b.Flags(l.ID), p.At}}, true, p.At), nil
}

// ComparePurchase takes a purchase that intake says. Title to goods that have moved was passed here first, so it must agree. Where nothing of it
// is here it passes now: that of an untouched ticket may have been passed at the station alone, and one that was passed here may have been lost
// with the time after an earlier moment to which the database went back.
func ComparePurchase(ctx context.Context, tx Tx, p Purchase) error {
	_, err := Buy(ctx, tx, p)
	return err
}

// compare holds a purchase to what the ledger has under its name.
func (p Purchase) compare(legs []Leg) error {
	var bought lot.Quantity
	for _, l := range legs {
		if l.Spot.Lot == p.NewLot && l.Quantity > 0 {
			bought += l.Quantity
		}
	}
	if bought != p.Quantity {
		return fault.Conflict("purchase_differs", "purchase %s: %d of lot %s were bought by it, the ledger has %d", p.Bought.Purchase, p.Quantity, p.NewLot, bought)
	}
	return nil
}
