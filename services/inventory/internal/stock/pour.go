package stock

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Pour is an order to put pounds of a lot into a bin lot.
type Pour struct {
	lot.Poured           // item and measure are those of the lot poured
	Claimant   string    // of the bin lot's code
	At         time.Time // when
}

// PourLot pours. The first pour bears the bin lot. A bin lot that was drawn from, or seen empty, takes no more: its origins and cost stand.
func PourLot(ctx context.Context, tx Tx, p Pour) ([]lot.Event, error) {
	fact := PourFact(p.Poured.Pour)
	events, err := pourLot(ctx, tx, p, fact)
	return events, InUse(ctx, tx, fact, err)
}

func pourLot(ctx context.Context, tx Tx, p Pour, fact string) ([]lot.Event, error) {
	b, err := Open(ctx, tx, fact, Want{Lots: []lot.ID{p.Lot, p.Bin}, Born: []lot.ID{p.Bin}, Places: []lot.PlaceID{p.BinPlace}})
	if err != nil {
		return nil, err
	}
	if err := b.When(fact, p.At); err != nil {
		return nil, err
	}
	if bin := b.Find(p.Bin); bin != nil && !bin.Frozen.IsZero() {
		return nil, fault.Precondition("bin_drawn", "bin lot %s: it was drawn from or seen empty at %s, pour %s would change what was taken: "+
			"pour into a new bin lot, or correct the draws in the same set", p.Bin, Stamp(bin.Frozen), p.Poured.Pour)
	}
	b.Once(fact)
	if err := b.Pour(&p.Poured, p.Claimant, p.At); err != nil {
		return nil, err
	}
	bin := b.Find(p.Bin)
	events := []lot.Event{{Lots: []lot.ID{p.Bin, p.Lot}, Effective: p.At, Body: p.Poured}}
	events = append(events, b.HandDown(bin, []Parent{{p.Lot, b.Flags(p.Lot), p.At}}, true, p.At)...)
	return b.CloseWithGains(ctx, tx, events)
}

// Pour adds the legs, the birth and the edge of a pour, and fills in its item and measure.
func (b *Book) Pour(p *lot.Poured, claimant string, at time.Time) error {
	if p.Quantity <= 0 {
		return fault.Invalid("quantity_not_positive", "pour %s: %d is not above zero", p.Pour, p.Quantity)
	}
	from, err := b.Lot(p.Lot)
	if err != nil {
		return err
	}
	if p.Bin == p.Lot {
		return fault.Invalid("pour_into_itself", "pour %s: lot %s cannot be poured into itself", p.Pour, p.Lot)
	}
	p.Item, p.Measure = from.Item, from.Measure
	if err := b.bin(p, from, claimant, at); err != nil {
		return err
	}
	bin, fact := b.Find(p.Bin), PourFact(p.Pour)
	if _, err := b.Draw(Draw{Lot: from, Place: p.Place, Quantity: p.Quantity, Use: ForPour, Key: DrawKey(at, Transfer, p.Pour), Fact: fact}); err != nil {
		return err
	}
	b.Put(bin, p.BinPlace, p.Quantity, FillKey(at, Transfer, p.Pour), fact)
	b.Grow(bin, p.Quantity, at)
	b.Join(string(p.Lot), string(p.Bin), fact)
	return nil
}

// bin finds or bears the bin lot. A bin holds one lot at a time, of one owner.
func (b *Book) bin(p *lot.Poured, from *Lot, claimant string, at time.Time) error {
	if _, err := b.Place(p.BinPlace); err != nil {
		return err
	}
	drawn := lot.ID("")
	if p.Place == p.BinPlace {
		drawn = p.Lot
	}
	if err := b.Enter(p.BinPlace, p.Bin, drawn); err != nil {
		return err
	}
	bin := b.Find(p.Bin)
	if bin == nil || bin.Voided {
		_, err := b.Bear(Birth{
			ID: p.Bin, Claimant: claimant, Item: p.Item, Measure: p.Measure, Owner: from.Owner, Ownership: from.Ownership,
			Source: FromPour, Born: at,
		})
		return err
	}
	switch {
	case bin.Source != FromPour:
		return fault.Conflict("lot_born", "lot %s: it is no bin lot, its code is in use by a lot of %s %s", p.Bin, bin.Source, bin.Maker)
	case bin.Owner != from.Owner || bin.Ownership != from.Ownership:
		return fault.Precondition("owner_mixed", "bin lot %s belongs to %s, lot %s to %s: owners' nuts are never poured together", p.Bin,
			OwnerName(bin.Owner), p.Lot, OwnerName(from.Owner))
	case bin.Item != from.Item:
		return fault.Precondition("bin_item", "bin lot %s holds %s, lot %s is %s", p.Bin, bin.Item, p.Lot, from.Item)
	}
	return nil
}

// OwnerName prints an owner.
func OwnerName(p lot.PartyID) string {
	if p == "" {
		return "the company"
	}
	return string(p)
}

// Emptying is an order to note that a bin was seen empty.
type Emptying struct {
	Name  string
	Bin   lot.ID
	Place lot.PlaceID
	At    time.Time
}

// EmptyBin posts what the book still has of a bin lot to unaccounted and closes it. It gives that remainder, which may be nothing.
func EmptyBin(ctx context.Context, tx Tx, e Emptying) (lot.Quantity, []lot.Event, error) {
	fact := EmptyingFact(e.Name)
	b, err := Open(ctx, tx, fact, Want{Lots: []lot.ID{e.Bin}})
	if err != nil {
		return 0, nil, err
	}
	if err := b.When(fact, e.At); err != nil {
		return 0, nil, err
	}
	bin, err := b.Lot(e.Bin)
	if err != nil {
		return 0, nil, err
	}
	if bin.Source != FromPour {
		return 0, nil, fault.Precondition("bin_expected", "lot %s: it is no bin lot; adjust it for a reason", e.Bin)
	}
	if e.At.Before(bin.Born) {
		return 0, nil, fault.Precondition("before_birth", "lot %s: %s is before it came to be, at %s", bin.ID, Stamp(e.At), Stamp(bin.Born))
	}
	b.Once(fact)
	left := b.OnHand(Spot{bin.ID, e.Place, bin.Owner})
	k := DrawKey(e.At, Adjustment, e.Name)
	if err := b.take(Draw{Lot: bin, Place: e.Place, Quantity: left, Key: k, Fact: fact}, []Portion{{Quantity: left}}); err != nil {
		return 0, nil, err
	}
	b.Post(AccountUnaccounted, bin.Measure, left, k, fact)
	b.freeze(bin, e.At)
	b.change.Emptied = append(b.change.Emptied, Emptied{e.Name, Spot{bin.ID, e.Place, bin.Owner}, k.At})
	events := []lot.Event{{Lots: []lot.ID{e.Bin}, Effective: e.At, Body: lot.BinEmptied{
		Bin: e.Bin, Place: e.Place, Remainder: left, Emptying: e.Name,
	}}}
	return left, events, b.Close(ctx, tx)
}
