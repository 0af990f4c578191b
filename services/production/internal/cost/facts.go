package cost

import (
	"slices"

	"huskline/internal/lot"
	"huskline/internal/money"
)

// receipt is a lot's coming in as it stands now.
type receipt struct {
	stamp  stamp
	voided bool
	body   lot.Received
	// variance is pounds paid for less pounds received, where the pay weight alone was corrected: the lot keeps its pounds and carries what was paid.
	variance lot.Quantity
}

// settlement is a final price.
type settlement struct {
	stamp    stamp
	at       int64
	purchase money.Amount
}

// title is what the company paid an owner for pounds.
type title struct {
	stamp stamp
	price money.Amount
	same  bool // the pounds kept their code
}

func (b *Book) received(d lot.DeliveryCorrected, s stamp, at int64) {
	n := b.lot(d.Now.Lot)
	f := &flow{
		kind: received, key: string(d.Now.Lot), at: at, quantity: d.Now.Quantity, to: n,
		goods: &goods{item: d.Now.Item, measure: d.Now.Measure, owner: d.Now.Owner},
	}
	if d.Voided {
		f.quantity = 0
	}
	if n.lot.receipt == nil || s.compare(n.lot.receipt.stamp) > 0 {
		n.lot.receipt = &receipt{stamp: s, voided: d.Voided, body: d.Now, variance: d.ReceivingVariance}
		b.mark(n)
	}
	b.state(f, s, d.Version == 1)
}

func (b *Book) priceSettled(body lot.PriceSettled, s stamp, at int64) {
	n := b.lot(body.Lot)
	if known, ok := n.lot.settlements[body.Settlement]; ok && s.compare(known.stamp) <= 0 {
		return
	}
	if n.lot.settlements == nil {
		n.lot.settlements = map[string]settlement{}
	}
	n.lot.settlements[body.Settlement] = settlement{stamp: s, at: at, purchase: body.Purchase}
	b.mark(n)
}

// settled is the purchase at the final price: of several the latest by effective time, then the greatest settlement id.
func (s *lotState) settled() (money.Amount, bool) {
	var best settlement
	var bestID string
	for id, c := range s.settlements {
		if bestID == "" || c.at > best.at || c.at == best.at && id > bestID {
			best, bestID = c, id
		}
	}
	return best.purchase, bestID != ""
}

func (b *Book) bought(body lot.Bought, s stamp, at int64) {
	from, to := b.lot(body.Lot), b.lot(body.NewLot)
	if to.lot.titlePrice != nil && s.compare(to.lot.titlePrice.stamp) <= 0 {
		return
	}
	to.lot.titlePrice = &title{stamp: s, price: body.Price, same: from == to}
	b.state(&flow{kind: titleOut, key: body.Purchase, at: at, quantity: body.Quantity, from: from}, s, false)
	in := &flow{kind: titleIn, key: body.Purchase, at: at, quantity: body.Quantity, to: to}
	if from != to {
		in.goods = &goods{like: from}
		if !slices.Contains(from.lot.likes, to) {
			from.lot.likes = append(from.lot.likes, to)
		}
	}
	b.state(in, s, false)
}

func (b *Book) poured(body lot.Poured, s stamp, at int64, original bool) {
	from, to := b.lot(body.Lot), b.lot(body.Bin)
	b.state(&flow{
		kind: poured, key: body.Pour, at: at, quantity: body.Quantity, from: from, to: to,
		goods: &goods{item: body.Item, measure: body.Measure, like: from},
	}, s, original)
}

func (b *Book) emptied(body lot.BinEmptied, s stamp, at int64) {
	b.state(&flow{
		kind: emptied, key: body.Emptying, at: at, quantity: body.Remainder, from: b.lot(body.Bin), writesOff: true, unexplained: true,
	}, s, true)
}

func (b *Book) adjusted(body lot.Adjusted, s stamp, at int64, original bool) {
	f := &flow{
		kind: adjusted, key: body.Adjustment, at: at, quantity: body.Delta,
		writesOff: body.Account.WritesOff, unexplained: body.Account.Unexplains, byDraw: body.DrawnBy != "",
	}
	if body.Delta < 0 {
		f.quantity, f.from = -body.Delta, b.lot(body.Lot)
	} else {
		f.to = b.lot(body.Lot)
	}
	b.state(f, s, original)
}

func (b *Book) shipped(body lot.Shipped, s stamp, at int64, original bool) {
	for _, line := range body.Lines {
		b.state(&flow{
			kind: shipped, key: body.Shipment, line: line.Line, at: at, quantity: line.Quantity, from: b.lot(line.Lot),
		}, s, original)
	}
}

func (b *Book) returned(body lot.Returned, s stamp, at int64) {
	f := &flow{
		kind: returned, key: body.Return, at: at, quantity: body.Quantity, from: b.lot(body.Origin), to: b.lot(body.Lot),
		goods: &goods{item: body.Item, measure: body.Measure, owner: body.Owner},
		back:  &shipmentLine{shipment: body.Shipment, line: body.Line},
	}
	b.state(f, s, true)
}

func (b *Book) corrected(body lot.Corrected, s stamp, at int64) {
	for _, d := range body.Deliveries {
		version := s
		version.version = d.Version
		b.received(d, version, at)
	}
	for _, r := range body.Runs {
		b.runPosted(r, s, at)
	}
	for _, p := range body.Pours {
		b.poured(p, s, at, false)
	}
	for _, a := range body.Adjustments {
		b.adjusted(a, s, at, false)
	}
	for _, sh := range body.Shipments {
		b.shipped(sh, s, at, false)
	}
}

// shipmentLine names a line of a shipment.
type shipmentLine struct {
	shipment string
	line     int64
}

// runState is what is known and worked out of a run.
type runState struct {
	id            lot.RunID
	stage         string
	owner         lot.PartyID // as posted, else as opened; empty: the company
	opened        stamp
	known         bool // opened or posted, and not by a charge alone
	version       int64
	posted        stamp
	final         bool
	finalAt       int64
	contributions []lot.Contribution
	completed     stamp
	endAt         int64
	charges       []*charge

	sheet sheet // worked out at the last evaluation
}

// byTable tells whether what each input brought goes by the run's contribution table, which comes with the final posting.
func (r *runState) byTable() bool { return r.final && len(r.contributions) > 0 }

// end is the split-off: the run's end as production said it, else the final posting's time, else its last fill.
func (r *runState) end(n *node) int64 {
	if r.endAt != 0 {
		return r.endAt
	}
	if r.final {
		return r.finalAt
	}
	var last int64
	for _, f := range n.flows {
		if f.kind == filled {
			last = max(last, f.at)
		}
	}
	return last
}

func (b *Book) runOpened(body lot.RunOpened, s stamp) {
	n := b.run(body.Run)
	r := n.run
	if r.opened != (stamp{}) && s.compare(r.opened) <= 0 {
		return
	}
	r.opened, r.known = s, true
	if r.version == 0 {
		r.owner, r.stage = body.Owner, body.Stage
	}
	b.touch(n)
}

func (b *Book) runCompleted(body lot.RunCompleted, s stamp) {
	s.version = body.Version
	n := b.run(body.Run)
	if n.run.completed != (stamp{}) && s.compare(n.run.completed) <= 0 {
		return
	}
	n.run.completed, n.run.endAt = s, micro(body.End)
	b.touch(n)
}

func (b *Book) runPosted(body lot.RunPosted, s stamp, at int64) {
	s.version = body.Version
	n := b.run(body.Run)
	r := n.run
	if body.Version < r.version {
		return
	}
	if body.Version > r.version {
		for _, f := range slices.Clone(n.flows) {
			b.detach(f)
		}
		r.version, r.posted, r.final, r.contributions = body.Version, stamp{}, false, nil
	}
	r.known = true
	fresh := len(n.flows) == 0
	for _, in := range body.Inputs {
		b.line(n, fresh, &flow{
			kind: dumped, key: string(body.Run), line: in.Line, at: micro(in.At), quantity: in.Quantity, from: b.lot(in.Lot), to: n, stamp: s,
		})
	}
	for _, out := range body.Outputs {
		b.line(n, fresh, &flow{
			kind: filled, key: string(body.Run), line: out.Line, at: micro(out.At), quantity: out.Quantity, from: n, to: b.lot(out.Lot), stamp: s,
			role: out.Role, goods: &goods{item: out.Item, measure: out.Measure, owner: out.Owner},
		})
	}
	if body.Final && !r.final {
		r.final, r.finalAt, r.contributions = true, at, body.Contributions
	}
	if s.compare(r.posted) > 0 {
		r.posted, r.owner, r.stage = s, body.Owner, body.Stage
	}
	b.touch(n)
}

// line hangs a run's line on it, in place of the same line of an earlier posting. fresh tells that there is none.
func (b *Book) line(n *node, fresh bool, f *flow) {
	if !fresh {
		i := slices.IndexFunc(n.flows, func(g *flow) bool { return g.kind == f.kind && g.line == f.line })
		if i >= 0 {
			if f.stamp.compare(n.flows[i].stamp) <= 0 {
				return
			}
			b.detach(n.flows[i])
		}
	}
	b.attach(f)
}

// charge is conversion cost of one run or of several.
type charge struct {
	id     string
	stamp  stamp
	amount money.Amount
	runs   []*node // each once, by id
	parts  []money.Amount
	stale  bool // parts do not hold any longer
}

func (b *Book) chargePosted(body lot.ChargePosted, s stamp) {
	if body.Replaces != "" && !b.replaced[body.Replaces] {
		b.replaced[body.Replaces] = true
		if old, ok := b.charges[body.Replaces]; ok {
			for _, n := range old.runs {
				b.mark(n)
			}
		}
	}
	if known, ok := b.charges[body.Charge]; ok {
		if s.compare(known.stamp) <= 0 {
			return
		}
		for _, n := range known.runs {
			n.run.charges = slices.DeleteFunc(n.run.charges, func(c *charge) bool { return c == known })
			b.mark(n)
		}
	}
	c := &charge{id: body.Charge, stamp: s, amount: body.Amount, stale: true}
	ids := slices.Clone(body.Runs)
	slices.Sort(ids)
	for _, id := range slices.Compact(ids) {
		n := b.run(id)
		c.runs = append(c.runs, n)
		n.run.charges = append(n.run.charges, c)
		b.mark(n)
	}
	b.charges[body.Charge] = c
}
