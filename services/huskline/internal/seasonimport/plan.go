package seasonimport

import (
	"cmp"
	"context"
	"slices"

	eventv1 "huskline/proto/huskline/event/v1"

	"huskline/internal/lot"
	"huskline/services/huskline/internal/seasonfile"
)

// step is one command of the plan.
type step struct {
	at   seasonfile.Where
	what string
	rows int // of the folder that it carries
	send func(ctx context.Context) (*eventv1.Receipt, error)

	rests []*step // it waits for these, and relies on their receipts
	after []*step // it waits for these

	followers []*step
	waiting   int
	settled   bool // recorded, now or before
	refused   bool
	receipt   *eventv1.Receipt
}

// plan is the commands of a season and what waits for what.
type plan struct {
	season *seasonfile.Season
	doors  Doors
	steps  []*step

	parties   map[lot.PartyID]*step
	items     map[lot.ItemID]*step
	stages    map[string]*step
	bears     map[lot.ID][]*step // by which a lot is born: one step, or all pours of a bin lot
	adds      map[lot.ID][]*step // adjustments that add to a lot
	shipments map[string]*step
}

// newPlan lays out the commands of a season. The stages are those that production does not know yet.
func newPlan(s *seasonfile.Season, doors Doors, stages []string) *plan {
	p := &plan{season: s, doors: doors, parties: map[lot.PartyID]*step{}, items: map[lot.ItemID]*step{}, stages: map[string]*step{},
		bears: map[lot.ID][]*step{}, adds: map[lot.ID][]*step{}, shipments: map[string]*step{}}
	p.register(stages)
	p.receive()
	var links []func()
	links = append(links, p.adjustments()...)
	links = append(links, p.pours()...)
	links = append(links, p.runs()...)
	links = append(links, p.ship()...)
	links = append(links, p.returns()...)
	for _, link := range links {
		link()
	}
	p.finalPrices()
	return p
}

// add puts a step into the plan.
func (p *plan) add(at seasonfile.Where, what string, rows int, send func(context.Context) (*eventv1.Receipt, error)) *step {
	s := &step{at: at, what: what, rows: rows, send: send}
	p.steps = append(p.steps, s)
	return s
}

// on makes a step rest on others; one that is not in the plan is known to the services from before.
func (s *step) on(others ...*step) {
	for _, o := range others {
		if o != nil && o != s && !slices.Contains(s.rests, o) {
			s.rests = append(s.rests, o)
		}
	}
}

// uses makes a step rest on everything that puts pounds into a lot.
func (p *plan) uses(s *step, id lot.ID) {
	s.on(p.bears[id]...)
	s.on(p.adds[id]...)
}

// register lays out what has no time: parties, items, stages.
func (p *plan) register(stages []string) {
	for i := range p.season.Parties {
		row := &p.season.Parties[i]
		p.parties[row.ID] = p.add(row.Where, "party "+string(row.ID), 1, p.sendParty(row))
	}
	for i := range p.season.Items {
		row := &p.season.Items[i]
		p.items[row.ID] = p.add(row.Where, "item "+string(row.ID), 1, p.sendItem(row))
	}
	for _, stage := range stages {
		first := slices.IndexFunc(p.season.Runs, func(r seasonfile.Run) bool { return r.Stage == stage })
		p.stages[stage] = p.add(p.season.Runs[first].Where, "stage "+stage, 0, p.sendStage(stage))
	}
}

// receive lays out the lots that come through the gate.
func (p *plan) receive() {
	for i := range p.season.Deliveries {
		row := &p.season.Deliveries[i]
		s := p.add(row.Where, "delivery "+string(row.Lot), 1, p.sendDelivery(row))
		s.on(p.parties[row.Seller], p.items[row.Item])
		p.bears[row.Lot] = append(p.bears[row.Lot], s)
	}
	for i := range p.season.Receipts {
		row := &p.season.Receipts[i]
		s := p.add(row.Where, "receipt "+string(row.Lot), 1, p.sendReceipt(row))
		s.on(p.parties[row.Supplier], p.items[row.Item])
		p.bears[row.Lot] = append(p.bears[row.Lot], s)
	}
}

// The functions below add their steps at once and return what links them: what a step rests on may be added after it.

func (p *plan) adjustments() (links []func()) {
	for i := range p.season.Adjustments {
		row := &p.season.Adjustments[i]
		s := p.add(row.Where, "adjustment "+row.ID, 1, p.sendAdjustment(row))
		if row.Delta > 0 {
			p.adds[row.Lot] = append(p.adds[row.Lot], s)
			links = append(links, func() { s.on(p.bears[row.Lot]...) })
		} else {
			links = append(links, func() { p.uses(s, row.Lot) })
		}
	}
	return links
}

// pours of one bin lot go one after the other by time, so that the earliest bears it; whatever draws from it rests on them all.
func (p *plan) pours() (links []func()) {
	order := make([]*seasonfile.Pour, len(p.season.Pours))
	for i := range p.season.Pours {
		order[i] = &p.season.Pours[i]
	}
	slices.SortFunc(order, func(a, b *seasonfile.Pour) int { return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.ID, b.ID)) })
	for _, row := range order {
		s := p.add(row.Where, "pour "+row.ID, 1, p.sendPour(row))
		if before := p.bears[row.Bin]; len(before) > 0 {
			s.after = append(s.after, before[len(before)-1])
		}
		p.bears[row.Bin] = append(p.bears[row.Bin], s)
		links = append(links, func() { p.uses(s, row.Lot) })
	}
	return links
}

func (p *plan) runs() (links []func()) {
	for i := range p.season.Runs {
		row := &p.season.Runs[i]
		s := p.add(row.Where, "run "+string(row.ID), row.Rows(), p.sendRun(row))
		s.on(p.stages[row.Stage])
		for _, o := range row.Outputs {
			p.bears[o.Lot] = append(p.bears[o.Lot], s)
			s.on(p.items[o.Item])
		}
		links = append(links, func() {
			for _, in := range row.Inputs {
				p.uses(s, in.Lot)
			}
		})
	}
	return links
}

// ship gathers the rows of a shipment, in order of their lots, into one command.
func (p *plan) ship() (links []func()) {
	lines := map[string][]*seasonfile.Shipment{}
	var order []string
	for i := range p.season.Shipments {
		row := &p.season.Shipments[i]
		if lines[row.ID] == nil {
			order = append(order, row.ID)
		}
		lines[row.ID] = append(lines[row.ID], row)
	}
	for _, id := range order {
		rows := lines[id]
		at := rows[0].Where
		slices.SortFunc(rows, func(a, b *seasonfile.Shipment) int { return cmp.Compare(a.Lot, b.Lot) })
		s := p.add(at, "shipment "+id, len(rows), p.sendShipment(rows))
		s.on(p.parties[rows[0].Customer])
		p.shipments[id] = s
		links = append(links, func() {
			for _, row := range rows {
				p.uses(s, row.Lot)
			}
		})
	}
	return links
}

func (p *plan) returns() (links []func()) {
	drawn := p.drawn()
	for i := range p.season.Returns {
		row := &p.season.Returns[i]
		s := p.add(row.Where, "return "+row.ID, 1, p.sendReturn(row, drawn[row.Lot]))
		p.bears[row.Lot] = append(p.bears[row.Lot], s)
		links = append(links, func() { s.on(p.shipments[row.Shipment]) })
	}
	return links
}

// drawn is the lots that the season uses, whatever for.
func (p *plan) drawn() map[lot.ID]bool {
	drawn := map[lot.ID]bool{}
	for i := range p.season.Runs {
		for _, in := range p.season.Runs[i].Inputs {
			drawn[in.Lot] = true
		}
	}
	for _, po := range p.season.Pours {
		drawn[po.Lot] = true
	}
	for _, a := range p.season.Adjustments {
		drawn[a.Lot] = true
	}
	for _, s := range p.season.Shipments {
		drawn[s.Lot] = true
	}
	return drawn
}

// finalPrices of one delivery go one after the other by time.
func (p *plan) finalPrices() {
	order := make([]*seasonfile.FinalPrice, len(p.season.FinalPrices))
	for i := range p.season.FinalPrices {
		order[i] = &p.season.FinalPrices[i]
	}
	slices.SortFunc(order, func(a, b *seasonfile.FinalPrice) int {
		return cmp.Or(a.Time.Compare(b.Time), cmp.Compare(a.Lot, b.Lot))
	})
	last := map[lot.ID]*step{}
	for _, row := range order {
		s := p.add(row.Where, "final price of "+string(row.Lot), 1, p.sendFinalPrice(row))
		s.on(p.bears[row.Lot]...)
		if before := last[row.Lot]; before != nil {
			s.after = append(s.after, before)
		}
		last[row.Lot] = s
	}
}

// claims lists every lot code of the season with who claims it, by file and lot.
func (p *plan) claims() []claim {
	var claims []claim
	put := func(file string, id lot.ID, at seasonfile.Where) {
		claims = append(claims, claim{at: at, lot: id, claimant: claimant(file, id)})
	}
	for _, d := range p.season.Deliveries {
		put(seasonfile.DeliveriesFile, d.Lot, d.Where)
	}
	for _, r := range p.season.Receipts {
		put(seasonfile.ReceiptsFile, r.Lot, r.Where)
	}
	for i := range p.season.Runs {
		for _, o := range p.season.Runs[i].Outputs {
			put(seasonfile.RunOutputsFile, o.Lot, o.Where)
		}
	}
	bins := map[lot.ID]bool{}
	for _, po := range p.season.Pours {
		if !bins[po.Bin] {
			bins[po.Bin] = true
			put(seasonfile.PoursFile, po.Bin, po.Where)
		}
	}
	for _, r := range p.season.Returns {
		put(seasonfile.ReturnsFile, r.Lot, r.Where)
	}
	slices.SortStableFunc(claims, func(a, b claim) int { return cmp.Or(cmp.Compare(a.at.File, b.at.File), cmp.Compare(a.lot, b.lot)) })
	return claims
}

// claim is a lot code with the row that bears the lot.
type claim struct {
	at       seasonfile.Where
	lot      lot.ID
	claimant string
}
