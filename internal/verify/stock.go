package verify

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
)

// The order of legs of a lot at one instant.
const (
	rankReceipt = iota // receipts and returns
	rankGain           // found by a draw over the book of a bin lot: before all that draws
	rankTitle
	rankRun
	rankMove // and pours
	rankAdjustment
	rankShipment
)

// kind is what a leg is to its lot.
type kind int

const (
	received kind = iota
	broughtBack
	titleIn
	titleOut
	filled
	dumped
	movedIn
	movedOut
	pouredIn
	pouredOut
	adjusted
	emptied
	shippedOut
)

// leg is a quantity that comes to a lot at a place for an owner, or leaves it.
type leg struct {
	lot, place, owner string
	kind              kind
	at                time.Time
	rank              int
	key               string // natural key, then line: the last tie-break
	quantity          int64  // signed
	writesOff         bool   // of a loss: dollars go with it
	unexplained       bool
	keepsCode         bool // of a title: the lot stays under its own code

	in  *leg // of a pour, title, return: the leg out of the other lot, or the shipment's
	out *eventv1.RunOutput
	run *run

	value vec   // worked out by reckon: what it carries
	err   int64 // and the most that rounding may have moved it, millionths
}

// goods is a lot as the facts make it.
type goods struct {
	id, item, owner string
	measure         eventv1.Measure
	ownership       eventv1.Ownership
	born            time.Time
	made            int64
	voided          bool
	receipt         *receipt
	legs            []*leg
	parents         map[string]bool
	children        map[string]bool
	run             string
	until           *passing // of a ticket that was bought whole under its own code

	onHand                        int64
	used, shipped, changed, blind int64 // own figures of the drill: changed is explained and signed, blind is what nothing explains

	cost cost
}

// passing is whose a lot was until a time.
type passing struct {
	owner string
	at    time.Time
}

// ownerAt is whose the lot was at a time, before a purchase at that very time.
func (g *goods) ownerAt(at time.Time) string {
	if g.until != nil && at.Before(g.until.at) {
		return g.until.owner
	}
	return g.owner
}

// book is all that follows from the facts.
type book struct {
	*facts
	lots      map[string]*goods
	order     []string // codes, sorted
	shipLegs  map[lineKey]*leg
	runIDs    []string
	topology  []node // lots and runs, each after what it rests on; what goes round in a circle is left out
	costs     map[string]*runCost
	chargesOf map[string][]charge
	totals    totals
	unborn    map[string]bool
	shipLines []lineKey
	linesOf   map[string][]lineKey // of a lot, those with something in them
}

func newBook(f *facts) *book {
	b := &book{facts: f, lots: map[string]*goods{}, shipLegs: map[lineKey]*leg{}, costs: map[string]*runCost{},
		chargesOf: map[string][]charge{}, unborn: map[string]bool{}, linesOf: map[string][]lineKey{}}
	for id, changes := range f.items {
		slices.SortStableFunc(changes, func(x, y itemChange) int { return x.at.Compare(y.at) })
		f.items[id] = changes
	}
	for id := range f.runs {
		b.runIDs = append(b.runIDs, id)
	}
	slices.Sort(b.runIDs)
	for key := range f.shipped {
		b.shipLines = append(b.shipLines, key)
	}
	slices.SortFunc(b.shipLines, lineKey.compare)
	b.receipts()
	b.runLegs()
	for _, t := range b.bought { // before what else happens: from then on it happens to the company's pounds
		b.titleLegs(t)
	}
	b.pourLegs()
	b.otherLegs()
	b.unmade()
	for id := range b.lots {
		b.order = append(b.order, id)
	}
	slices.Sort(b.order)
	for _, g := range b.lots {
		slices.SortStableFunc(g.legs, before)
	}
	return b
}

// before is the order of a lot's legs: time, rank, what comes in before what goes out, then the natural key as bytes. Title alone leaves an owner
// before it comes to the company: of a ticket that keeps its code, the same pounds would lie there twice in between.
func before(x, y *leg) int {
	way := -cmp.Compare(sign(x.quantity), sign(y.quantity))
	if x.rank == rankTitle {
		way = -way
	}
	return cmp.Or(x.at.Compare(y.at), cmp.Compare(x.rank, y.rank), way, strings.Compare(x.key, y.key))
}

func sign(n int64) int { return cmp.Compare(n, 0) }

func (b *book) lot(id string) *goods {
	if b.lots[id] == nil {
		b.lots[id] = &goods{id: id, parents: map[string]bool{}, children: map[string]bool{}}
	}
	return b.lots[id]
}

// enter puts a leg on its lot and gives it back.
func (b *book) enter(l *leg) *leg {
	g := b.lot(l.lot)
	g.legs = append(g.legs, l)
	return l
}

// bear says what a lot is, once.
func (b *book) bear(id, item, owner string, m eventv1.Measure, at time.Time) *goods {
	g := b.lot(id)
	if g.item == "" {
		g.item, g.owner, g.measure, g.born = item, owner, m, at
	}
	if at.Before(g.born) {
		g.born = at
	}
	return g
}

func (b *book) descend(parent, child string) {
	if parent != child {
		b.lot(parent).children[child] = true
		b.lot(child).parents[parent] = true
	}
}

func (b *book) receipts() {
	for id, r := range b.received {
		g := b.bear(id, r.of.GetItem(), r.of.GetOwner(), r.of.GetMeasure(), r.at)
		g.receipt, g.voided, g.ownership = r, r.voided, r.of.GetOwnership()
		if !r.voided {
			g.made += r.of.GetQuantity()
			b.enter(&leg{lot: id, place: r.of.GetPlace(), owner: g.owner, kind: received, at: r.at, key: id, quantity: r.of.GetQuantity()})
		}
	}
}

func (b *book) runLegs() {
	for _, id := range b.runIDs {
		n := b.runs[id]
		for _, o := range n.outputs {
			g := b.bear(o.GetLot(), o.GetItem(), o.GetOwner(), o.GetMeasure(), o.GetAt().AsTime())
			g.made += o.GetQuantity()
			g.run = id
			b.enter(&leg{lot: o.GetLot(), place: o.GetPlace(), owner: o.GetOwner(), kind: filled, at: o.GetAt().AsTime(), rank: rankRun,
				key: fmt.Sprintf("%s\x00%020d", id, o.GetLine()), quantity: o.GetQuantity(), run: n, out: o})
		}
		for _, i := range n.inputs {
			b.enter(&leg{lot: i.GetLot(), place: i.GetPlace(), owner: n.owner, kind: dumped, at: i.GetAt().AsTime(), rank: rankRun,
				key: fmt.Sprintf("%s\x00%020d", id, i.GetLine()), quantity: -i.GetQuantity(), run: n})
		}
		b.runEdges(n)
	}
}

// runEdges joins each output with the inputs it was made from: all of them, or those that the contribution table gives it. An output that the
// table does not name has all.
func (b *book) runEdges(n *run) {
	named := map[string]bool{}
	for _, c := range n.contributions {
		if c.GetQuantity() > 0 {
			b.descend(c.GetInput(), c.GetOutput())
			named[c.GetOutput()] = true
		}
	}
	for _, o := range n.outputs {
		if named[o.GetLot()] {
			continue
		}
		for _, i := range n.inputs {
			b.descend(i.GetLot(), o.GetLot())
		}
	}
}

// pourLegs fills bins: a bin lot is what was poured first, and whose that was.
func (b *book) pourLegs() {
	var all []*pour
	for _, p := range b.pours {
		if p.of.GetQuantity() != 0 {
			all = append(all, p)
		}
	}
	slices.SortFunc(all, func(x, y *pour) int {
		return cmp.Or(x.at.Compare(y.at), strings.Compare(x.of.GetPour(), y.of.GetPour()))
	})
	for _, p := range all {
		from := b.lot(p.of.GetLot())
		g := b.bear(p.of.GetBinLot(), p.of.GetItem(), from.owner, p.of.GetMeasure(), p.at)
		g.made += p.of.GetQuantity()
		out := b.enter(&leg{lot: p.of.GetLot(), place: p.of.GetPlace(), owner: from.owner, kind: pouredOut, at: p.at, rank: rankMove,
			key: p.of.GetPour(), quantity: -p.of.GetQuantity()})
		b.enter(&leg{lot: p.of.GetBinLot(), place: p.of.GetBinPlace(), owner: g.owner, kind: pouredIn, at: p.at, rank: rankMove,
			key: p.of.GetPour(), quantity: p.of.GetQuantity(), in: out})
		b.descend(p.of.GetLot(), p.of.GetBinLot())
	}
}

// unmade voids lots that a run or pour once made and, corrected, makes no more: their codes stay known, with nothing under them.
func (b *book) unmade() {
	for id, was := range b.once {
		if g := b.bear(id, was.item, was.owner, was.measure, was.at); g.receipt == nil && g.made == 0 {
			g.voided = true
		}
	}
}

func (b *book) otherLegs() {
	for _, e := range b.emptied {
		if e.of.GetRemainder() != 0 {
			b.enter(&leg{lot: e.of.GetBinLot(), place: e.of.GetPlace(), owner: b.lot(e.of.GetBinLot()).owner, kind: emptied, at: e.at,
				rank: rankAdjustment, key: e.of.GetEmptying(), quantity: -e.of.GetRemainder(), writesOff: true, unexplained: true})
		}
	}
	for id, a := range b.adjusted {
		if a.of.GetDelta() != 0 {
			rank := rankAdjustment
			if a.of.GetDrawnBy() != "" {
				rank = rankGain
			}
			b.enter(&leg{lot: a.of.GetLot(), place: a.of.GetPlace(), owner: b.lot(a.of.GetLot()).owner, kind: adjusted, at: a.at,
				rank: rank, key: id, quantity: a.of.GetDelta(), writesOff: a.of.GetAccount().GetWritesOff(),
				unexplained: a.of.GetAccount().GetUnaccounted()})
		}
	}
	for key, s := range b.shipped {
		if s.line.GetQuantity() != 0 {
			b.linesOf[s.line.GetLot()] = append(b.linesOf[s.line.GetLot()], key)
			b.shipLegs[key] = b.enter(&leg{lot: s.line.GetLot(), place: s.line.GetPlace(), owner: b.lot(s.line.GetLot()).owner, kind: shippedOut,
				at: s.at, rank: rankShipment, key: fmt.Sprintf("%s\x00%020d", key.shipment, key.line), quantity: -s.line.GetQuantity()})
		}
	}
	for _, c := range b.returned {
		g := b.bear(c.of.GetLot(), c.of.GetItem(), c.of.GetOwner(), c.of.GetMeasure(), c.at)
		g.made += c.of.GetQuantity()
		b.enter(&leg{lot: c.of.GetLot(), place: c.of.GetPlace(), owner: c.of.GetOwner(), kind: broughtBack, at: c.at, key: c.of.GetReturnId(),
			quantity: c.of.GetQuantity(), in: b.shipLegs[lineKey{c.of.GetShipment(), c.of.GetLine()}]})
		b.descend(c.of.GetOrigin(), c.of.GetLot())
	}
	for _, m := range b.moved {
		owner := b.lot(m.of.GetLot()).ownerAt(m.at)
		b.enter(&leg{lot: m.of.GetLot(), place: m.of.GetFromPlace(), owner: owner, kind: movedOut, at: m.at, rank: rankMove,
			key: m.of.GetMovement(), quantity: -m.of.GetQuantity()})
		b.enter(&leg{lot: m.of.GetLot(), place: m.of.GetToPlace(), owner: owner, kind: movedIn, at: m.at, rank: rankMove,
			key: m.of.GetMovement(), quantity: m.of.GetQuantity()})
	}
}

// titleLegs passes pounds from an owner to the company: to a lot of their own, or under the same code where an untouched ticket was bought whole.
func (b *book) titleLegs(t *purchase) {
	from, keeps := b.lot(t.of.GetLot()), t.of.GetNewLot() == t.of.GetLot()
	out := b.enter(&leg{lot: t.of.GetLot(), place: t.of.GetPlace(), owner: t.of.GetOwner(), kind: titleOut, at: t.at, rank: rankTitle,
		key: t.of.GetPurchase(), quantity: -t.of.GetQuantity(), keepsCode: keeps})
	g := b.bear(t.of.GetNewLot(), from.item, "", from.measure, t.at)
	if keeps {
		g.until = &passing{t.of.GetOwner(), t.at}
		g.owner, g.ownership = "", eventv1.Ownership_OWNERSHIP_COMPANY
	} else {
		g.made += t.of.GetQuantity()
	}
	b.enter(&leg{lot: t.of.GetNewLot(), place: t.of.GetPlace(), kind: titleIn, at: t.at, rank: rankTitle, key: t.of.GetPurchase(),
		quantity: t.of.GetQuantity(), keepsCode: keeps, in: out})
	b.descend(t.of.GetLot(), t.of.GetNewLot())
}

// pile is what a lot's quantities are kept by.
type pile struct{ place, owner string }

// checkStock walks every lot through its season: never below zero, and nothing of a lot that was not born.
func (b *book) checkStock(r *Report) {
	legs := 0
	for _, id := range b.order {
		g := b.lots[id]
		if g.item == "" {
			r.differ("stock", id, "born by a receipt, run, pour, return or purchase", "used, and never born")
			b.unborn[id] = true
		}
		piles := map[pile]int64{}
		for _, l := range g.legs {
			p := pile{l.place, l.owner}
			piles[p] += l.quantity
			if piles[p] < 0 {
				r.differ("stock", fmt.Sprintf("%s at %q of %q", id, l.place, l.owner), "never below zero",
					fmt.Sprintf("%s at %s after %s", quantity(g, piles[p]), l.at.Format(time.RFC3339Nano), l.key))
			}
			b.tally(g, l)
		}
		legs += len(g.legs)
	}
	r.count("lots", len(b.order))
	r.count("movements of lots", legs)
}

func (b *book) tally(g *goods, l *leg) {
	g.onHand += l.quantity
	switch l.kind {
	case dumped, pouredOut, titleOut:
		if !l.keepsCode {
			g.used -= l.quantity
		}
	case shippedOut:
		g.shipped -= l.quantity
	case adjusted, emptied:
		if l.unexplained {
			g.blind -= l.quantity
		} else {
			g.changed += l.quantity
		}
	}
}

// quantity prints pounds or pieces.
func quantity(g *goods, n int64) string {
	if g.measure == eventv1.Measure_MEASURE_COUNT {
		return fmt.Sprintf("%d pieces", n)
	}
	return weight.Mass(n).String() + " lb"
}

// mass is the micropounds of a quantity of a lot: pieces x the weight of one, nothing where their item has none or is packaging.
func (b *book) mass(item string, m eventv1.Measure, n int64) int64 {
	if m != eventv1.Measure_MEASURE_COUNT {
		return n
	}
	changes := b.items[item]
	if len(changes) == 0 || changes[len(changes)-1].item.GetKind() == eventv1.ItemKind_ITEM_KIND_PACKAGING {
		return 0
	}
	return n * changes[len(changes)-1].item.GetUnitMicropounds()
}

func (b *book) itemKind(item string) eventv1.ItemKind {
	changes := b.items[item]
	if len(changes) == 0 {
		return eventv1.ItemKind_ITEM_KIND_UNSPECIFIED
	}
	return changes[len(changes)-1].item.GetKind()
}
