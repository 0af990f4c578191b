package verify

import (
	"fmt"
	"math/big"
	"slices"

	eventv1 "huskline/proto/huskline/event/v1"
)

// node is a lot or a run of the plant; one of them is set.
type node struct {
	lot *goods
	run *run
}

func (n node) String() string {
	if n.run != nil {
		return "run " + n.run.id
	}
	return n.lot.id
}

// edges lists what flows out of every lot and run, in the order of codes.
func (b *book) edges() (nodes []node, next map[node][]node) {
	next = map[node][]node{}
	for _, id := range b.order {
		g := b.lots[id]
		nodes = append(nodes, node{lot: g})
		for _, l := range g.legs {
			here := node{lot: g}
			switch l.kind {
			case filled:
				next[node{run: l.run}] = append(next[node{run: l.run}], here)
			case dumped:
				next[here] = append(next[here], node{run: l.run})
			case pouredIn, titleIn, broughtBack:
				if l.in != nil && l.in.lot != id {
					from := node{lot: b.lots[l.in.lot]}
					next[from] = append(next[from], here)
				}
			}
		}
	}
	for _, id := range b.runIDs {
		nodes = append(nodes, node{run: b.runs[id]})
	}
	return nodes, next
}

// trace puts lots and runs into an order in which each comes after what it rests on. Whatever cannot be ordered goes round in a circle.
func (b *book) trace(r *Report) {
	nodes, next := b.edges()
	b.topology = peel(nodes, next)
	placed := map[node]bool{}
	for _, n := range b.topology {
		placed[n] = true
	}
	var left []node
	back := map[node][]node{}
	for _, n := range nodes {
		if !placed[n] {
			left = append(left, n)
			for _, m := range next[n] {
				back[m] = append(back[m], n)
			}
		}
	}
	fine := map[node]bool{} // what only hangs below a circle
	for _, n := range peel(left, back) {
		fine[n] = true
	}
	for _, n := range left {
		if !fine[n] {
			r.differ("trace", n.String(), "not made from itself", "in a circle of lots and runs")
		}
	}
	edges := 0
	for _, id := range b.order {
		edges += len(b.lots[id].parents)
	}
	r.count("parents of lots", edges)
}

// peel takes nodes one after the other that nothing left flows into.
func peel(nodes []node, next map[node][]node) []node {
	waits := map[node]int{}
	for _, n := range nodes {
		waits[n] += 0
	}
	for _, n := range nodes {
		for _, m := range next[n] {
			if _, here := waits[m]; here {
				waits[m]++
			}
		}
	}
	var out []node
	for _, n := range nodes {
		if waits[n] == 0 {
			out = append(out, n)
		}
	}
	for i := 0; i < len(out); i++ {
		for _, m := range next[out[i]] {
			if _, here := waits[m]; !here {
				continue
			}
			if waits[m]--; waits[m] == 0 {
				out = append(out, m)
			}
		}
	}
	return out
}

// walk is all that can be reached from a lot, sorted, without itself.
func (b *book) walk(id string, next func(*goods) map[string]bool) []string {
	seen := map[string]bool{id: true}
	var out []string
	for todo := []string{id}; len(todo) > 0; todo = todo[1:] {
		for n := range next(b.lots[todo[0]]) {
			if !seen[n] {
				seen[n] = true
				out = append(out, n)
				todo = append(todo, n)
			}
		}
	}
	slices.Sort(out)
	return out
}

func (b *book) descendants(id string) []string {
	return b.walk(id, func(g *goods) map[string]bool { return g.children })
}

func (b *book) ancestors(id string) []string {
	return b.walk(id, func(g *goods) map[string]bool { return g.parents })
}

// checkOwners looks for nuts of different owners in one run or bin, and for goods that left to somebody who does not own them.
func (b *book) checkOwners(r *Report) {
	checked := 0
	differ := func(what, lot, want string) {
		checked++
		if g := b.lot(lot); !b.unborn[lot] && g.owner != want {
			r.differ("owner", what+" with "+lot, ownerName(want), ownerName(g.owner))
		}
	}
	for _, id := range b.runIDs {
		n := b.runs[id]
		for _, i := range n.inputs {
			differ("run "+id, i.GetLot(), n.owner)
		}
		for _, o := range n.outputs {
			if g := b.lot(o.GetLot()); g.until == nil || g.until.owner != n.owner {
				differ("run "+id, o.GetLot(), n.owner)
			}
		}
	}
	for id, p := range b.pours {
		if p.of.GetQuantity() != 0 {
			differ("pour "+id, p.of.GetLot(), b.lot(p.of.GetBinLot()).owner) // whose the first nuts in it were
		}
	}
	for _, key := range b.shipLines {
		s := b.shipped[key]
		want := ""
		switch s.of.GetKind() {
		case eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_OWNER:
			want = s.of.GetConsignee()
		case eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_SELLER:
			continue // rejected pounds may still be the seller's or already ours
		}
		if s.line.GetQuantity() != 0 {
			differ("shipment "+key.shipment, s.line.GetLot(), want)
		}
	}
	for _, c := range b.returned {
		differ("return "+c.of.GetReturnId(), c.of.GetOrigin(), c.of.GetOwner())
	}
	r.count("owners where lots meet", checked)
}

func ownerName(party string) string {
	if party == "" {
		return "the company's"
	}
	return party + "'s"
}

// checkHolds walks down from every lot under a safety hold. A hold on containers or on a fill window holds the whole lot. spreading names holds that are still on their way.
func (b *book) checkHolds(r *Report, spreading map[string]bool) {
	for _, h := range b.holds {
		if h.ended || h.class != eventv1.HoldClass_HOLD_CLASS_SAFETY || spreading[h.id] || b.lots[h.root] == nil {
			continue
		}
		below := b.walk(h.root, func(g *goods) map[string]bool {
			if h.excluded[g.id] {
				return nil
			}
			return g.children
		})
		for _, id := range append(below, h.root) {
			if !h.lots[id] && !h.excluded[id] {
				r.differ("hold", fmt.Sprintf("%s on %s", h.id, id), "held, being made from "+h.root+", or excluded with a reason", "neither")
			}
		}
		r.count("lots below a safety hold", len(below)+1)
	}
}

// whole is the scale of origin shares: a lot's shares are whole numbers of 10^-36, floored at each step, so that the error of a share stays
// far below what services are compared with.
func whole() *big.Int { return new(big.Int).Exp(big.NewInt(10), big.NewInt(36), nil) }

// origins are the shares of received lots in every lot.
func (b *book) origins() map[string]map[string]*big.Int {
	out := map[string]map[string]*big.Int{}
	for _, n := range b.topology {
		if n.lot == nil {
			continue
		}
		id := n.lot.id
		if n.lot.receipt != nil || len(n.lot.parents) == 0 {
			out[id] = map[string]*big.Int{id: whole()}
			continue
		}
		parts := b.sourcesOf(n.lot)
		sum := new(big.Int)
		for _, p := range parts {
			sum.Add(sum, p)
		}
		if sum.Sign() == 0 { // pieces without a weight: nothing says which weighed more
			for from := range parts {
				parts[from] = big.NewInt(1)
			}
			sum.SetInt64(int64(len(parts)))
		}
		shares := map[string]*big.Int{}
		if sum.Sign() > 0 {
			for from, p := range parts {
				for origin, s := range out[from] {
					add := new(big.Int).Mul(s, p)
					if shares[origin] == nil {
						shares[origin] = new(big.Int)
					}
					shares[origin].Add(shares[origin], add.Quo(add, sum))
				}
			}
		}
		out[id] = shares
	}
	return out
}

// sourcesOf are the micropounds that a lot has of each lot it was directly made from, to a common factor.
func (b *book) sourcesOf(g *goods) map[string]*big.Int {
	parts := map[string]*big.Int{}
	add := func(from string, n *big.Int) {
		if parts[from] == nil {
			parts[from] = new(big.Int)
		}
		parts[from].Add(parts[from], n)
	}
	told := map[*run]bool{}
	for _, l := range g.legs {
		switch l.kind {
		case pouredIn, broughtBack, titleIn:
			if l.in != nil && !l.keepsCode {
				add(l.in.lot, big.NewInt(b.mass(g.item, g.measure, l.quantity)))
			}
		case filled:
			if !told[l.run] { // a lot is filled by one run only, so its parts need no common measure with others
				told[l.run] = true
				b.runParts(l.run, g.id, add)
			}
		}
	}
	return parts
}

func (b *book) runParts(n *run, output string, add func(string, *big.Int)) {
	named := false
	for _, c := range n.contributions {
		if c.GetOutput() == output && c.GetQuantity() > 0 {
			named = true
			add(c.GetInput(), big.NewInt(c.GetQuantity()))
		}
	}
	if named {
		return
	}
	for _, i := range n.inputs {
		in := b.lot(i.GetLot())
		if i.GetQuantity() == 0 {
			continue
		}
		add(i.GetLot(), big.NewInt(b.mass(in.item, in.measure, i.GetQuantity())))
	}
}
