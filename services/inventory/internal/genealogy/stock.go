package genealogy

import (
	"cmp"
	"slices"

	"huskline/internal/lot"
)

// runPosted takes a posting in: of a higher version it replaces all lines, of the same it adds those not told yet, of a lower nothing.
func (x *Index) runPosted(b lot.RunPosted) {
	n := x.run(b.Run)
	r := &x.runs[n]
	if b.Version < r.version {
		return
	}
	if b.Version > r.version {
		for i := r.first; i != none; i = x.legs[i].mate {
			x.kill(i)
		}
		*r = run{id: r.id, version: b.Version, first: none}
	}
	r.stage, r.owner, r.final = b.Stage, x.party(b.Owner), r.final || b.Final
	if b.GainReason != "" {
		r.gainReason = b.GainReason
	}
	for i := range b.Inputs {
		in := &b.Inputs[i]
		if x.runLineTold(r, input, int32(in.Line)) {
			continue
		}
		r.first = x.enter(leg{
			quantity: in.Quantity, at: micros(in.At), lot: x.lot(in.Lot), peer: n, mate: r.first, line: int32(in.Line), kind: input,
		}, in.Place)
	}
	for i := range b.Outputs {
		out := &b.Outputs[i]
		if x.runLineTold(r, output, int32(out.Line)) {
			continue
		}
		to := x.lot(out.Lot)
		made := &x.lots[to]
		made.item, made.owner, made.measure = x.item(out.Item), x.party(out.Owner), uint8(out.Measure)
		r.first = x.enter(leg{
			quantity: out.Quantity, at: micros(out.At), lot: to, peer: n, mate: r.first, line: int32(out.Line), kind: output,
		}, out.Place)
	}
	if len(b.Contributions) > 0 {
		x.contributions(n, b.Contributions)
	}
}

// contributions puts the table of a run down twice, once for either direction. A row of no pounds joins nothing.
func (x *Index) contributions(n int32, rows []lot.Contribution) {
	table := make([]contribution, 0, len(rows))
	for _, c := range rows {
		if c.Quantity > 0 {
			table = append(table, contribution{x.lot(c.Input), x.lot(c.Output), c.Quantity})
		}
	}
	r := &x.runs[n]
	r.byOutput = table
	r.byInput = slices.Clone(table)
	slices.SortStableFunc(r.byOutput, func(a, b contribution) int { return cmp.Compare(a.output, b.output) })
	slices.SortStableFunc(r.byInput, func(a, b contribution) int { return cmp.Compare(a.input, b.input) })
}

// runLineTold tells whether the run's version has the line. Lines mostly ascend, so that the chain is walked only where one does not.
func (x *Index) runLineTold(r *run, kind legKind, line int32) bool {
	last := &r.lastIn
	if kind == output {
		last = &r.lastOut
	}
	if line > *last {
		*last = line
		return false
	}
	for i := r.first; i != none; i = x.legs[i].mate {
		if x.legs[i].kind == kind && x.legs[i].line == line {
			return true
		}
	}
	return false
}

func (x *Index) poured(b lot.Poured, at int64) {
	if _, again := x.legOf[factName{pouredOut, b.Pour}]; !again {
		x.pour(b, at)
	}
}

// pour enters both legs of a pour, the second right behind the first.
func (x *Index) pour(b lot.Poured, at int64) {
	from, bin, name := x.lot(b.Lot), x.lot(b.Bin), x.name(b.Pour)
	to := &x.lots[bin]
	to.item, to.measure = x.item(b.Item), uint8(b.Measure)
	gone := b.Quantity == 0
	x.legOf[factName{pouredOut, b.Pour}] = x.enter(leg{
		quantity: b.Quantity, at: at, lot: from, peer: bin, mate: none, line: name, kind: pouredOut, dead: gone,
	}, b.Place)
	x.enter(leg{quantity: b.Quantity, at: at, lot: bin, peer: from, mate: none, line: name, kind: pouredIn, dead: gone}, b.BinPlace)
}

func (x *Index) binEmptied(b lot.BinEmptied, at int64) {
	key := factName{emptied, b.Emptying}
	if _, again := x.legOf[key]; again {
		return
	}
	x.legOf[key] = x.enter(leg{
		quantity: b.Remainder, at: at, lot: x.lot(b.Bin), peer: none, mate: none, line: x.name(b.Emptying), kind: emptied,
	}, b.Place)
}

func (x *Index) adjusted(b lot.Adjusted, at int64) {
	if _, again := x.legOf[factName{adjusted, b.Adjustment}]; !again {
		x.adjust(b, at)
	}
}

func (x *Index) adjust(b lot.Adjusted, at int64) {
	x.legOf[factName{adjusted, b.Adjustment}] = x.enter(leg{
		quantity: b.Delta, at: at, lot: x.lot(b.Lot), peer: none, mate: none, line: x.name(b.Adjustment), kind: adjusted,
		dead: b.Delta == 0, explains: !b.Account.Unexplains,
	}, b.Place)
}

func (x *Index) shipped(b lot.Shipped, at int64) {
	n := x.shipment(b.Shipment)
	if x.shipments[n].first == none {
		x.shipmentStands(n, b, at)
	}
	for _, line := range b.Lines {
		if x.shipmentLine(n, int32(line.Line)) == none {
			x.ship(n, line, at)
		}
	}
}

func (x *Index) shipmentStands(n int32, b lot.Shipped, at int64) {
	s := &x.shipments[n]
	s.kind, s.consignee, s.at = b.ShipKind, x.party(b.Consignee), at
	s.carrier, s.document, s.channel = b.Carrier, b.Document, b.Channel
}

// shipmentLine is the newest leg of a line, dead or alive, or none.
func (x *Index) shipmentLine(n, line int32) int32 {
	s := &x.shipments[n]
	if line > s.lastLine {
		return none
	}
	for i := s.first; i != none; i = x.legs[i].mate {
		if x.legs[i].line == line {
			return i
		}
	}
	return none
}

func (x *Index) ship(n int32, line lot.ShipmentLine, at int64) {
	of := x.lot(line.Lot)
	s := &x.shipments[n]
	s.lastLine = max(s.lastLine, int32(line.Line))
	s.first = x.enter(leg{
		quantity: line.Quantity, at: at, lot: of, peer: n, mate: s.first, line: int32(line.Line), kind: shipped, dead: line.Quantity == 0,
	}, line.Place)
}

// returned makes a lot of what came back. A code is used once, so a lot that came back already is the same return told again.
func (x *Index) returned(b lot.Returned, at int64) {
	key := factName{cameBack, b.Return}
	if _, again := x.legOf[key]; again {
		return
	}
	from, to, name := x.lot(b.Origin), x.lot(b.Lot), x.name(b.Return)
	made := &x.lots[to]
	made.item, made.owner, made.measure = x.item(b.Item), x.party(b.Owner), uint8(b.Measure)
	x.legOf[key] = x.enter(leg{quantity: b.Quantity, at: at, lot: to, peer: from, mate: none, line: name, kind: cameBack}, b.Place)
	x.enter(leg{quantity: b.Quantity, at: at, lot: from, peer: to, mate: x.shipment(b.Shipment), line: int32(b.Line), kind: wentBack}, "")
}

// corrected takes a correction set in, every part as it stands from now on. A part happened when what it replaces did, since the set
// gives no other time; a part that replaces nothing happened at the set's own time.
func (x *Index) corrected(b lot.Corrected, at int64) {
	for _, part := range b.Deliveries {
		x.deliveryCorrected(part, at)
	}
	for _, part := range b.Runs {
		x.runPosted(part)
	}
	for _, part := range b.Pours {
		x.pour(part, x.replace(factName{pouredOut, part.Pour}, 2, at))
	}
	for _, part := range b.Adjustments {
		x.adjust(part, x.replace(factName{adjusted, part.Adjustment}, 1, at))
	}
	for _, part := range b.Shipments {
		n, when := x.shipment(part.Shipment), at
		if x.shipments[n].first != none {
			when = x.shipments[n].at
		}
		x.shipmentStands(n, part, when)
		for _, line := range part.Lines {
			if old := x.shipmentLine(n, int32(line.Line)); old != none {
				x.kill(old)
			}
			x.ship(n, line, when)
		}
	}
}

// replace takes away the legs of a fact and tells when it happened; at where there was none.
func (x *Index) replace(key factName, legs int32, at int64) int64 {
	first, ok := x.legOf[key]
	if !ok {
		return at
	}
	for i := first; i < first+legs; i++ {
		x.kill(i)
	}
	return x.legs[first].at
}
