package seasonfile

import (
	"huskline/internal/lot"
)

// network is the folder's genealogy: lots and runs as nodes, an edge from what was used to what came of it.
type network struct {
	of    map[lot.ID]int
	runs  map[lot.RunID]int
	edges [][]int
}

func (n *network) lot(id lot.ID) int {
	at, ok := n.of[id]
	if !ok {
		at = len(n.edges)
		n.of[id] = at
		n.edges = append(n.edges, nil)
	}
	return at
}

func (n *network) link(from, to int) { n.edges[from] = append(n.edges[from], to) }

// network builds the genealogy over the whole folder.
func (j *judge) network() *network {
	n := &network{of: make(map[lot.ID]int, len(j.lots)), runs: make(map[lot.RunID]int, len(j.runs))}
	for i := range j.season.Runs {
		r := &j.season.Runs[i]
		if j.runs[r.ID] != r {
			continue
		}
		node := len(n.edges)
		n.runs[r.ID] = node
		n.edges = append(n.edges, nil)
		for _, in := range r.Inputs {
			n.link(n.lot(in.Lot), node)
		}
		for _, o := range r.Outputs {
			if b := j.lots[o.Lot]; b != nil && b.Where == o.Where {
				n.link(node, n.lot(o.Lot))
			}
		}
	}
	for i := range j.season.Pours {
		n.link(n.lot(j.season.Pours[i].Lot), n.lot(j.season.Pours[i].Bin))
	}
	for i := range j.season.Returns {
		if lines := j.shipmentsOf(j.season.Returns[i].Shipment); len(lines) == 1 {
			n.link(n.lot(lines[0].Lot), n.lot(j.season.Returns[i].Lot))
		}
	}
	return n
}

// shipmentsOf is the lines of a shipment in file order.
func (j *judge) shipmentsOf(id string) []*Shipment {
	if len(j.shipments) == 0 {
		for i := range j.season.Shipments {
			s := &j.season.Shipments[i]
			j.shipments[s.ID] = append(j.shipments[s.ID], s)
		}
	}
	return j.shipments[id]
}

// graph lists what was made from its own outputs, then works out owners and items along the genealogy and lists where owners would mix.
func (j *judge) graph() {
	n := j.network()
	group, order := components(n.edges)
	size := make(map[int]int, len(n.edges))
	for _, g := range group {
		size[g]++
	}
	for i := range j.season.Runs {
		r := &j.season.Runs[i]
		node, ok := n.runs[r.ID]
		if !ok || size[group[node]] < 2 || j.runs[r.ID] != r {
			continue
		}
		for _, in := range r.Inputs {
			if group[n.of[in.Lot]] == group[node] {
				j.faults.add(in.Where, "lot", "run_fed_from_own_output", "run %s takes in lot %s, which was made from the run's own outputs", r.ID, in.Lot)
			}
		}
	}
	for i := range j.season.Pours {
		if p := &j.season.Pours[i]; p.Lot != p.Bin && group[n.of[p.Lot]] == group[n.of[p.Bin]] {
			j.faults.add(p.Where, "lot", "pour_fed_from_own_bin", "lot %s is poured into bin lot %s, from which it was made", p.Lot, p.Bin)
		}
	}
	j.inherit(n, group, order)
}

// inherit hands owners and items down in the order of the genealogy.
func (j *judge) inherit(n *network, group []int, order []int) {
	name := make([]any, len(n.edges))
	for id, at := range n.of {
		name[at] = id
	}
	for id, at := range n.runs {
		name[at] = j.runs[id]
	}
	pours, returns := map[lot.ID][]*Pour{}, map[lot.ID]*Return{}
	for i := range j.season.Pours {
		pours[j.season.Pours[i].Bin] = append(pours[j.season.Pours[i].Bin], &j.season.Pours[i])
	}
	for i := range j.season.Returns {
		returns[j.season.Returns[i].Lot] = &j.season.Returns[i]
	}
	for _, at := range order {
		switch it := name[at].(type) {
		case *Run:
			j.ownRun(it)
		case lot.ID:
			switch b := j.lots[it]; {
			case b == nil:
			case b.origin == byPour:
				j.ownBin(b, pours[it])
			case b.origin == byReturn:
				j.ownReturn(b, returns[it])
			}
		}
	}
	j.season.Owner = make(map[lot.ID]lot.PartyID, len(j.lots))
	j.season.ItemOf = make(map[lot.ID]lot.ItemID, len(j.lots))
	for id, b := range j.lots {
		j.season.Owner[id], j.season.ItemOf[id] = b.owner, b.item
	}
}

// ownRun gives a run the owner of its inputs, which must be one, and hands him to its outputs.
func (j *judge) ownRun(r *Run) {
	var first *born
	var firstLot lot.ID
	for _, in := range r.Inputs {
		b := j.lots[in.Lot]
		switch {
		case b == nil || !b.known:
		case first == nil:
			first, firstLot = b, in.Lot
		case b.owner != first.owner:
			j.faults.add(in.Where, "lot", "owners_mixed", "run %s takes in lot %s of %s beside lot %s of %s; the nuts of different owners never share a run",
				r.ID, in.Lot, ownerName(b.owner), firstLot, ownerName(first.owner))
		}
	}
	if first == nil {
		return
	}
	r.Owner = first.owner
	for _, o := range r.Outputs {
		if b := j.lots[o.Lot]; b != nil && b.Where == o.Where {
			b.owner, b.known = r.Owner, true
		}
	}
}

// ownBin gives a bin lot the owner and the item of what is poured into it, which must be one.
func (j *judge) ownBin(b *born, pours []*Pour) {
	for _, p := range pours {
		from := j.lots[p.Lot]
		switch {
		case from == nil || !from.known:
		case !b.known:
			b.owner, b.item, b.known = from.owner, from.item, true
		case from.owner != b.owner:
			j.faults.add(p.Where, "lot", "owners_mixed", "lot %s of %s is poured into bin lot %s of %s; the nuts of different owners never share a bin",
				p.Lot, ownerName(from.owner), p.Bin, ownerName(b.owner))
		case from.item != b.item:
			j.faults.add(p.Where, "lot", "items_mixed", "lot %s of item %s is poured into bin lot %s of item %s; a bin holds one item", p.Lot, from.item,
				p.Bin, b.item)
		}
	}
}

func (j *judge) ownReturn(b *born, r *Return) {
	if lines := j.shipmentsOf(r.Shipment); len(lines) == 1 {
		if from := j.lots[lines[0].Lot]; from != nil && from.known {
			b.owner, b.item, b.known = from.owner, from.item, true
		}
	}
}

// ownerName says whose a lot is in a fault's text.
func ownerName(p lot.PartyID) string {
	if p == "" {
		return "the company"
	}
	return "owner " + string(p)
}
