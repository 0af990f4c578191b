// Package shipping lets goods leave and takes them back. What comes back is a lot of its own, held from birth, with the origins of what
// was shipped.
package shipping

import (
	"context"
	"math"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

// Line is a line of a shipment, with what came back of it.
type Line struct {
	lot.ShipmentLine
	Returned lot.Quantity
}

// Shipment is a shipment as it stands.
type Shipment struct {
	lot.Shipped // without its lines
	At          time.Time
	Lines       []*Line // by number
}

// Line finds a line by its number; 0 stands for the only one.
func (s *Shipment) Line(number int64) (*Line, error) {
	if number == 0 && len(s.Lines) == 1 {
		return s.Lines[0], nil
	}
	for _, l := range s.Lines {
		if l.Line == number {
			return l, nil
		}
	}
	if number == 0 {
		return nil, fault.Invalid("line_missing", "shipment %s: it has %d lines, say which", s.Shipment, len(s.Lines))
	}
	return nil, fault.NotFound("line_unknown", "shipment %s: it has no line %d", s.Shipment, number)
}

// Tx is what shipping needs of a transaction.
type Tx interface {
	stock.Tx
	// Shipment reads a shipment, which stands for good, and locks its lines; fault shipment_unknown where there is none.
	Shipment(ctx context.Context, id string) (*Shipment, error)
	// AddShipment writes a new shipment when the book is written; fault shipment_known, from there, where the id is in use.
	AddShipment(ctx context.Context, s *Shipment) error
	// SetLine changes a line.
	SetLine(ctx context.Context, shipment string, l *Line) error
	// NextCode gives the next lot code of inventory's own for a year.
	NextCode(ctx context.Context, year int) (lot.ID, error)
	// AddHold writes a new hold.
	AddHold(ctx context.Context, h *hold.Hold) error
}

// Order is an order to let goods leave.
type Order struct {
	lot.Shipped
	Disposition string // under which held goods leave; empty: none
	At          time.Time
}

// Ship lets goods leave. A custom client's goods leave to their owner only, a seller's own go back to the seller, the company's are sold, or
// go back to who brought them.
func Ship(ctx context.Context, tx Tx, o Order) ([]lot.Event, error) {
	events, err := ship(ctx, tx, o)
	if err == nil || !fault.Refused(err) || fault.KindOf(err) == fault.KindConflict {
		return events, err
	}
	if _, unknown := tx.Shipment(ctx, o.Shipment); unknown != nil {
		return nil, err
	}
	return nil, fault.Conflict("shipment_known", "shipment %s: this number is in use already", o.Shipment) // stands whatever else is mended
}

func ship(ctx context.Context, tx Tx, o Order) ([]lot.Event, error) {
	want := stock.Want{Parties: []lot.PartyID{o.Consignee}}
	o.Lines = slices.Clone(o.Lines)
	if err := number(&o.Shipped); err != nil {
		return nil, err
	}
	for _, l := range o.Lines {
		want.Lots = append(want.Lots, l.Lot)
	}
	b, err := stock.Open(ctx, tx, stock.ShipmentFact(o.Shipment), want)
	if err != nil {
		return nil, err
	}
	if err := b.When("shipment "+o.Shipment, o.At); err != nil {
		return nil, err
	}
	if err := b.Party(o.Consignee); err != nil {
		return nil, err
	}
	s := &Shipment{Shipped: o.Shipped, At: o.At}
	for _, l := range o.Lines {
		if err := Leave(b, s, l); err != nil {
			return nil, err
		}
		s.Lines = append(s.Lines, &Line{ShipmentLine: l})
	}
	if !b.Again() { // no event tells the disposition
		if err := b.SpentUnder(o.Disposition); err != nil {
			return nil, err
		}
	}
	if err := tx.AddShipment(ctx, s); err != nil {
		return nil, err
	}
	slices.Sort(want.Lots)
	event := lot.Event{Lots: slices.Compact(want.Lots), Effective: o.At, Body: o.Shipped}
	return b.CloseWithGains(ctx, tx, []lot.Event{event})
}

// number gives lines without a number their place in the list.
func number(s *lot.Shipped) error {
	seen := map[int64]bool{}
	for i := range s.Lines {
		l := &s.Lines[i]
		if l.Line == 0 {
			l.Line = int64(i + 1)
		}
		if l.Line < 0 || l.Line > math.MaxInt32 || seen[l.Line] {
			return fault.Invalid("line_repeated", "shipment %s: line %d: numbers are above zero and below 2^31, each once", s.Shipment, l.Line)
		}
		seen[l.Line] = true
		if l.Quantity <= 0 {
			return fault.Invalid("quantity_not_positive", "shipment %s, line %d: %d is not above zero", s.Shipment, l.Line, l.Quantity)
		}
	}
	return nil
}

// Leave adds the legs of a line.
func Leave(b *stock.Book, s *Shipment, line lot.ShipmentLine) error {
	l, err := b.Lot(line.Lot)
	if err != nil {
		return err
	}
	if err := mayLeave(l, s.ShipKind, s.Consignee); err != nil {
		return err
	}
	use := stock.ForReturn
	if s.ShipKind == lot.Sale {
		use = stock.ForSale
	}
	k, fact := stock.DrawKey(s.At, stock.Shipment, s.Shipment), LineFact(s.Shipment, line.Line)
	if _, err := b.Draw(stock.Draw{
		Lot: l, Place: line.Place, Quantity: line.Quantity, Containers: line.Containers, Use: use, Key: k, Fact: fact,
	}); err != nil {
		return err
	}
	b.Post(stock.AccountShipped, l.Measure, line.Quantity, k, fact)
	return nil
}

// mayLeave says who may receive a lot.
func mayLeave(l *stock.Lot, kind lot.ShipmentKind, to lot.PartyID) error {
	switch kind {
	case lot.Sale:
		if l.Ownership == lot.SellersOwn {
			return fault.Precondition("title_not_passed", "lot %s: it is still its seller's: buy it first, or give it back", l.ID)
		}
		if l.Owner != "" {
			return fault.Precondition("owner_wrong", "lot %s: it belongs to %s and cannot be sold; it leaves to its owner", l.ID, stock.OwnerName(l.Owner))
		}
	case lot.ReturnToOwner:
		if l.Ownership != lot.Custom || l.Owner != to {
			return fault.Precondition("owner_wrong", "lot %s: it belongs to %s, it cannot be handed back to %s", l.ID, stock.OwnerName(l.Owner), to)
		}
	case lot.ReturnToSeller:
		if l.Ownership == lot.Custom || l.Ownership == lot.SellersOwn && l.Owner != to && l.Party != to || l.Ownership == lot.Company && l.Party != to {
			return fault.Precondition("owner_wrong", "lot %s: %s did not bring it", l.ID, to)
		}
	default:
		return fault.Invalid("shipment_kind", "shipment kind %d: there is none such", kind)
	}
	return nil
}

// LineFact is a line of a shipment.
func LineFact(shipment string, line int64) string {
	return stock.ShipmentFact(shipment) + "/" + lineText(line)
}
