package genealogy

import (
	"cmp"
	"math"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// View answers questions about the facts effective up to a time. It is good as long as nothing is applied to its index.
type View struct {
	index *Index
	at    int64
}

// View looks at the facts effective at or before `at`; the zero time means all.
func (x *Index) View(at time.Time) View {
	if at.IsZero() {
		return View{x, math.MaxInt64}
	}
	return View{x, micros(at)}
}

// counts tells whether a leg stands and had happened.
func (v View) counts(i int32) bool {
	l := &v.index.legs[i]
	return !l.dead && l.at <= v.at
}

// find gives the number of a lot. A lot that nothing names is not found; nor is one that was born only after the view's time.
func (v View) find(id lot.ID) (int32, error) {
	n := v.index.known(id)
	if n == none {
		return none, fault.NotFound("lot_unknown", "lot %s: no fact names it", id)
	}
	if v.at != math.MaxInt64 && !v.born(n) && v.index.View(time.Time{}).born(n) {
		return none, fault.NotFound("lot_unknown", "lot %s: not there yet at %s", id, timeOf(v.at).Format(time.RFC3339))
	}
	return n, nil
}

// born tells whether a birth of the lot is known; a voided delivery was told too.
func (v View) born(n int32) bool {
	if v.index.lots[n].voided {
		return true
	}
	for i := v.index.lots[n].in; i != none; i = v.index.legs[i].next {
		if v.counts(i) {
			return true
		}
	}
	return false
}

// Lot is what is known of a lot beside its pounds.
type Lot struct {
	ID          lot.ID
	Item        lot.ItemID
	ItemName    string
	Owner       lot.PartyID // empty: the company
	Measure     lot.Measure
	Source      lot.Source  // 0 where the plant made it
	From        lot.PartyID // who brought it, where it was received
	Received    time.Time   // zero where it was not received, or that is not told yet
	SupplierLot string
	Carrier     string
	Document    string
	Born        bool // false: facts name it, but none that made or received it is known yet
	Voided      bool
	Holds       []string // that stand on it, sorted
}

// Lot describes a lot.
func (v View) Lot(id lot.ID) (Lot, error) {
	n, err := v.find(id)
	if err != nil {
		return Lot{}, err
	}
	x := v.index
	of := x.lots[n]
	out := Lot{
		ID: id, Owner: x.parties[v.owner(n)].id, Measure: v.measure(n), Source: lot.Source(of.source),
		SupplierLot: x.papers[n].supplierLot, Carrier: x.papers[n].carrier, Document: x.papers[n].document,
		Born: v.born(n), Voided: of.voided, Holds: v.holdsOn(n),
	}
	if i := v.item(n); i != none {
		out.Item, out.ItemName = x.items[i].id, x.items[i].name
	}
	if of.party != none {
		out.From = x.parties[of.party].id
	}
	if at, ok := x.gates[n]; ok {
		out.Received = timeOf(at)
	}
	return out, nil
}

// owner is whose the lot is: told by its birth, changed by a purchase of the whole ticket; a bin lot's is that of what was poured.
func (v View) owner(n int32) int32 {
	for range v.index.lots {
		if at, ok := v.index.titles[n]; ok && at <= v.at {
			return 0
		}
		if of := v.index.lots[n].owner; of != none {
			return of
		}
		from := v.parent(n, pouredIn)
		if from == none {
			return 0
		}
		n = from
	}
	return 0
}

// item is what lies in the lot; a bought lot's is that of the lot it was bought from.
func (v View) item(n int32) int32 {
	for range v.index.lots {
		if of := v.index.lots[n].item; of != none {
			return of
		}
		from := v.parent(n, boughtIn)
		if from == none {
			return none
		}
		n = from
	}
	return none
}

func (v View) measure(n int32) lot.Measure {
	for range v.index.lots {
		if m := v.index.lots[n].measure; m != 0 {
			return lot.Measure(m)
		}
		from := v.parent(n, boughtIn)
		if from == none {
			break
		}
		n = from
	}
	return lot.ByWeight
}

// parent is the lot that a leg of a kind came from, the first told; none where there is none.
func (v View) parent(n int32, kind legKind) int32 {
	from := none
	for i := v.index.lots[n].in; i != none; i = v.index.legs[i].next {
		if v.index.legs[i].kind == kind && v.counts(i) {
			from = v.index.legs[i].peer
		}
	}
	return from
}

// pounds is a lot's quantity as a weight: pieces count by the weight of one, which is zero where the item has none.
func (v View) pounds(n int32, q lot.Quantity) weight.Mass {
	if v.measure(n) == lot.ByWeight {
		return weight.Mass(q)
	}
	if i := v.item(n); i != none {
		return weight.Mass(int64(q) * v.index.items[i].unit)
	}
	return 0
}

// Pounds is a quantity of a lot as a weight: pieces count by the weight of one, which is zero where the item has none.
func (v View) Pounds(id lot.ID, q lot.Quantity) (weight.Mass, error) {
	n, err := v.find(id)
	if err != nil {
		return 0, err
	}
	return v.pounds(n, q), nil
}

// Quantities are where a lot's pounds (or pieces, for a lot kept by count) came from and went. They foot:
// OnHand = Made - Used - Shipped + Adjusted - Unaccounted.
type Quantities struct {
	Made        lot.Quantity // received, made by runs, poured, come back or bought
	Used        lot.Quantity // taken by runs, poured into bins, bought by the company under another code
	Shipped     lot.Quantity // that left, whatever came back
	Returned    lot.Quantity // of what was shipped, came back as lots of their own
	Adjusted    lot.Quantity // signed, to accounts that explain it
	Unaccounted lot.Quantity // lost to accounts that explain nothing, and what the book held of an empty bin; below zero is a gain
	OnHand      lot.Quantity
}

// Quantities adds up a lot's legs.
func (v View) Quantities(id lot.ID) (Quantities, error) {
	n, err := v.find(id)
	if err != nil {
		return Quantities{}, err
	}
	return v.quantities(n), nil
}

func (v View) quantities(n int32) Quantities {
	var q Quantities
	x := v.index
	for i := x.lots[n].in; i != none; i = x.legs[i].next {
		if v.counts(i) {
			q.Made += x.legs[i].quantity
		}
	}
	for i := x.lots[n].out; i != none; i = x.legs[i].next {
		if !v.counts(i) {
			continue
		}
		switch l := &x.legs[i]; l.kind {
		case input, pouredOut, boughtOut:
			q.Used += l.quantity
		case shipped:
			q.Shipped += l.quantity
		case wentBack:
			q.Returned += l.quantity
		case adjusted:
			if l.explains {
				q.Adjusted += l.quantity
			} else {
				q.Unaccounted -= l.quantity
			}
		case emptied:
			q.Unaccounted += l.quantity
		}
	}
	q.OnHand = q.Made - q.Used - q.Shipped + q.Adjusted - q.Unaccounted
	return q
}

func sortReceipts(rs []lot.Receipt) {
	slices.SortFunc(rs, func(a, b lot.Receipt) int { return cmp.Compare(a.Producer, b.Producer) })
}

// ids turns lot numbers into codes, sorted as bytes.
func (v View) ids(ns []int32) []lot.ID {
	out := make([]lot.ID, 0, len(ns))
	for _, n := range ns {
		out = append(out, v.index.lots[n].id)
	}
	slices.Sort(out)
	return out
}
