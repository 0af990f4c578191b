package cost

import (
	"fmt"
	"slices"
	"strings"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/share"
	"huskline/internal/weight"
)

// sheet is a run's account, from what went in to where it went.
type sheet struct {
	input, output weight.Mass
	material      load // taken with the inputs
	conversion    money.Amount
	creditPaid    money.Amount
	creditFinal   money.Amount
	process       load // still in the run
	abnormal      load
	mains         []*product // by lot code
	byproducts    []*flow
	provisional   bool
	fault         error
}

// product is a main output lot of a run.
type product struct {
	to       *node
	goods    *goods
	quantity lot.Quantity
	mass     weight.Mass
	price    *money.Price
	base     share.Weight
	fills    []*flow
	load     load
}

// evaluateRun spreads what a run cost over what it gave.
func (b *Book) evaluateRun(n *node) {
	n.order()
	r := n.run
	sh := b.gather(n)
	pool := sh.material
	if r.owner == "" {
		pool[stockPaid] += int64(sh.conversion)
		pool[stockFinal] += int64(sh.conversion)
		pool = b.credit(n, sh, pool)
	} else {
		pool[service] += int64(sh.conversion)
		for _, f := range sh.byproducts {
			b.carry(f, load{}, sh.provisional)
		}
	}
	priced, err := b.bases(n, sh)
	sh.fault = err
	pool = sh.keepBack(pool, r.final)
	b.spread(n, sh, pool, priced)
	for _, p := range sh.mains {
		b.fill(p, sh)
	}
	r.sheet = *sh
}

// gather adds up what the run took in and lists what it gave.
func (b *Book) gather(n *node) *sheet {
	sh := &sheet{conversion: b.conversion(n), provisional: !n.run.final}
	byLot := map[*node]*product{}
	for _, f := range n.flows {
		if f.kind == dumped {
			s := f.from.lot
			sh.input += b.mass(s.item(), s.measure(), f.quantity)
			sh.material = sh.material.plus(f.load)
			sh.provisional = sh.provisional || f.provisional
			continue
		}
		mass := b.mass(f.goods.item, f.goods.measure, f.quantity)
		sh.output += mass
		switch f.role {
		case lot.Main:
			p, ok := byLot[f.to]
			if !ok {
				p = &product{to: f.to, goods: f.goods}
				byLot[f.to] = p
				sh.mains = append(sh.mains, p)
			}
			p.quantity, p.mass, p.fills = p.quantity+f.quantity, p.mass+mass, append(p.fills, f)
		case lot.ByProduct:
			sh.byproducts = append(sh.byproducts, f)
		default:
			b.carry(f, load{}, sh.provisional)
		}
	}
	slices.SortFunc(sh.mains, func(x, y *product) int { return strings.Compare(string(x.to.lot.id), string(y.to.lot.id)) })
	return sh
}

// conversion is the run's part of all charges in force that name it.
func (b *Book) conversion(n *node) money.Amount {
	var sum money.Amount
	for _, c := range n.run.charges {
		if b.replaced[c.id] {
			continue
		}
		if c.stale {
			b.divide(c)
		}
		sum += c.part(n)
	}
	return sum
}

// part is what a divided charge puts on a run it names.
func (c *charge) part(n *node) money.Amount { return c.parts[slices.Index(c.runs, n)] }

// divide splits a charge over the runs it names by the pounds each took in; while none is known to have taken in any, evenly.
func (b *Book) divide(c *charge) {
	parts := make([]share.Part, len(c.runs))
	var whole weight.Mass
	for i, n := range c.runs {
		var in weight.Mass
		for _, f := range n.flows {
			if f.kind == dumped {
				in += b.mass(f.from.lot.item(), f.from.lot.measure(), f.quantity)
			}
		}
		whole += in
		parts[i] = share.Part{Key: string(n.run.id), Weight: share.Of(int64(in))}
	}
	if whole == 0 {
		for i := range parts {
			parts[i].Weight = share.Of(1)
		}
	}
	got, _ := share.Split(int64(c.amount), parts) // weights are above zero
	c.parts = make([]money.Amount, len(got))
	for i, amount := range got {
		c.parts[i] = money.Amount(amount)
	}
	c.stale = false
}

// credit values the by-products and takes them off the pool, in each price set no more than there is: by-products worth more than the run cost
// share what it cost, and its main outputs carry nothing.
func (b *Book) credit(n *node, sh *sheet, pool load) load {
	end := n.run.end(n)
	parts := make([]share.Part, len(sh.byproducts))
	worth := make([]int64, len(sh.byproducts))
	var whole int64
	for i, f := range sh.byproducts {
		worth[i] = int64(lineWorth(f, b.items[f.goods.item].price(end), pool[stockPaid]))
		whole += worth[i]
		parts[i] = share.Part{Key: fmt.Sprintf("%s/%020d", f.to.lot.id, f.line), Weight: share.Of(worth[i])}
	}
	paid, final := capped(worth, whole, pool[stockPaid], parts), capped(worth, whole, pool[stockFinal], parts)
	for i, f := range sh.byproducts {
		sh.creditPaid += money.Amount(paid[i])
		sh.creditFinal += money.Amount(final[i])
		b.carry(f, load{stockPaid: paid[i], stockFinal: final[i]}, sh.provisional)
	}
	pool[stockPaid] -= int64(sh.creditPaid)
	pool[stockFinal] -= int64(sh.creditFinal)
	return pool
}

// lineWorth is a by-product line at its price; one beyond what the ledger holds is above any pool.
func lineWorth(f *flow, price *money.Price, beyond int64) money.Amount {
	if price == nil {
		return 0
	}
	pounds := weight.Mass(f.quantity)
	if f.goods.measure == lot.ByCount {
		pounds *= weight.Pound
	}
	got, err := money.Line(pounds, *price)
	if err != nil {
		return money.Amount(max(beyond, 0))
	}
	return got
}

func capped(worth []int64, whole, have int64, parts []share.Part) []int64 {
	if whole <= max(have, 0) {
		return worth
	}
	got, err := share.Split(max(have, 0), parts)
	if err != nil {
		return make([]int64, len(worth))
	}
	return got
}

// bases gives each main output its weight in the split: pounds x price, or pounds. Priced and unpriced outputs in one run, which is refused
// before a run is accepted, are split by pounds until the price is known, and the fault is said with the answer.
func (b *Book) bases(n *node, sh *sheet) (priced bool, err error) {
	end := n.run.end(n)
	var without lot.ItemID
	for _, p := range sh.mains {
		p.price = b.items[p.goods.item].price(end)
		if p.price == nil {
			without = p.goods.item
		} else {
			priced = true
		}
	}
	if priced && without != "" {
		priced, err = false, mixedPrices(without)
	}
	for _, p := range sh.mains {
		p.base = p.weigh(p.mass, p.quantity, priced)
	}
	return priced, err
}

// weigh is the weight of some of a product in a split.
func (p *product) weigh(mass weight.Mass, q lot.Quantity, priced bool) share.Weight {
	switch {
	case !priced && mass == 0:
		return share.Of(int64(q))
	case !priced:
		return share.Of(int64(mass))
	case p.goods.measure == lot.ByCount:
		return share.Product(int64(q)*int64(weight.Pound), int64(*p.price))
	}
	return share.Product(int64(q), int64(*p.price))
}

// ReasonMixedPrices is the reason of the fault of a run whose main outputs have split-off prices in part.
const ReasonMixedPrices = "run_prices_mixed"

func mixedPrices(item lot.ItemID) error {
	return fault.Precondition(ReasonMixedPrices,
		"main outputs: item %s has no split-off price above zero and another has; joint cost is shared by price over all of them or by pounds over all of them", item)
}

// CheckPrices tells whether a run's outputs can share its cost: all main outputs have a split-off price above zero, or none has. price gives
// the one in force at the run's end, nil for none.
func CheckPrices(outputs []lot.RunOutput, price func(lot.ItemID) *money.Price) error {
	var with bool
	var without lot.ItemID
	for _, out := range outputs {
		if out.Role != lot.Main {
			continue
		}
		if p := price(out.Item); p != nil && *p > 0 {
			with = true
		} else {
			without = out.Item
		}
	}
	if with && without != "" {
		return mixedPrices(without)
	}
	return nil
}

// weighted tells whether any main output has a weight to share by.
func (sh *sheet) weighted() bool {
	return slices.ContainsFunc(sh.mains, func(p *product) bool { return p.quantity > 0 })
}

// keepBack leaves in the run what is not yet out of it, or where nothing can carry it, and gives what goes to the main outputs.
func (sh *sheet) keepBack(pool load, final bool) load {
	switch {
	case final && !sh.weighted():
		sh.abnormal = pool
		return load{}
	case final:
		return pool
	case !sh.weighted():
		sh.process = pool
		return load{}
	case sh.output < sh.input:
		out := pool.taken(lot.Quantity(sh.output), lot.Quantity(sh.input))
		sh.process = pool.minus(out)
		return out
	}
	return pool
}

// spread shares the pool over the main outputs; what an input with contributions brought goes by them, the rest by the run's bases.
func (b *Book) spread(n *node, sh *sheet, pool load, priced bool) {
	if !sh.weighted() {
		return
	}
	unsettled := lot.Quantity(pool[unsettledPounds])
	if n.run.byTable() {
		pool = b.contribute(n, sh, pool, priced)
		unsettled = lot.Quantity(pool[unsettledPounds])
	}
	pool[unsettledPounds] = 0
	parts := make([]share.Part, len(sh.mains))
	for i, p := range sh.mains {
		parts[i] = share.Part{Key: string(p.to.lot.id), Weight: p.base}
	}
	got, err := pool.split(parts)
	if err != nil {
		sh.fault, sh.abnormal = err, sh.abnormal.plus(pool)
		return
	}
	for i, p := range sh.mains {
		got[i][unsettledPounds] = load{unsettledPounds: int64(p.mass)}.taken(unsettled, lot.Quantity(sh.input))[unsettledPounds]
		p.load = p.load.plus(got[i])
	}
}

// contribute shares what each input lot brought by its own pounds in the main outputs, and gives what is left for the run's bases.
func (b *Book) contribute(n *node, sh *sheet, pool load, priced bool) load {
	into := map[lot.ID][]lot.Contribution{}
	for _, c := range n.run.contributions {
		into[c.Input] = append(into[c.Input], c)
	}
	brought, took := map[lot.ID]load{}, map[lot.ID]lot.Quantity{}
	for _, f := range n.flows {
		if f.kind == dumped {
			id := f.from.lot.id
			brought[id], took[id] = brought[id].plus(f.load), took[id]+f.quantity
		}
	}
	for id, l := range brought {
		parts, products := sh.rows(into[id], priced)
		if len(parts) == 0 {
			continue
		}
		pool = pool.minus(l)
		unsettled := lot.Quantity(l[unsettledPounds])
		l[unsettledPounds] = 0
		got, err := l.split(parts)
		if err != nil {
			sh.fault, sh.abnormal = err, sh.abnormal.plus(l)
			continue
		}
		for i, p := range products {
			got[i][unsettledPounds] = load{unsettledPounds: int64(p.row)}.taken(unsettled, took[id])[unsettledPounds]
			p.load = p.load.plus(got[i])
		}
	}
	return pool
}

// contributed is a product with the pounds that one input put into it.
type contributed struct {
	*product
	row lot.Quantity
}

func (sh *sheet) rows(rows []lot.Contribution, priced bool) ([]share.Part, []contributed) {
	var parts []share.Part
	var products []contributed
	for _, row := range rows {
		i := slices.IndexFunc(sh.mains, func(p *product) bool { return p.to.lot.id == row.Output })
		if i < 0 || row.Quantity == 0 {
			continue
		}
		p := sh.mains[i]
		parts = append(parts, share.Part{Key: string(row.Output), Weight: p.weigh(weight.Mass(row.Quantity), row.Quantity, priced)})
		products = append(products, contributed{product: p, row: row.Quantity})
	}
	return parts, products
}

// fill divides a product's load over the times it was filled, by quantity. Only a finished product takes over the kernel in it.
func (b *Book) fill(p *product, sh *sheet) {
	if b.items[p.goods.item].kind() != lot.Finished {
		p.load = p.load.withoutKernel()
	}
	parts := make([]share.Part, len(p.fills))
	for i, f := range p.fills {
		parts[i] = share.Part{Key: fmt.Sprintf("%020d", f.line), Weight: share.Of(int64(f.quantity))}
	}
	loads, err := p.load.split(parts)
	if err != nil { // no quantity: then no load either
		loads = make([]load, len(parts))
	}
	for i, f := range p.fills {
		b.carry(f, loads[i], sh.provisional)
	}
}
