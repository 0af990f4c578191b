package stock

import (
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Receive bears a lot that intake said came in. Intake has decided: a fault here is one of the records, for a person to look at.
// A bin that holds another lot is none: the event tells that the pounds lie there, and to refuse it would lose them.
func Receive(ctx context.Context, tx Tx, r lot.Received, claimant string, at time.Time) error {
	fact := DeliveryFact(r.Lot)
	b, err := Open(ctx, tx, fact, Want{Lots: []lot.ID{r.Lot}, Born: []lot.ID{r.Lot}})
	if err != nil {
		return err
	}
	if have, ok := b.known.Claims[r.Lot]; ok {
		claimant = have // intake may use what anybody claimed for it: it issued the code or claimed it itself
	}
	if l := b.Find(r.Lot); l != nil && l.Voided {
		legs, err := tx.FactLegs(ctx, []string{fact})
		if err != nil {
			return err
		}
		if len(legs) == 0 {
			return nil // voided before it was born: it never was
		}
	}
	l, err := b.receive(r, claimant, at)
	if err != nil {
		return err
	}
	b.Once(fact)
	b.gate(l, r, at)
	return b.Close(ctx, tx)
}

func (b *Book) receive(r lot.Received, claimant string, at time.Time) (*Lot, error) {
	if r.Quantity <= 0 {
		return nil, fault.Invalid("quantity_not_positive", "lot %s: %d came in, it must be above zero", r.Lot, r.Quantity)
	}
	return b.Bear(birthOf(r, claimant, at))
}

func birthOf(r lot.Received, claimant string, at time.Time) Birth {
	source := FromDelivery
	if r.Source == lot.IngredientReceipt {
		source = FromIngredient
	}
	return Birth{
		ID: r.Lot, Claimant: claimant, Item: r.Item, Measure: r.Measure, Owner: r.Owner, Ownership: r.Ownership, Source: source,
		Party: r.Party, Born: at,
	}
}

// neverWas bears a lot voided. Its delivery is told here never, not yet, or in quarantine as one that cannot be true; when it is told it is
// applied as nothing.
func (b *Book) neverWas(d lot.DeliveryCorrected, at time.Time) error {
	claimant, ok := b.known.Claims[d.Now.Lot]
	if !ok {
		claimant = ByEvent + "that voids it"
	}
	l, err := b.Bear(birthOf(d.Now, claimant, at))
	if err != nil {
		return err
	}
	l.Version, l.Voided = d.Version, true
	return nil
}

// gate adds the legs by which a lot comes in.
func (b *Book) gate(l *Lot, r lot.Received, at time.Time) {
	fact, k := DeliveryFact(r.Lot), FillKey(at, Receipt, string(r.Lot))
	b.Put(l, r.Place, r.Quantity, k, fact)
	b.Post(AccountGate, r.Measure, -r.Quantity, k, fact)
	b.Grow(l, r.Quantity, at)
}

// CorrectDelivery puts the legs of a delivery as corrected, by a set of a time, in place of those reversed. The nuts came in when they came in.
// One that is voided and is not here stands as never having been.
func (b *Book) CorrectDelivery(d lot.DeliveryCorrected, at time.Time) error {
	l := b.Find(d.Now.Lot)
	switch {
	case l == nil && d.Voided && d.Version > 1:
		return b.neverWas(d, at)
	case l == nil:
		return fault.NotFound("lot_unknown", "lot %s: there is none of this code", d.Now.Lot)
	case l.Source != FromDelivery && l.Source != FromIngredient:
		return fault.Conflict("delivery_expected", "lot %s: it did not come in at the gate, it is of %s %s", l.ID, l.Source, l.Maker)
	case l.titlePassed(b.change.Legs): // those that the set takes back
		return fault.Precondition("title_passed", "lot %s: it was bought under its own code; its pounds stand as they were bought", l.ID)
	case d.Version != l.Version+1:
		return fault.Conflict("delivery_version", "lot %s: version %d does not follow version %d", l.ID, d.Version, l.Version)
	}
	b.Touch(l)
	l.Version, l.Voided, l.Made = d.Version, d.Voided, 0
	if d.Voided {
		return nil
	}
	if d.Now.Quantity <= 0 {
		return fault.Invalid("quantity_not_positive", "lot %s: %d came in, it must be above zero", l.ID, d.Now.Quantity)
	}
	l.Item, l.Measure, l.Owner, l.Ownership, l.Party = d.Now.Item, d.Now.Measure, d.Now.Owner, d.Now.Ownership, d.Now.Party
	b.gate(l, d.Now, l.Born)
	return nil
}

// titlePassed tells whether a ticket was bought whole under its own code: then it came in, by the legs of its delivery as they stand, for
// another than its owner. That it once lay there for another tells nothing: the delivery may have been corrected.
func (l *Lot) titlePassed(legs []Leg) bool {
	return slices.ContainsFunc(legs, func(g Leg) bool {
		return g.Fact == DeliveryFact(l.ID) && g.Spot.Lot == l.ID && g.Quantity != 0 && g.Spot.Owner != l.Owner
	})
}

// CompareDelivery takes note of a correction that intake says. What moves pounds was posted here before intake could say it, so it must
// agree; one that moves none (a price, a sample, the pay weight) only raises the version.
func CompareDelivery(ctx context.Context, tx Tx, d lot.DeliveryCorrected) error {
	b, err := Open(ctx, tx, "compare/"+string(d.Now.Lot), Want{Lots: []lot.ID{d.Now.Lot}})
	if err != nil {
		return err
	}
	l := b.Find(d.Now.Lot)
	if l == nil {
		return fault.NotFound("lot_unknown", "lot %s: there is none of this code", d.Now.Lot)
	}
	if d.Version < l.Version {
		return nil
	}
	legs, err := tx.FactLegs(ctx, []string{DeliveryFact(l.ID)})
	if err != nil {
		return err
	}
	if d.Voided != l.Voided || !d.Voided && (d.Now.Quantity != l.Made || d.Now.Measure != l.Measure || d.Now.Owner != l.Owner && !l.titlePassed(legs)) {
		return fault.Conflict("delivery_differs", "lot %s, version %d: intake says %s of %s, voided %t; the ledger has %s of %s, voided %t", l.ID, d.Version,
			Amount(d.Now.Quantity, d.Now.Measure), OwnerName(d.Now.Owner), d.Voided, Amount(l.Made, l.Measure), OwnerName(l.Owner), l.Voided)
	}
	if d.Version == l.Version && l.Item == d.Now.Item && l.Party == d.Now.Party {
		return nil
	}
	b.Touch(l)
	l.Version, l.Item, l.Party = d.Version, d.Now.Item, d.Now.Party
	return b.Close(ctx, tx)
}
