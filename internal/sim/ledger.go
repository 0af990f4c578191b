package sim

import (
	"fmt"

	"huskline/internal/lot"
)

// spot is where goods of a lot lie.
type spot struct {
	lot   lot.ID
	place lot.PlaceID
}

// entry is a part of a fact, in one version of it, with what it adds to each spot.
type entry struct {
	fact    string
	version int64
	part    string
	legs    map[spot]lot.Quantity
}

// ledger is stock as the sum of facts by their natural keys: of a fact the parts of its highest version stand. It shares no code with the ledger
// that is simulated.
type ledger struct {
	facts map[string]*standing
}

type standing struct {
	version int64
	parts   map[string]map[spot]lot.Quantity
}

func newLedger() *ledger { return &ledger{facts: map[string]*standing{}} }

func (l *ledger) put(entries ...entry) {
	for _, e := range entries {
		s := l.facts[e.fact]
		if s == nil || e.version > s.version {
			s = &standing{e.version, map[string]map[spot]lot.Quantity{}}
			l.facts[e.fact] = s
		}
		if e.version == s.version {
			s.parts[e.part] = e.legs
		}
	}
}

// stock is what lies where.
func (l *ledger) stock() map[spot]lot.Quantity {
	out := map[spot]lot.Quantity{}
	for _, s := range l.facts {
		for _, legs := range s.parts {
			for at, q := range legs {
				out[at] += q
			}
		}
	}
	for at, q := range out {
		if q == 0 {
			delete(out, at)
		}
	}
	return out
}

// lies is what lies of a lot at a place.
func (l *ledger) lies(at spot) lot.Quantity {
	var sum lot.Quantity
	for _, s := range l.facts {
		for _, legs := range s.parts {
			sum += legs[at]
		}
	}
	return sum
}

// one is a fact of one part.
func one(fact string, version int64, legs map[spot]lot.Quantity) entry {
	return entry{fact, version, "", legs}
}

// entriesOf is what an event does to stock.
func entriesOf(body lot.Body) []entry {
	switch b := body.(type) {
	case lot.Received:
		return []entry{one("delivery/"+string(b.Lot), 1, map[spot]lot.Quantity{{b.Lot, b.Place}: b.Quantity})}
	case lot.DeliveryCorrected:
		return []entry{corrected(b)}
	case lot.Bought:
		if b.NewLot == b.Lot {
			return nil
		}
		return []entry{one("purchase/"+b.Purchase, 1, map[spot]lot.Quantity{{b.Lot, b.Place}: -b.Quantity, {b.NewLot, b.Place}: b.Quantity})}
	case lot.RunPosted:
		return runEntries(b)
	case lot.Poured:
		return []entry{one("pour/"+b.Pour, 1, map[spot]lot.Quantity{{b.Lot, b.Place}: -b.Quantity, {b.Bin, b.BinPlace}: b.Quantity})}
	case lot.BinEmptied:
		return []entry{one("emptying/"+b.Emptying, 1, map[spot]lot.Quantity{{b.Bin, b.Place}: -b.Remainder})}
	case lot.Adjusted:
		return []entry{one("adjustment/"+b.Adjustment, 1, map[spot]lot.Quantity{{b.Lot, b.Place}: b.Delta})}
	case lot.Shipped:
		var out []entry
		for _, l := range b.Lines {
			out = append(out, entry{"shipment/" + b.Shipment, 1, fmt.Sprint(l.Line), map[spot]lot.Quantity{{l.Lot, l.Place}: -l.Quantity}})
		}
		return out
	case lot.Returned:
		return []entry{one("return/"+b.Return, 1, map[spot]lot.Quantity{{b.Lot, b.Place}: b.Quantity})}
	case lot.Moved:
		return []entry{one("move/"+b.Movement, 1, map[spot]lot.Quantity{{b.Lot, b.From}: -b.Quantity, {b.Lot, b.To}: b.Quantity})}
	case lot.Corrected:
		return setEntries(b)
	}
	return nil
}

func corrected(d lot.DeliveryCorrected) entry {
	legs := map[spot]lot.Quantity{}
	if !d.Voided {
		legs[spot{d.Now.Lot, d.Now.Place}] = d.Now.Quantity
	}
	return one("delivery/"+string(d.Now.Lot), d.Version, legs)
}

func runEntries(r lot.RunPosted) []entry {
	fact := "run/" + string(r.Run)
	out := []entry{{fact, r.Version, "begun", nil}}
	for _, in := range r.Inputs {
		out = append(out, entry{fact, r.Version, fmt.Sprint("in ", in.Line), map[spot]lot.Quantity{{in.Lot, in.Place}: -in.Quantity}})
	}
	for _, o := range r.Outputs {
		out = append(out, entry{fact, r.Version, fmt.Sprint("out ", o.Line), map[spot]lot.Quantity{{o.Lot, o.Place}: o.Quantity}})
	}
	return out
}

func setEntries(c lot.Corrected) []entry {
	var out []entry
	for _, d := range c.Deliveries {
		out = append(out, corrected(d))
	}
	for _, r := range c.Runs {
		out = append(out, runEntries(r)...)
	}
	for _, p := range c.Pours {
		out = append(out, entriesOf(p)...)
	}
	for _, a := range c.Adjustments {
		out = append(out, entriesOf(a)...)
	}
	for _, s := range c.Shipments {
		out = append(out, entriesOf(s)...)
	}
	return out
}
