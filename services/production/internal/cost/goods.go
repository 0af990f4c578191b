package cost

import (
	"cmp"
	"slices"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// goods is what a lot is, as the fact of its birth says.
type goods struct {
	item    lot.ItemID
	measure lot.Measure
	owner   lot.PartyID
	like    *node // of a bin lot: the lot poured, whose owner it has; of bought pounds: the owner's lot, whose item they are
}

// lotState is what is known and worked out of a lot.
type lotState struct {
	id          lot.ID
	birth       *flow // the earliest that fills it; nil: the lot is not yet known
	listed      lot.ItemID
	likes       []*node // lots bought out of it
	receipt     *receipt
	settlements map[string]settlement
	titlePrice  *title

	// Worked out at the last evaluation.
	made        lot.Quantity
	born        load // what the pounds made carried when they were made
	onHand      lot.Quantity
	held        load // what the pounds on hand carry
	abnormal    load // what stayed when no pound did
	provisional bool
	short       bool // more was drawn than is known to have come in
}

// item is what lies in the lot; empty where not yet known.
func (s *lotState) item() lot.ItemID {
	for depth := 0; s.birth != nil && depth < deepest; depth++ {
		if s.birth.kind != titleIn || s.birth.goods.like == nil || s.birth.goods.like.lot == s {
			return s.birth.goods.item
		}
		s = s.birth.goods.like.lot
	}
	return ""
}

// measure is what the lot's quantities count; by weight where not yet known.
func (s *lotState) measure() lot.Measure {
	for depth := 0; s.birth != nil && depth < deepest; depth++ {
		if s.birth.kind != titleIn || s.birth.goods.like == nil || s.birth.goods.like.lot == s {
			return s.birth.goods.measure
		}
		s = s.birth.goods.like.lot
	}
	return lot.ByWeight
}

// owner is whose the lot is; empty: the company's.
func (s *lotState) owner() lot.PartyID {
	for depth := 0; s.birth != nil && depth < deepest; depth++ {
		if s.titlePrice != nil {
			return ""
		}
		if s.birth.kind != poured || s.birth.goods.like.lot == s {
			return s.birth.goods.owner
		}
		s = s.birth.goods.like.lot
	}
	return ""
}

// deepest ends a walk from bin lot to bin lot that would go round in a circle; no season has as many bins.
const deepest = 1 << 20

// described marks what rests on the item, measure or kind of a lot: itself, the runs that take it in or give it, lots bought out of it.
func (b *Book) described(n *node) {
	b.mark(n)
	if id := n.lot.item(); id != "" && n.lot.listed != id {
		n.lot.listed = id
		it := b.item(id)
		it.lots = append(it.lots, n)
	}
	for _, f := range n.flows {
		if f.kind == dumped {
			b.touch(f.to)
		}
		if f.kind == filled {
			b.touch(f.from)
		}
	}
	for _, other := range n.lot.likes {
		if other != n {
			b.described(other)
		}
	}
}

// itemState is an item over time.
type itemState struct {
	changes []itemChange // by effective time, then stamp
	lots    []*node      // all that are, or were, lots of it
}

type itemChange struct {
	at    int64
	stamp stamp
	body  lot.ItemChanged
}

func (b *Book) item(id lot.ItemID) *itemState {
	it, ok := b.items[id]
	if !ok {
		it = &itemState{}
		b.items[id] = it
	}
	return it
}

// kind is what the item is in the flow of the plant, 0 where not yet known.
func (it *itemState) kind() lot.ItemKind {
	if it == nil || len(it.changes) == 0 {
		return 0
	}
	return it.changes[len(it.changes)-1].body.ItemKind
}

// unit is the weight of one piece, 0 where it has none or counts for nothing as packaging does.
func (it *itemState) unit() weight.Mass {
	if it == nil || len(it.changes) == 0 || it.kind() == lot.Packaging {
		return 0
	}
	return it.changes[len(it.changes)-1].body.Unit
}

// price is the split-off price in force at a time. An item's first price holds for all time before it, since nothing was known that says other.
// A price of zero means worth nothing, like none.
func (it *itemState) price(at int64) *money.Price {
	if it == nil || len(it.changes) == 0 {
		return nil
	}
	after, _ := slices.BinarySearchFunc(it.changes, at, func(c itemChange, at int64) int {
		if c.at <= at {
			return -1
		}
		return 1
	})
	p := it.changes[max(after-1, 0)].body.SplitOff
	if p != nil && *p <= 0 {
		return nil
	}
	return p
}

func (b *Book) itemChanged(body lot.ItemChanged, s stamp, at int64) {
	it := b.item(body.Item)
	kind, unit := it.kind(), it.unit()
	c := itemChange{at: at, stamp: s, body: body}
	i, repeated := slices.BinarySearchFunc(it.changes, c, func(a, b itemChange) int {
		return cmp.Or(cmp.Compare(a.at, b.at), a.stamp.compare(b.stamp))
	})
	if repeated {
		return
	}
	first := i == 0
	it.changes = slices.Insert(it.changes, i, c)
	for _, n := range it.lots {
		if kind != it.kind() || unit != it.unit() {
			b.described(n)
			continue
		}
		for _, f := range n.flows {
			if f.kind == filled && (first || f.from.run.end(f.from) >= at) {
				b.touch(f.from)
			}
		}
	}
}

// mass is the weight of a quantity of an item, for one kept by count the pieces x the weight of one.
func (b *Book) mass(item lot.ItemID, measure lot.Measure, q lot.Quantity) weight.Mass {
	if measure != lot.ByCount {
		return weight.Mass(q)
	}
	return weight.Mass(q) * b.items[item].unit()
}
