package sim

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/shipping"
	"huskline/services/inventory/internal/stock"
)

// Write writes a change. The constraints that keep a name from being used twice, and a balance from going below nothing, hold here too.
func (t *tx) Write(_ context.Context, c *stock.Change) error {
	for _, f := range c.Facts {
		if t.s.facts.Has(f) {
			return fault.Conflict("fact_known", "what this command records has a number that is in use already")
		}
		t.s.facts.Put(f, true)
	}
	for _, claim := range c.Claims {
		if t.s.claims.Has(claim.Lot) {
			return fault.Unavailable(stock.Raced, "a lot code of this command came into use by another one just now")
		}
		t.s.claims.Put(claim.Lot, claim.Claimant)
	}
	for _, l := range c.Lots {
		if l.Made < 0 || l.Made == 0 && !l.Voided {
			return fault.Bug("lot %s: made with %d, voided %t", l.ID, l.Made, l.Voided)
		}
		t.s.lots.Put(l.ID, plain(l))
	}
	t.s.legs.Add(c.Legs...)
	t.s.emptied.Add(c.Emptied...)
	for spot, b := range c.Balances {
		if b.Quantity < 0 {
			return fault.Bug("a balance was to be written below zero: %v: %d", spot, b.Quantity)
		}
		t.s.balances.Put(spotKey(spot), balance{spot, b})
	}
	for _, k := range c.Containers {
		t.s.containers.Put(key(string(k.Lot), k.Code, string(k.Place)), stock.Container{
			Lot: k.Lot, Code: k.Code, Place: k.Place, Quantity: k.Quantity, FilledFrom: k.FilledFrom, FilledTo: k.FilledTo,
		})
	}
	t.writeEdges(c)
	t.writeRuns(c)
	return t.writeHolds(c)
}

// plain is a lot without what its book noted of it.
func plain(l *stock.Lot) stock.Lot {
	return stock.Lot{
		ID: l.ID, Item: l.Item, Measure: l.Measure, Owner: l.Owner, Ownership: l.Ownership, Source: l.Source, Maker: l.Maker, Party: l.Party,
		Made: l.Made, Born: l.Born, Version: l.Version, Voided: l.Voided, Frozen: l.Frozen,
	}
}

func (t *tx) writeEdges(c *stock.Change) {
	for _, fact := range c.Cut {
		for k, e := range t.s.edges.All() {
			if e.Fact == fact {
				t.s.edges.Delete(k)
			}
		}
	}
	for _, e := range c.Edges {
		t.s.edges.Put(key(e.Parent, e.Child, e.Fact), e)
	}
}

func (t *tx) writeRuns(c *stock.Change) {
	for _, r := range c.Runs {
		t.s.runs.Put(r.ID, stock.RunState{ID: r.ID, Version: r.Version, Stage: r.Stage, Owner: r.Owner, Final: r.Final})
	}
	for _, l := range c.Lines {
		before, _ := t.s.lines.Get(l.Run)
		t.s.lines.Put(l.Run, append(before[:len(before):len(before)], l))
	}
	for id, table := range c.Contributions {
		t.s.tables.Put(id, table)
	}
}

func (t *tx) writeHolds(c *stock.Change) error {
	for _, m := range c.Flags {
		k := key(string(m.Lot), m.Hold)
		if f, ok := t.s.flags.Get(k); !ok || f.inherited {
			t.s.flags.Put(k, flag{Marked: m})
		}
	}
	for _, s := range c.Spared {
		if k := key(string(s.Lot), s.Hold); !t.s.flags.Has(k) {
			t.s.flags.Put(k, flag{Marked: s.Marked, excluded: true, inherited: true, reason: s.Reason})
		}
	}
	for _, m := range c.Spread {
		if h, ok := t.s.holds.Get(m.Hold); ok && !h.Ended {
			t.s.frontier.Put(key(m.Hold, string(m.Lot)), m)
		}
	}
	for _, s := range c.Spent {
		d, _ := t.s.dispositions.Get(s.ID)
		d.spent += s.Quantity
		if d.spent > d.Quantity {
			return fault.Bug("disposition %s: %d of %d are spent", s.ID, d.spent, d.Quantity)
		}
		t.s.dispositions.Put(s.ID, d)
	}
	return nil
}

// Hold finds a hold.
func (t *tx) Hold(_ context.Context, id string) (*hold.Hold, error) {
	h, ok := t.s.holds.Get(id)
	if !ok {
		return nil, fault.NotFound("hold_unknown", "hold %s: there is none of this number", id)
	}
	h.Lot = h.Root
	return &h, nil
}

// AddHold writes a new hold.
func (t *tx) AddHold(_ context.Context, h *hold.Hold) error {
	if t.s.holds.Has(h.Held.Hold) {
		return fault.Conflict("hold_known", "the hold's number is in use already")
	}
	t.s.holds.Put(h.Held.Hold, *h)
	return nil
}

// End releases a hold.
func (t *tx) End(_ context.Context, id, by, _ string) error {
	h, _ := t.s.holds.Get(id)
	if h.Recall && by == h.PlacedBy {
		return fault.Bug("hold %s: %s placed it for a recall and releases it", id, by)
	}
	h.Ended = true
	t.s.holds.Put(id, h)
	for k, m := range t.s.frontier.All() {
		if m.Hold == id {
			t.s.frontier.Delete(k)
		}
	}
	return nil
}

// Exclude takes a lot out of a hold.
func (t *tx) Exclude(_ context.Context, m stock.Marked, _, reason string) error {
	t.s.flags.Put(key(string(m.Lot), m.Hold), flag{Marked: m, excluded: true, reason: reason})
	return nil
}

// AddDisposition writes a disposition.
func (t *tx) AddDisposition(_ context.Context, d lot.Disposed, _ string) error {
	if t.s.dispositions.Has(d.DispositionID) {
		return fault.Conflict("disposition_known", "the disposition's number is in use already")
	}
	t.s.dispositions.Put(d.DispositionID, disposition{Disposed: d, number: t.s.dispositions.Len()})
	return nil
}

// HoldLots are the lots a hold lies on, in key order.
func (t *tx) HoldLots(_ context.Context, id string) ([]lot.ID, error) {
	var out []lot.ID
	for _, f := range t.s.flags.All() {
		if f.Hold == id && !f.excluded {
			out = append(out, f.Lot)
		}
	}
	return out, nil
}

// Shipment finds a shipment.
func (t *tx) Shipment(_ context.Context, id string) (*shipping.Shipment, error) {
	s, ok := t.s.shipments.Get(id)
	if !ok {
		return nil, fault.NotFound("shipment_unknown", "shipment %s: there is none of this number", id)
	}
	out := s
	out.Lines = nil
	for _, l := range s.Lines {
		line := *l
		out.Lines = append(out.Lines, &line)
	}
	return &out, nil
}

// AddShipment writes a new shipment.
func (t *tx) AddShipment(_ context.Context, s *shipping.Shipment) error {
	id := s.Shipped.Shipment
	if t.s.shipments.Has(id) {
		return fault.Conflict("shipment_known", "the shipment's number is in use already")
	}
	t.s.shipments.Put(id, *s)
	return nil
}

// SetLine changes a line.
func (t *tx) SetLine(ctx context.Context, shipment string, changed *shipping.Line) error {
	s, err := t.Shipment(ctx, shipment)
	if err != nil {
		return err
	}
	if changed.Returned > changed.Quantity {
		return fault.Bug("shipment %s, line %d: more came back than went out", shipment, changed.Line)
	}
	for i, l := range s.Lines {
		if l.Line == changed.Line {
			line := *changed
			s.Lines[i] = &line
		}
	}
	t.s.shipments.Put(shipment, *s)
	return nil
}

// PutPlace registers a place.
func (t *tx) PutPlace(_ context.Context, p stock.NamedPlace) error {
	t.s.places.Put(p.ID, p)
	return nil
}

// PutReason registers a reason of adjustment.
func (t *tx) PutReason(_ context.Context, reason string, a lot.Account) error {
	t.s.reasons.Put(reason, a)
	return nil
}

// PutItem takes note of an item; an older telling does not replace a newer one.
func (t *tx) PutItem(_ context.Context, i lot.ItemChanged, at time.Time) error {
	if have, ok := t.s.items.Get(i.Item); ok && have.at.After(at) {
		return nil
	}
	t.s.items.Put(i.Item, item{stock.Item{ID: i.Item, Kind: i.ItemKind, Measure: i.Measure}, lot.Quantity(i.Unit), at})
	return nil
}

// PutParty takes note of a party.
func (t *tx) PutParty(_ context.Context, p lot.PartyChanged, _ time.Time) error {
	t.s.parties.Put(p.Party, true)
	return nil
}
