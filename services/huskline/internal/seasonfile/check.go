package seasonfile

import (
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// judge holds what the checks across rows look up. Rows are taken by their key even when broken, so that a name that stands in the folder is known.
type judge struct {
	season    *Season
	faults    *Faults
	parties   map[lot.PartyID]*Party
	items     map[lot.ItemID]*Item
	runs      map[lot.RunID]*Run
	lots      map[lot.ID]*born
	shipments map[string][]*Shipment
}

// origin says which kind of row a lot is born by.
type origin int

const (
	byDelivery origin = iota + 1
	byReceipt
	byRun
	byPour
	byReturn
)

// born is a lot as the row that bears it says; a bin lot stands with its first pour in file order.
type born struct {
	Where
	origin   origin
	hazy     bool // a cell of a row that bears it could not be read: its weight, time or owner is not judged
	delivery *Delivery
	item     lot.ItemID
	owner    lot.PartyID
	known    bool // owner and item are worked out
}

// check judges the rows against each other and gives the parts to their runs.
func check(s *Season, p parts, f *Faults) {
	j := &judge{season: s, faults: f, parties: map[lot.PartyID]*Party{}, items: map[lot.ItemID]*Item{}, runs: map[lot.RunID]*Run{},
		lots: map[lot.ID]*born{}, shipments: map[string][]*Shipment{}}
	j.keys()
	j.births(p)
	j.attach(p)
	j.references()
	for i := range s.Runs {
		j.run(&s.Runs[i])
	}
	j.graph()
	j.shipmentLines()
	j.returns()
	j.finalPrices()
	j.ledger()
}

// cell is a place down to the column.
type cell struct {
	Where
	field string
}

// once notes a natural key and lists a second row with it. The name says in the fault what stands there twice.
func once[K comparable](j *judge, seen map[K]Where, key K, at cell, name string) bool {
	if first, twice := seen[key]; twice {
		j.faults.add(at.Where, at.field, "duplicate", "%s stands already at %s; it must stand once", name, first)
		return false
	}
	seen[key] = at.Where
	return true
}

// keys takes the rows that stand for themselves by their natural keys.
func (j *judge) keys() {
	parties, items, runs := map[lot.PartyID]Where{}, map[lot.ItemID]Where{}, map[lot.RunID]Where{}
	for i := range j.season.Parties {
		if p := &j.season.Parties[i]; p.ID != "" && once(j, parties, p.ID, cell{p.Where, "party"}, string(p.ID)) {
			j.parties[p.ID] = p
		}
	}
	for i := range j.season.Items {
		if it := &j.season.Items[i]; it.ID != "" && once(j, items, it.ID, cell{it.Where, "item"}, string(it.ID)) {
			j.items[it.ID] = it
		}
	}
	for i := range j.season.Runs {
		if r := &j.season.Runs[i]; r.ID != "" && once(j, runs, r.ID, cell{r.Where, "run"}, string(r.ID)) {
			j.runs[r.ID] = r
		}
	}
	pours, adjustments, returns := map[string]Where{}, map[string]Where{}, map[string]Where{}
	for i := range j.season.Pours {
		p := &j.season.Pours[i]
		p.broken = p.ID == "" || !once(j, pours, p.ID, cell{p.Where, "pour"}, p.ID) || p.broken
	}
	for i := range j.season.Adjustments {
		a := &j.season.Adjustments[i]
		a.broken = a.ID == "" || !once(j, adjustments, a.ID, cell{a.Where, "adjustment"}, a.ID) || a.broken
	}
	for i := range j.season.Returns {
		r := &j.season.Returns[i]
		r.broken = r.ID == "" || !once(j, returns, r.ID, cell{r.Where, "return"}, r.ID) || r.broken
	}
}

// births takes every lot by the row that bears it. A code is never used again, so a second birth is a fault; only pours share one.
func (j *judge) births(p parts) {
	for i := range j.season.Deliveries {
		d := &j.season.Deliveries[i]
		b := &born{Where: d.Where, origin: byDelivery, hazy: d.broken, delivery: d, item: d.Item, known: true}
		if d.Ownership == lot.Custom {
			b.owner = d.Seller
		}
		d.broken = !j.bear(d.Lot, b, "lot") || d.broken
	}
	for i := range j.season.Receipts {
		r := &j.season.Receipts[i]
		r.broken = !j.bear(r.Lot, &born{Where: r.Where, origin: byReceipt, hazy: r.broken, item: r.Item, known: true}, "lot") || r.broken
	}
	for i := range p.outputs {
		o := &p.outputs[i]
		run := j.runs[o.Run]
		hazy := o.broken || run == nil || run.broken && o.FilledTo.IsZero()
		o.broken = !j.bear(o.Lot, &born{Where: o.Where, origin: byRun, hazy: hazy, item: o.Item}, "lot") || o.broken
	}
	for i := range j.season.Returns {
		r := &j.season.Returns[i]
		r.broken = !j.bear(r.Lot, &born{Where: r.Where, origin: byReturn, hazy: r.broken}, "lot") || r.broken
	}
	for i := range j.season.Pours {
		po := &j.season.Pours[i]
		if b := j.lots[po.Bin]; b != nil && b.origin == byPour {
			b.hazy = b.hazy || po.broken
			continue
		}
		po.broken = !j.bear(po.Bin, &born{Where: po.Where, origin: byPour, hazy: po.broken}, "bin_lot") || po.broken
	}
}

func (j *judge) bear(id lot.ID, b *born, field string) bool {
	if id == "" {
		return false
	}
	if first := j.lots[id]; first != nil {
		j.faults.add(b.Where, field, "lot_born_twice", "lot %s is born already at %s; a code is never used again", id, first.Where)
		first.hazy = true
		return false
	}
	j.lots[id] = b
	return true
}

// attach gives inputs, outputs and contributions to their runs.
func (j *judge) attach(p parts) {
	type dump struct {
		run  lot.RunID
		lot  lot.ID
		from time.Time
	}
	dumps := map[dump]Where{}
	for _, i := range p.inputs {
		fresh := once(j, dumps, dump{i.Run, i.Lot, i.DumpedFrom}, cell{i.Where, "lot"}, "the input "+string(i.Lot)+" of run "+string(i.Run))
		i.broken = i.broken || !fresh
		if r := j.runOf(i.Run, i.Where); r != nil {
			r.Inputs = append(r.Inputs, i)
		}
	}
	for _, o := range p.outputs {
		if r := j.runOf(o.Run, o.Where); r != nil {
			r.Outputs = append(r.Outputs, o)
		}
	}
	type share struct {
		run           lot.RunID
		input, output lot.ID
	}
	shares := map[share]Where{}
	for _, c := range p.contributions {
		fresh := once(j, shares, share{c.Run, c.Input, c.Output}, cell{c.Where, "output_lot"}, "what "+string(c.Input)+" gave to "+string(c.Output))
		c.broken = c.broken || !fresh
		if r := j.runOf(c.Run, c.Where); r != nil {
			r.Contributions = append(r.Contributions, c)
		}
	}
}

func (j *judge) runOf(id lot.RunID, at Where) *Run {
	r := j.runs[id]
	if r == nil && id != "" {
		j.faults.add(at, "run", "run_unknown", "run %s: no row of %s has it", id, RunsFile)
	}
	return r
}

// references lists names of parties, items and lots that no row stands for.
func (j *judge) references() {
	s := j.season
	for i := range s.Deliveries {
		d := &s.Deliveries[i]
		j.party(d.Seller, d.Where, "seller")
		j.item(d.Item, d.Where, "item")
		if p := j.parties[d.Seller]; p != nil && !p.broken && d.Ownership == lot.Custom && p.Role != lot.CustomClient {
			j.faults.add(d.Where, "ownership", "owner_not_custom_client", "custom nuts of party %s, whose role is not custom_client", d.Seller)
		}
		if it := j.items[d.Item]; it != nil && !it.broken && it.Kind != lot.InShell {
			j.faults.add(d.Where, "item", "item_not_in_shell", "item %s is not in-shell nuts; a delivery brings nothing else", d.Item)
		}
	}
	for i := range s.Receipts {
		j.party(s.Receipts[i].Supplier, s.Receipts[i].Where, "supplier")
		j.item(s.Receipts[i].Item, s.Receipts[i].Where, "item")
	}
	for i := range s.Runs {
		for _, in := range s.Runs[i].Inputs {
			j.lot(in.Lot, in.Where, "lot")
		}
		for _, o := range s.Runs[i].Outputs {
			j.item(o.Item, o.Where, "item")
		}
	}
	for i := range s.Pours {
		j.lot(s.Pours[i].Lot, s.Pours[i].Where, "lot")
	}
	for i := range s.Adjustments {
		j.lot(s.Adjustments[i].Lot, s.Adjustments[i].Where, "lot")
	}
	for i := range s.Shipments {
		j.party(s.Shipments[i].Customer, s.Shipments[i].Where, "customer")
		j.lot(s.Shipments[i].Lot, s.Shipments[i].Where, "lot")
	}
}

func (j *judge) party(id lot.PartyID, at Where, field string) {
	if id != "" && j.parties[id] == nil {
		j.faults.add(at, field, "party_unknown", "party %s: no row of %s has it", id, PartiesFile)
	}
}

func (j *judge) item(id lot.ItemID, at Where, field string) {
	if id != "" && j.items[id] == nil {
		j.faults.add(at, field, "item_unknown", "item %s: no row of %s has it", id, ItemsFile)
	}
}

func (j *judge) lot(id lot.ID, at Where, field string) {
	if id != "" && j.lots[id] == nil {
		j.faults.add(at, field, "lot_unknown", "lot %s: no delivery, receipt, run, pour or return of the folder bears it", id)
	}
}

// sum adds weights; where the total leaves the range it lists the row and tells so.
func (j *judge) sum(total *weight.Mass, m weight.Mass, at Where, field string) bool {
	t, err := weight.Add(*total, m)
	if err != nil {
		j.faults.addErr(at, field, err)
		return false
	}
	*total = t
	return true
}
