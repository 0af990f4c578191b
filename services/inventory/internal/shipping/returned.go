package shipping

import (
	"context"
	"strconv"
	"time"

	"github.com/google/uuid"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

func lineText(line int64) string { return strconv.FormatInt(line, 10) }

// Return is an order to take goods back.
type Return struct {
	lot.Returned        // origin, item, measure and owner are those of the line; an empty lot: inventory gives a code
	Claimant     string // of the code
	By           string
	At           time.Time
}

// Came is what goods that came back became.
type Came struct {
	Lot  lot.ID
	Hold string // the commercial hold they were born under
}

// TakeBack takes goods of a shipment line back as a new lot, held from birth: nobody knows where they have been. No more comes back than
// went out.
func TakeBack(ctx context.Context, tx Tx, r Return) (Came, []lot.Event, error) {
	came, events, err := takeBack(ctx, tx, r)
	return came, events, stock.InUse(ctx, tx, stock.ReturnFact(r.Return()), err)
}

func takeBack(ctx context.Context, tx Tx, r Return) (Came, []lot.Event, error) {
	s, err := tx.Shipment(ctx, r.Shipment)
	if err != nil {
		return Came{}, nil, err
	}
	line, err := s.Line(r.Line)
	if err != nil {
		return Came{}, nil, err
	}
	if r.Lot == "" {
		if r.Lot, err = tx.NextCode(ctx, r.At.UTC().Year()); err != nil {
			return Came{}, nil, err
		}
	}
	r.Line, r.Origin = line.Line, line.Lot
	b, err := stock.Open(ctx, tx, stock.ReturnFact(r.Return()), stock.Want{Lots: []lot.ID{r.Lot, r.Origin}, Born: []lot.ID{r.Lot}, Places: []lot.PlaceID{r.Place}})
	if err != nil {
		return Came{}, nil, err
	}
	l, err := r.enter(b, s, line)
	if err != nil {
		return Came{}, nil, err
	}
	line.Returned += r.Quantity
	if err := tx.SetLine(ctx, s.Shipment, line); err != nil {
		return Came{}, nil, err
	}
	said := lot.Event{Lots: []lot.ID{r.Lot, r.Origin}, Effective: r.At, Body: r.Returned}
	if b.Again() { // its hold was said by an event of its own
		return Came{Lot: r.Lot}, []lot.Event{said}, b.Close(ctx, tx)
	}
	h := &hold.Hold{PlacedBy: r.By, At: r.At, Held: lot.Held{
		Hold: holdOf(r.Return()), Class: lot.CommercialHold, Root: r.Lot, Lot: r.Lot, Reason: "came back from " + string(s.Consignee),
	}}
	if err := tx.AddHold(ctx, h); err != nil {
		return Came{}, nil, err
	}
	events := append([]lot.Event{said}, b.HandDown(l, []stock.Parent{{Lot: r.Lot, Flags: []stock.Flag{h.Flag()}}}, true, r.At)...)
	events = append(events, b.HandDown(l, []stock.Parent{{Lot: r.Origin, Flags: b.Flags(r.Origin), Drawn: s.At}}, false, r.At)...)
	return Came{Lot: r.Lot, Hold: h.Hold}, events, b.Close(ctx, tx)
}

// Return is the return's own id.
func (r *Return) Return() string { return r.Returned.Return }

// enter adds the birth, legs and edge, and fills in what the line says.
func (r *Return) enter(b *stock.Book, s *Shipment, line *Line) (*stock.Lot, error) {
	what := "return " + r.Return()
	if err := b.When(what, r.At); err != nil {
		return nil, err
	}
	if _, err := b.Place(r.Place); err != nil {
		return nil, err
	}
	if err := b.Enter(r.Place, r.Lot, ""); err != nil {
		return nil, err
	}
	origin, err := b.Lot(r.Origin)
	if err != nil {
		return nil, err
	}
	switch {
	case r.At.Before(s.At):
		return nil, fault.Precondition("before_shipment", "%s: %s is before shipment %s left, at %s", what, stock.Stamp(r.At), s.Shipment, stock.Stamp(s.At))
	case line.Returned+r.Quantity > line.Quantity:
		return nil, fault.Precondition("return_beyond", "%s: shipment %s, line %d: %s went out, %s came back already, %s more is too much", what,
			s.Shipment, line.Line, stock.Amount(line.Quantity, origin.Measure), stock.Amount(line.Returned, origin.Measure),
			stock.Amount(r.Quantity, origin.Measure))
	}
	r.Item, r.Measure, r.Owner = origin.Item, origin.Measure, origin.Owner
	l, err := b.Bear(stock.Birth{
		ID: r.Lot, Claimant: r.Claimant, Item: r.Item, Measure: r.Measure, Owner: r.Owner, Ownership: origin.Ownership,
		Source: stock.FromReturn, Maker: s.Shipment, Born: r.At,
	})
	if err != nil {
		return nil, err
	}
	fact, k := stock.ReturnFact(r.Return()), stock.FillKey(r.At, stock.Receipt, r.Return())
	b.Once(fact)
	b.Put(l, r.Place, r.Quantity, k, fact)
	b.Post(stock.AccountShipped, r.Measure, -r.Quantity, k, fact)
	b.Grow(l, r.Quantity, r.At)
	b.Join(string(r.Origin), string(r.Lot), fact)
	return l, nil
}

// holdOf is the id of a return's hold: the same whenever it is asked for.
func holdOf(name string) string {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte("huskline hold of return "+name)).String()
}
