package cost

import (
	"cmp"
	"slices"
	"strings"

	"huskline/internal/lot"
	"huskline/internal/money"
)

// evaluateLot passes through a lot's flows in their order and says what each carries and what stays.
func (b *Book) evaluateLot(n *node) {
	n.order()
	s := n.lot
	kind := b.items[s.item()].kind()
	s.made, s.born, s.abnormal, s.provisional, s.short = 0, load{}, load{}, false, false
	var held load
	var onHand lot.Quantity
	for _, f := range n.flows {
		if f.to == n {
			l := b.arriving(s, f, kind)
			held, onHand = held.plus(l), onHand+f.quantity
			s.provisional = s.provisional || f.provisional
			continue
		}
		if f.kind == returned {
			continue
		}
		s.short = s.short || f.quantity > onHand
		out := drawn(f, held, onHand)
		held, onHand = held.minus(out), onHand-f.quantity
		if f.kind == dumped && kind == lot.Kernel {
			out = out.withoutKernel()
			out[kernelPounds] = int64(b.mass(s.item(), s.measure(), f.quantity))
			out[kernelPaid] = out[stockPaid] + out[service]
			out[kernelFinal] = out[stockFinal] + out[service]
		}
		b.carry(f, out, s.provisional)
	}
	if onHand == 0 {
		s.abnormal, held = held, load{}
	}
	s.onHand, s.held = onHand, held
	b.comeBack(n)
}

// arriving is what a flow brings into a lot; it adds to what the lot was made with, unless it is a gain found.
func (b *Book) arriving(s *lotState, f *flow, kind lot.ItemKind) load {
	switch f.kind {
	case received:
		f.load = s.receiptLoad()
	case titleIn:
		f.load = s.titleLoad()
	}
	l := f.load
	if kind != lot.Finished {
		l = l.withoutKernel()
	}
	if f.kind == adjusted {
		return l
	}
	s.born = s.born.plus(l)
	if f.goods != nil {
		s.made += f.quantity
	}
	return l
}

// drawn is what a flow takes out of a lot. Moisture and the like take pounds only: the dollars stay.
func drawn(f *flow, held load, onHand lot.Quantity) load {
	out := held.taken(f.quantity, onHand)
	if f.kind == adjusted && !f.writesOff {
		return load{kernelPounds: out[kernelPounds], unsettledPounds: out[unsettledPounds]}
	}
	return out
}

// receiptLoad is what a lot costs as it comes in: the purchase, freight and landed charges. Custom nuts are bought by nobody, so that what we pay to
// get them here is service cost; nuts still the seller's cost nothing until title passes.
func (s *lotState) receiptLoad() load {
	r := s.receipt.body
	landed := landed(r)
	switch r.Ownership {
	case lot.Custom:
		return load{service: int64(landed)}
	case lot.SellersOwn:
		return load{}
	}
	l := load{stockPaid: int64(r.Purchase + landed), stockFinal: int64(r.Purchase + landed)}
	if s.titlePrice != nil {
		return l
	}
	if final, ok := s.settled(); ok {
		l[stockFinal] = int64(final + landed)
		return l
	}
	if r.Price != nil {
		l[unsettledDollars] = int64(r.Purchase)
		if r.Measure != lot.ByCount {
			l[unsettledPounds] = int64(r.Quantity)
		}
	}
	return l
}

func landed(r lot.Received) money.Amount {
	sum := r.Freight
	for _, c := range r.Charges {
		sum += c.Amount
	}
	return sum
}

// titleLoad is what pounds bought from their owner cost: the price, and for a seller's own ticket bought whole what it took to get them here.
func (s *lotState) titleLoad() load {
	t := s.titlePrice
	var extra money.Amount
	if t.same && s.receipt != nil && s.receipt.body.Ownership == lot.SellersOwn {
		extra = landed(s.receipt.body)
	}
	l := load{stockPaid: int64(t.price + extra), stockFinal: int64(t.price + extra)}
	if final, ok := s.settled(); ok {
		l[stockFinal] = int64(final + extra)
	}
	return l
}

// comeBack gives each return of the lot's shipment lines its part of what the line took: of several one after the other, by time, then name.
func (b *Book) comeBack(n *node) {
	var backs []*flow
	for _, f := range n.flows {
		if f.kind == returned && f.from == n {
			backs = append(backs, f)
		}
	}
	slices.SortFunc(backs, func(x, y *flow) int {
		return cmp.Or(strings.Compare(x.back.shipment, y.back.shipment), cmp.Compare(x.back.line, y.back.line),
			cmp.Compare(x.at, y.at), strings.Compare(x.key, y.key))
	})
	var line *flow
	var away load
	var pounds lot.Quantity
	for i, f := range backs {
		if i == 0 || *f.back != *backs[i-1].back {
			line, away, pounds = b.lineOf(f, n), load{}, 0
			if line != nil {
				away, pounds = line.load, line.quantity
			}
		}
		got := away.taken(f.quantity, pounds)
		away, pounds = away.minus(got), pounds-f.quantity
		b.carry(f, got, line != nil && line.provisional)
	}
}

// lineOf is the shipment line of lot n that a return came back from, nil where it is not yet known.
func (b *Book) lineOf(f *flow, n *node) *flow {
	r, ok := b.records[recordKey{kind: shipped, key: f.back.shipment, line: f.back.line}]
	if !ok || r.flow == nil || r.flow.from != n {
		return nil
	}
	return r.flow
}
