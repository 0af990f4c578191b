package verify

import (
	"math/big"
	"slices"

	eventv1 "huskline/proto/huskline/event/v1"
)

// million turns price x micropounds into millionths.
const million = 1_000_000

// credit values by-products at their split-off prices, in each price set no more than there is to credit.
func (b *book) credit(n *run, c *runCost, pool vec) {
	worth := map[*leg]*big.Rat{}
	var legs []*leg
	all := new(big.Rat)
	b.eachOutput(n, eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT, func(l *leg) {
		per := int64(million)
		if l.out.GetMeasure() == eventv1.Measure_MEASURE_COUNT {
			per = 1
		}
		w := new(big.Rat).Mul(whole64(l.quantity), big.NewRat(b.priceAt(l.out.GetItem(), n.end()), per))
		worth[l] = w
		legs = append(legs, l)
		all.Add(all, w)
	})
	if all.Sign() == 0 {
		return
	}
	part := func(have *big.Rat) *big.Rat {
		if have.Sign() < 0 {
			return new(big.Rat)
		}
		if have.Cmp(all) >= 0 {
			return big.NewRat(1, 1)
		}
		return new(big.Rat).Quo(have, all)
	}
	paid, final := part(pool.at(paidStock)), part(pool.at(finalStock))
	for _, l := range legs {
		var v vec
		v[paidStock], v[finalStock] = new(big.Rat).Mul(worth[l], paid), new(big.Rat).Mul(worth[l], final)
		l.value, l.err = v, c.err+1
		c.credit = c.credit.plus(v)
	}
	c.err += int64(len(legs))
}

func (b *book) eachOutput(n *run, role eventv1.OutputRole, each func(*leg)) {
	seen := map[string]bool{}
	for _, o := range n.outputs {
		if seen[o.GetLot()] {
			continue
		}
		seen[o.GetLot()] = true
		for _, l := range b.lot(o.GetLot()).legs {
			if l.kind == filled && l.run == n && l.out.GetRole() == role {
				each(l)
			}
		}
	}
}

// mains gathers main outputs by lot, and tells whether they share by price: they do where all have one, and by pounds where none has.
func (b *book) mains(n *run) ([]*main, bool) {
	var out []*main
	with, without := 0, 0
	b.eachOutput(n, eventv1.OutputRole_OUTPUT_ROLE_MAIN, func(l *leg) {
		i := slices.IndexFunc(out, func(m *main) bool { return m.lot == l.lot })
		if i < 0 {
			i = len(out)
			out = append(out, &main{lot: l.lot, item: l.out.GetItem(), measure: l.out.GetMeasure(), price: b.priceAt(l.out.GetItem(), n.end())})
			if out[i].price > 0 {
				with++
			} else {
				without++
			}
		}
		m := out[i]
		m.quantity += l.quantity
		m.mass += b.mass(m.item, m.measure, l.quantity)
		m.fills = append(m.fills, l)
	})
	return out, with > 0 && without == 0
}

// weigh is the weight of some of a main output in a split: price x quantity, or pounds, or pieces where they have no weight.
func (m *main) weigh(mass, quantity int64, priced bool) *big.Int {
	switch {
	case priced && m.measure == eventv1.Measure_MEASURE_COUNT:
		n := new(big.Int).Mul(big.NewInt(quantity), big.NewInt(m.price))
		return n.Mul(n, big.NewInt(million))
	case priced:
		return new(big.Int).Mul(big.NewInt(quantity), big.NewInt(m.price))
	case mass == 0:
		return big.NewInt(quantity)
	}
	return big.NewInt(mass)
}

// spread shares a pool over main outputs. What an input with contributions to them brought goes by its own pounds in them, the rest by all of
// the outputs.
func (b *book) spread(n *run, pool vec, mains []*main, priced bool, err int64) {
	if n.final && len(n.contributions) > 0 {
		brought, errs := map[string]vec{}, map[string]int64{}
		for _, l := range b.dumps(n) {
			brought[l.lot] = brought[l.lot].plus(b.brings(l))
			errs[l.lot] += l.err
		}
		for _, id := range sorted(brought) {
			weights, any := rows(n, id, mains, priced)
			if any {
				pool = pool.minus(brought[id])
				err -= errs[id]
				divide(brought[id], errs[id], mains, weights)
			}
		}
	}
	weights := make([]*big.Int, len(mains))
	for i, m := range mains {
		weights[i] = m.weigh(m.mass, m.quantity, priced)
	}
	divide(pool, err, mains, weights)
}

// rows is the weight of each main output in the split of what one input brought, and whether there is any.
func rows(n *run, input string, mains []*main, priced bool) ([]*big.Int, bool) {
	weights, any := make([]*big.Int, len(mains)), false
	for i, m := range mains {
		weights[i] = new(big.Int)
		for _, row := range n.contributions {
			if row.GetInput() == input && row.GetOutput() == m.lot && row.GetQuantity() > 0 {
				weights[i].Add(weights[i], m.weigh(row.GetQuantity(), row.GetQuantity(), priced))
				any = true
			}
		}
	}
	return weights, any
}

// divide gives each main output its share of v, and of the error of v.
func divide(v vec, err int64, mains []*main, weights []*big.Int) {
	sum := new(big.Int)
	for _, w := range weights {
		sum.Add(sum, w)
	}
	if sum.Sign() == 0 {
		return
	}
	for i, m := range mains {
		m.value = m.value.plus(v.times(new(big.Rat).SetFrac(weights[i], sum)))
		e := new(big.Int).Mul(big.NewInt(err), weights[i])
		e.Add(e, sum)
		m.err += e.Quo(e, sum).Int64() + 1
	}
}

// fill divides a main output's value over its fillings by quantity, and keeps the run's figures about kernel.
func (b *book) fill(m *main, c *runCost) {
	kind := b.itemKind(m.item)
	if kind != eventv1.ItemKind_ITEM_KIND_FINISHED {
		m.value = m.value.money()
	}
	if kind == eventv1.ItemKind_ITEM_KIND_KERNEL {
		c.kernelMass += m.mass
		c.kernel = c.kernel.plus(m.value)
	}
	for _, l := range m.fills {
		l.value, l.err = m.value, m.err
		if m.quantity > 0 && l.quantity < m.quantity {
			l.value, l.err = m.value.times(big.NewRat(l.quantity, m.quantity)), portion(m.err, l.quantity, m.quantity)
		}
	}
}

// totals are the plant's own, dollars in exact fractions; left is what we had spent on an owner's pounds that title passed of.
type totals struct {
	deliveries, lots, runs, shipments                         int64
	received, returned, shipped, onHand, changed, blind       int64
	unaccounted, process                                      int64
	costIn, stock, out, left, writtenOff, abnormal, inProcess vec
	err                                                       int64
}

// summand cuts fractions to 10^-30 of a millionth before they are added up over the plant: the sum of ten thousand exact ones has a denominator
// of ten thousand factors. A sum of a billion summands is then still off by less than summandError.
func summand(v vec) vec {
	v = v.money()
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(30), nil)
	for c := range v {
		if v[c] != nil && !v[c].IsInt() {
			n := new(big.Int).Mul(v[c].Num(), scale)
			v[c] = new(big.Rat).SetFrac(n.Quo(n, v[c].Denom()), scale)
		}
	}
	return v
}

func summandError() *big.Rat {
	return new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(20), nil))
}

// checkTotals adds up the plant and proves that what came in is there, went out or was lost: pounds exactly, dollars to 10^-20 of a millionth.
func (b *book) checkTotals(r *Report) {
	t := &b.totals
	for _, id := range b.order {
		b.addLot(t, b.lots[id])
	}
	for _, id := range b.runIDs {
		b.addRun(t, b.runs[id])
	}
	left := t.received + t.returned + t.changed - t.blind - t.unaccounted - t.process
	r.equal("weight", "received + returned + adjusted - unaccounted - in process = shipped + on hand", left, t.shipped+t.onHand)
	names := []string{"stock cost at prices paid", "service cost at prices paid", "stock cost at final prices", "service cost at final prices"}
	sum := t.stock.plus(t.out).plus(t.left).plus(t.writtenOff).plus(t.inProcess)
	for c, name := range names {
		if len(b.topology) == len(b.order)+len(b.runIDs) {
			if off := new(big.Rat).Sub(t.costIn.at(c), sum.at(c)); off.Abs(off).Cmp(summandError()) > 0 {
				r.differ("money", name+": in = stock + shipped + passed with title + written off + in process", t.costIn.at(c).FloatString(6), sum.at(c).FloatString(6))
			}
		}
	}
}

func (b *book) addLot(t *totals, g *goods) {
	if g.item != "" && !g.voided {
		t.lots++
	}
	t.onHand += b.mass(g.item, g.measure, g.onHand)
	t.changed += b.mass(g.item, g.measure, g.changed)
	t.blind += b.mass(g.item, g.measure, g.blind)
	t.shipped += b.mass(g.item, g.measure, g.shipped)
	t.stock = t.stock.plus(summand(g.cost.onHand))
	t.writtenOff = t.writtenOff.plus(summand(g.cost.abnormal))
	t.abnormal = t.abnormal.plus(summand(g.cost.abnormal))
	t.err += g.cost.err
	for _, l := range g.legs {
		switch l.kind {
		case received:
			t.received += b.mass(g.item, g.measure, l.quantity)
			t.costIn = t.costIn.plus(summand(b.purchaseCost(g)))
			if g.receipt.of.GetSource() == eventv1.Source_SOURCE_DELIVERY {
				t.deliveries++
			}
		case titleIn:
			v, _ := b.titleCost(g, l)
			t.costIn = t.costIn.plus(summand(v))
		case titleOut:
			t.left = t.left.plus(summand(l.value))
		case shippedOut:
			t.shipments++
			t.out = t.out.plus(summand(l.value))
		case broughtBack:
			t.returned += b.mass(g.item, g.measure, l.quantity)
			v, _ := b.arriving(g, l)
			t.out = t.out.minus(summand(v))
		case adjusted, emptied:
			if l.quantity < 0 {
				t.writtenOff = t.writtenOff.plus(summand(l.value))
			}
		}
	}
}

func (b *book) addRun(t *totals, n *run) {
	if n.opened != nil || n.version > 0 {
		t.runs++
	}
	in, out := b.runMass(n)
	if n.final {
		t.unaccounted += in - out
	} else {
		t.process += in - out
	}
	if c := b.costs[n.id]; c != nil {
		t.costIn = t.costIn.plus(summand(c.conversion))
		t.writtenOff = t.writtenOff.plus(summand(c.abnormal))
		t.abnormal = t.abnormal.plus(summand(c.abnormal))
		t.inProcess = t.inProcess.plus(summand(c.process))
		t.err += c.err
	}
}
