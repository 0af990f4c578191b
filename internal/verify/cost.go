package verify

import (
	"math/big"
	"slices"
	"time"

	eventv1 "huskline/proto/huskline/event/v1"
)

// The columns of a vec: dollars at the prices first paid and with final prices, stock and service apart; then the kernel in a lot, and its dollars.
const (
	paidStock = iota
	paidService
	finalStock
	finalService
	kernelPounds
	kernelPaidStock
	kernelPaidService
	kernelFinalStock
	kernelFinalService
	columns
)

// vec is what goods carry: millionths of the currency unit and micropounds, as exact fractions. A nil entry is zero.
type vec [columns]*big.Rat

func (v vec) at(c int) *big.Rat {
	if v[c] == nil {
		return new(big.Rat)
	}
	return v[c]
}

func (v vec) plus(w vec) vec {
	for c := range v {
		switch {
		case w[c] == nil:
		case v[c] == nil:
			v[c] = w[c]
		default:
			v[c] = new(big.Rat).Add(v[c], w[c])
		}
	}
	return v
}

func (v vec) times(f *big.Rat) vec {
	for c := range v {
		if v[c] != nil {
			v[c] = new(big.Rat).Mul(v[c], f)
		}
	}
	return v
}

func (v vec) minus(w vec) vec { return v.plus(w.times(big.NewRat(-1, 1))) }

// money is v without its kernel columns.
func (v vec) money() vec {
	for c := kernelPounds; c < columns; c++ {
		v[c] = nil
	}
	return v
}

// both puts an amount into a column of each price set.
func both(paid, final int, amount *big.Rat) vec {
	var v vec
	v[paid], v[final] = amount, amount
	return v
}

func whole64(n int64) *big.Rat { return new(big.Rat).SetInt64(n) }

// cost is what a lot carries.
type cost struct {
	born     vec
	bornErr  int64
	onHand   vec
	err      int64
	abnormal vec
}

// runCost is a run's account.
type runCost struct {
	material, conversion, credit, kernel vec
	abnormal, process                    vec
	kernelMass                           int64
	err                                  int64
}

// portion is the bound on a part of an amount that is itself known to err: the part of the error, and one millionth for the part's own rounding.
func portion(err, part, of int64) int64 {
	if of <= 0 || part >= of {
		return err + 1
	}
	n := new(big.Int).Mul(big.NewInt(err), big.NewInt(part))
	n.Add(n, big.NewInt(of-1))
	return n.Quo(n, big.NewInt(of)).Int64() + 1
}

// reckon works out the cost of every lot and run, each after what it rests on.
func (b *book) reckon(r *Report) {
	b.spreadCharges()
	for _, n := range b.topology {
		if n.run != nil {
			b.reckonRun(n.run)
			continue
		}
		b.reckonLot(n.lot)
		r.RoundingMicros = max(r.RoundingMicros, n.lot.cost.bornErr, n.lot.cost.err)
	}
}

// reckonLot passes through a lot's season: what it carries per unit on hand changes with what comes in, and with pounds lost without their dollars.
func (b *book) reckonLot(g *goods) {
	var held vec
	var onHand, err int64
	finished := b.itemKind(g.item) == eventv1.ItemKind_ITEM_KIND_FINISHED
	for _, l := range g.legs {
		switch {
		case l.kind == movedIn || l.kind == movedOut:
		case l.quantity >= 0:
			value, e := b.arriving(g, l)
			if !finished {
				value = value.money()
			}
			held, err, onHand = held.plus(value), err+e, onHand+l.quantity
			if l.kind != adjusted {
				g.cost.born, g.cost.bornErr = g.cost.born.plus(value), g.cost.bornErr+e
			}
		default:
			taken := held
			if -l.quantity < onHand {
				taken = held.times(big.NewRat(-l.quantity, onHand))
			}
			if l.kind == adjusted && !l.writesOff {
				var pounds vec
				pounds[kernelPounds] = taken[kernelPounds]
				taken = pounds
			}
			l.value, l.err = taken, portion(err, -l.quantity, onHand)
			if l.kind != adjusted || l.writesOff {
				err = portion(err, onHand+l.quantity, onHand)
			}
			held, onHand = held.minus(taken), onHand+l.quantity
		}
	}
	if onHand == 0 {
		g.cost.abnormal, held = held, vec{}
	}
	g.cost.onHand, g.cost.err = held, err
}

// arriving is what a leg brings into its lot.
func (b *book) arriving(g *goods, l *leg) (vec, int64) {
	switch l.kind {
	case received:
		return b.purchaseCost(g), 0
	case titleIn:
		return b.titleCost(g, l)
	case filled:
		return l.value, l.err
	case pouredIn:
		return l.in.value, l.in.err
	case broughtBack:
		if l.in == nil || l.in.quantity == 0 {
			return vec{}, 0
		}
		return l.in.value.times(big.NewRat(l.quantity, -l.in.quantity)), l.in.err + 2
	}
	return vec{}, 0
}

// purchaseCost is a receipt at the prices first paid and with the final price. Custom nuts are bought by nobody: what it took to get them here is
// a service; nuts that are still the seller's cost nothing yet.
func (b *book) purchaseCost(g *goods) vec {
	of := g.receipt.of
	landed := landed(of)
	switch of.GetOwnership() {
	case eventv1.Ownership_OWNERSHIP_CUSTOM:
		return both(paidService, finalService, whole64(landed))
	case eventv1.Ownership_OWNERSHIP_SELLER:
		return vec{}
	}
	v := both(paidStock, finalStock, whole64(of.GetPurchaseMicros()+landed))
	if s, ok := b.settled[g.id]; ok {
		v[finalStock] = whole64(s.of.GetPurchaseMicros() + landed)
	}
	return v
}

func landed(of *eventv1.LotReceived) int64 {
	sum := of.GetFreightMicros()
	for _, c := range of.GetCharges() {
		sum += c.GetAmountMicros()
	}
	return sum
}

// titleCost is what an owner was paid. Of a seller's ticket bought whole, what it took to get it here belongs to it too.
func (b *book) titleCost(g *goods, l *leg) (vec, int64) {
	var price, extra int64
	for _, t := range b.bought {
		if t.of.GetPurchase() == l.key {
			price = t.of.GetPriceMicros()
		}
	}
	if l.in.lot == g.id && g.receipt != nil && g.receipt.of.GetOwnership() == eventv1.Ownership_OWNERSHIP_SELLER {
		extra = landed(g.receipt.of)
	}
	v := both(paidStock, finalStock, whole64(price+extra))
	if s, ok := b.settled[g.id]; ok {
		v[finalStock] = whole64(s.of.GetPurchaseMicros() + extra)
	}
	return v, 0
}

// main is a main output of a run, all its fillings together.
type main struct {
	lot, item string
	measure   eventv1.Measure
	quantity  int64
	mass      int64
	price     int64
	fills     []*leg
	value     vec
	err       int64
}

// reckonRun spreads what a run cost over its outputs.
func (b *book) reckonRun(n *run) {
	c := &runCost{}
	b.costs[n.id] = c
	in, out := b.runMass(n)
	for _, l := range b.dumps(n) {
		c.material = c.material.plus(b.brings(l))
		c.err += l.err
	}
	charges, count := b.conversion(n)
	c.err += count
	if n.owner == "" {
		c.conversion = both(paidStock, finalStock, charges)
	} else {
		c.conversion = both(paidService, finalService, charges)
	}
	pool := c.material.plus(c.conversion)
	if n.owner == "" {
		b.credit(n, c, pool)
		pool = pool.minus(c.credit)
	}
	mains, priced := b.mains(n)
	weighs := false
	for _, m := range mains {
		weighs = weighs || m.quantity > 0
	}
	switch {
	case n.final && !weighs:
		c.abnormal = pool
		return
	case !n.final && !weighs:
		c.process = pool
		return
	case !n.final && out < in:
		whole := pool
		pool = pool.times(big.NewRat(out, in))
		c.process = whole.minus(pool)
	}
	b.spread(n, pool, mains, priced, c.err)
	for _, m := range mains {
		b.fill(m, c)
	}
}

// dumps are the legs that went into a run.
func (b *book) dumps(n *run) []*leg {
	var out []*leg
	seen := map[string]bool{}
	for _, i := range n.inputs {
		if seen[i.GetLot()] {
			continue
		}
		seen[i.GetLot()] = true
		for _, l := range b.lot(i.GetLot()).legs {
			if l.kind == dumped && l.run == n {
				out = append(out, l)
			}
		}
	}
	return out
}

// brings is what an input carries into a run. A kernel lot is kernel with all its dollars; a finished lot passes on the kernel in it; other lots
// have none.
func (b *book) brings(l *leg) vec {
	g := b.lots[l.lot]
	v := l.value
	switch b.itemKind(g.item) {
	case eventv1.ItemKind_ITEM_KIND_KERNEL:
		v[kernelPounds] = whole64(b.mass(g.item, g.measure, -l.quantity))
		for c := range kernelPounds {
			v[kernelPaidStock+c] = v[c]
		}
	case eventv1.ItemKind_ITEM_KIND_FINISHED:
	default:
		v = v.money()
	}
	return v
}

// conversion is a run's part of all charges in force that name it, by the pounds each run took in, and how many charges there are.
func (b *book) conversion(n *run) (*big.Rat, int64) {
	sum := new(big.Rat)
	for _, c := range b.chargesOf[n.id] {
		var own, all int64
		for _, id := range c.runs {
			in, _ := b.runMass(b.run(id))
			all += in
			if id == n.id {
				own = in
			}
		}
		part := big.NewRat(1, int64(len(c.runs)))
		if all > 0 {
			part = big.NewRat(own, all)
		}
		sum.Add(sum, part.Mul(part, whole64(c.amount)))
	}
	return sum, int64(len(b.chargesOf[n.id]))
}

// charge is conversion cost in force, and the runs it names, each once.
type charge struct {
	runs   []string
	amount int64
}

// spreadCharges lists the charges in force by run.
func (b *book) spreadCharges() {
	for _, id := range sorted(b.charges) {
		if b.replaced[id] {
			continue
		}
		runs := slices.Clone(b.charges[id].GetRuns())
		slices.Sort(runs)
		c := charge{slices.Compact(runs), b.charges[id].GetAmountMicros()}
		for _, run := range c.runs {
			b.chargesOf[run] = append(b.chargesOf[run], c)
		}
	}
}

// priceAt is an item's split-off price in force at a time: its first one holds for all time before; zero means none.
func (b *book) priceAt(item string, at time.Time) int64 {
	changes := b.items[item]
	if len(changes) == 0 {
		return 0
	}
	price := changes[0].item.GetSplitOffMicrosPerLb()
	for _, c := range changes {
		if !c.at.After(at) {
			price = c.item.GetSplitOffMicrosPerLb()
		}
	}
	return max(price, 0)
}

// end is when a run split off.
func (n *run) end() time.Time {
	if n.completed != nil {
		return n.completed.GetEnd().AsTime()
	}
	if n.final {
		return n.finalAt
	}
	var last time.Time
	for _, o := range n.outputs {
		if at := o.GetAt().AsTime(); at.After(last) {
			last = at
		}
	}
	return last
}
