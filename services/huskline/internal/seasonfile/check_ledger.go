package seasonfile

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// class orders what happens to a lot at one instant: receipts and returns, runs, pours, adjustments, shipments.
type class int

const (
	atReceipt class = iota
	atRun
	atPour
	atAdjustment
	atShipment
)

// entry is pounds that came to a lot or left it.
type entry struct {
	at    time.Time
	class class
	birth bool // an output of a run: before any other run of the same instant, since those were made from it
	key   string
	delta weight.Mass
	row   row
	field string
}

// ledger wants every lot's balance to be never below zero in the season's time order, and nothing drawn before the lot was there.
func (j *judge) ledger() {
	entries := make(map[lot.ID][]entry, len(j.lots))
	put := func(id lot.ID, e entry) {
		b := j.lots[id]
		if b == nil {
			return
		}
		if e.row.broken && e.delta >= 0 {
			b.hazy = true
		}
		if !e.row.broken {
			entries[id] = append(entries[id], e)
		}
	}
	s := j.season
	for i := range s.Deliveries {
		d := &s.Deliveries[i]
		put(d.Lot, entry{at: d.Time, class: atReceipt, delta: d.Gross - d.Tare, row: d.row, field: "lot"})
	}
	for i := range s.Receipts {
		r := &s.Receipts[i]
		put(r.Lot, entry{at: r.Time, class: atReceipt, delta: r.Weight, row: r.row, field: "lot"})
	}
	for i := range s.Returns {
		r := &s.Returns[i]
		put(r.Lot, entry{at: r.Time, class: atReceipt, key: r.ID, delta: r.Weight, row: r.row, field: "lot"})
	}
	for i := range s.Runs {
		j.runEntries(&s.Runs[i], put)
	}
	for i := range s.Pours {
		p := &s.Pours[i]
		put(p.Bin, entry{at: p.Time, class: atPour, key: p.ID, delta: p.Weight, row: p.row, field: "bin_lot"})
		put(p.Lot, entry{at: p.Time, class: atPour, key: p.ID, delta: -p.Weight, row: p.row, field: "lot"})
	}
	for i := range s.Adjustments {
		a := &s.Adjustments[i]
		put(a.Lot, entry{at: a.Time, class: atAdjustment, key: a.ID, delta: a.Delta, row: a.row, field: "delta_lb"})
	}
	for i := range s.Shipments {
		x := &s.Shipments[i]
		put(x.Lot, entry{at: x.Time, class: atShipment, key: x.ID, delta: -x.Weight, row: x.row, field: "weight_lb"})
	}
	for _, id := range slices.Sorted(maps.Keys(j.lots)) {
		if b := j.lots[id]; !b.hazy {
			j.balance(id, b, entries[id])
		}
	}
}

func (j *judge) runEntries(r *Run, put func(lot.ID, entry)) {
	if j.runs[r.ID] != r {
		return
	}
	for _, in := range r.Inputs {
		if r.broken && in.DumpedFrom.IsZero() {
			continue
		}
		put(in.Lot, entry{at: in.Left(r), class: atRun, key: string(r.ID), delta: -in.Weight, row: in.row, field: "weight_lb"})
	}
	for _, o := range r.Outputs {
		put(o.Lot, entry{at: o.Appeared(r), class: atRun, birth: true, key: string(r.ID), delta: o.Weight, row: o.row, field: "lot"})
	}
}

// balance walks through a lot's entries in time order. An entry that is refused is left out of what follows, so that each fault stands for itself.
func (j *judge) balance(id lot.ID, b *born, entries []entry) {
	slices.SortStableFunc(entries, func(x, y entry) int {
		return cmp.Or(x.at.Compare(y.at), cmp.Compare(x.class, y.class), -cmp.Compare(ordinal(x.birth), ordinal(y.birth)), cmp.Compare(x.key, y.key))
	})
	first := slices.IndexFunc(entries, func(e entry) bool { return j.bears(b, e) })
	if first < 0 {
		return
	}
	var have weight.Mass
	var drawn *entry
	for i := range entries {
		e := &entries[i]
		switch {
		case i < first:
			j.faults.add(e.row.Where, e.field, "lot_not_there_yet", "lot %s is used at %s, before it was there at %s (%s)", id, stamp(e.at),
				stamp(entries[first].at), b.Where)
		case e.class == atPour && e.delta > 0 && drawn != nil:
			j.faults.add(e.row.Where, e.field, "bin_drawn_already", "bin lot %s is poured into at %s, after it was first drawn at %s (%s); it needs a new bin lot",
				id, stamp(e.at), stamp(drawn.at), drawn.row.Where)
		case have+e.delta < 0 && e.delta < 0:
			j.faults.add(e.row.Where, e.field, "lot_below_zero", "lot %s: %s lb leave at %s, when %s lb are on hand; a lot is never below zero", id, -e.delta,
				stamp(e.at), have)
		default:
			if e.delta < 0 && drawn == nil {
				drawn = e
			}
			if !j.sum(&have, e.delta, e.row.Where, e.field) {
				return
			}
		}
	}
}

// bears tells whether an entry is one by which the lot is born.
func (j *judge) bears(b *born, e entry) bool {
	switch b.origin {
	case byDelivery, byReceipt, byReturn:
		return e.class == atReceipt
	case byRun:
		return e.birth
	case byPour:
		return e.class == atPour && e.delta > 0
	}
	return false
}

func ordinal(b bool) int {
	if b {
		return 1
	}
	return 0
}

// shipmentLines wants the rows of one shipment to agree, each lot on one of them, and an owner's nuts to go to nobody else.
func (j *judge) shipmentLines() {
	for i := range j.season.Shipments {
		s := &j.season.Shipments[i]
		if s.broken {
			continue
		}
		first := j.shipmentsOf(s.ID)[0]
		for _, other := range j.shipmentsOf(s.ID) {
			if other == s {
				break
			}
			if other.Lot == s.Lot {
				j.faults.add(s.Where, "shipment", "duplicate", "lot %s of shipment %s stands already at %s; it must stand once", s.Lot, s.ID, other.Where)
				s.broken = true
				break
			}
		}
		if !first.broken && (!s.Time.Equal(first.Time) || s.Customer != first.Customer || s.Channel != first.Channel || s.Carrier != first.Carrier ||
			s.Document != first.Document) {
			j.faults.add(s.Where, "shipment", "shipment_lines_differ",
				"shipment %s stands already at %s with another time, customer, channel, carrier or document; its lines must agree", s.ID, first.Where)
		}
		j.consignee(s)
	}
}

func (j *judge) consignee(s *Shipment) {
	b := j.lots[s.Lot]
	switch {
	case b == nil || !b.known:
	case b.owner != "" && b.owner != s.Customer:
		j.faults.add(s.Where, "customer", "another_owners_lot", "lot %s belongs to %s and may go to nobody else; the customer is %s", s.Lot,
			ownerName(b.owner), s.Customer)
	case b.owner == "" && s.Channel == ReturnToOwner:
		j.faults.add(s.Where, "channel", "no_owner_to_return_to", "lot %s belongs to the company; only an owner's lot goes by %q", s.Lot, ReturnToOwner)
	}
}

// returns wants what came back to have left before, and no more than left.
func (j *judge) returns() {
	back := map[string]weight.Mass{}
	for i := range j.season.Returns {
		r := &j.season.Returns[i]
		lines := j.shipmentsOf(r.Shipment)
		switch {
		case r.Shipment == "" || r.broken:
			continue
		case len(lines) == 0:
			j.faults.add(r.Where, "shipment", "shipment_unknown", "shipment %s: no row of %s has it", r.Shipment, ShipmentsFile)
			continue
		case len(lines) > 1:
			j.faults.add(r.Where, "shipment", "shipment_of_many_lines", "shipment %s has %d lines; a return must name a shipment of one", r.Shipment, len(lines))
			continue
		case lines[0].broken:
			continue
		}
		left := lines[0]
		if !r.Time.After(left.Time) {
			j.faults.add(r.Where, "time", "returned_before_shipped", "returned at %s; shipment %s left at %s, and a return must come after", stamp(r.Time),
				r.Shipment, stamp(left.Time))
		}
		if left.Weight-back[r.Shipment] < r.Weight {
			j.faults.add(r.Where, "weight_lb", "returned_above_shipped", "%s lb come back of shipment %s, of which %s lb left and %s lb came back before",
				r.Weight, r.Shipment, left.Weight, back[r.Shipment])
			continue
		}
		back[r.Shipment] += r.Weight
	}
}

// finalPrices wants a final price to name a delivery that was bought, after it came, and once at a time.
func (j *judge) finalPrices() {
	type key struct {
		lot lot.ID
		at  int64
	}
	seen := map[key]Where{}
	for i := range j.season.FinalPrices {
		f := &j.season.FinalPrices[i]
		if f.broken {
			continue
		}
		fresh := once(j, seen, key{f.Lot, f.Time.UnixMicro()}, cell{f.Where, "lot"}, "the final price of "+string(f.Lot)+" at "+stamp(f.Time))
		b := j.lots[f.Lot]
		switch {
		case !fresh:
		case b == nil:
			j.lot(f.Lot, f.Where, "lot")
		case b.origin != byDelivery:
			j.faults.add(f.Where, "lot", "not_a_delivery", "lot %s is no delivery (%s); only a delivery has a final price", f.Lot, b.Where)
		case b.hazy:
		case b.delivery.Ownership == lot.Custom:
			j.faults.add(f.Where, "lot", "custom_priced", "lot %s is custom nuts, bought by nobody; it has no final price", f.Lot)
		case f.Time.Before(b.delivery.Time):
			j.faults.add(f.Where, "time", "lot_not_there_yet", "the price of lot %s is settled at %s, before it was delivered at %s", f.Lot, stamp(f.Time),
				stamp(b.delivery.Time))
		}
	}
}
