package sim

import (
	"context"
	"slices"
	"strings"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

// parents are what went into a node, one step up; through the nodes of runs too.
func (t *tx) parents(node string) []stock.Edge {
	var out []stock.Edge
	for _, e := range t.s.edges.All() {
		if e.Child == node {
			out = append(out, e)
		}
	}
	return out
}

func isRun(node string) bool { return strings.HasPrefix(node, " ") }

// passes tells whether goods of an input went into an output of a run: where its contribution table names the output, only what the table says.
func (t *tx) passes(run string, input, output lot.ID) bool {
	table, _ := t.s.tables.Get(lot.RunID(strings.TrimPrefix(run, " ")))
	named := false
	for _, c := range table {
		if c.Output != output {
			continue
		}
		if c.Input == input {
			return true
		}
		named = true
	}
	return !named
}

// lotEdges are the steps from lot to lot, each with the fact by which the parent was drawn.
func (t *tx) lotEdges() []stock.Edge {
	var out []stock.Edge
	for _, e := range t.s.edges.All() {
		switch {
		case !isRun(e.Parent) && !isRun(e.Child):
			out = append(out, e)
		case isRun(e.Parent):
			for _, in := range t.parents(e.Parent) {
				if t.passes(e.Parent, lot.ID(in.Parent), lot.ID(e.Child)) {
					out = append(out, stock.Edge{Parent: in.Parent, Child: e.Child, Fact: in.Fact})
				}
			}
		}
	}
	return out
}

// FeedsItself tells whether a node is among what it is made from.
func (t *tx) FeedsItself(_ context.Context, node string) (bool, error) {
	seen, level := map[string]bool{}, []string{node}
	for len(level) > 0 {
		var next []string
		for _, n := range level {
			for _, e := range t.parents(n) {
				if e.Parent == node {
					return true, nil
				}
				if !seen[e.Parent] {
					seen[e.Parent] = true
					next = append(next, e.Parent)
				}
			}
		}
		level = next
	}
	return false, nil
}

// HeldAbove finds an ancestor of the lots, or one of them, on which a spreading hold lies.
func (t *tx) HeldAbove(_ context.Context, lots []lot.ID) (stock.Marked, error) {
	edges := t.lotEdges()
	for _, id := range t.spreading() {
		seen, level, first := map[lot.ID]bool{}, lots, true
		for len(level) > 0 {
			var next []lot.ID
			for _, l := range level {
				on, through := t.lies(id, l, first)
				if on {
					return stock.Marked{Hold: id, Lot: l}, nil
				}
				if !through {
					continue
				}
				for _, e := range edges {
					if p := lot.ID(e.Parent); lot.ID(e.Child) == l && !seen[p] {
						seen[p] = true
						next = append(next, p)
					}
				}
			}
			level, first = next, false
		}
	}
	return stock.Marked{}, nil
}

// lies tells whether a hold lies on a lot, and else whether the walk goes on above it.
func (t *tx) lies(id string, l lot.ID, drawn bool) (on, through bool) {
	f, marked := t.s.flags.Get(key(string(l), id))
	if !marked || f.inherited {
		return false, true
	}
	h, _ := t.s.holds.Get(id)
	if flag := h.Flag(); drawn && h.Root == l && flag.Part {
		return false, true
	}
	return !f.excluded, false
}

func (t *tx) spreading() []string {
	var out []string
	for _, m := range t.s.frontier.All() {
		if h, _ := t.s.holds.Get(m.Hold); !h.Ended && !slices.Contains(out, m.Hold) {
			out = append(out, m.Hold)
		}
	}
	return out
}

// Frontier gives lots that a hold must still reach.
func (t *tx) Frontier(_ context.Context, id string, limit int) ([]lot.ID, error) {
	var out []lot.ID
	for _, m := range t.s.frontier.All() {
		if m.Hold == id && len(out) < limit {
			out = append(out, m.Lot)
		}
	}
	return out, nil
}

// Reached takes lots off the frontier.
func (t *tx) Reached(_ context.Context, id string, lots []lot.ID) error {
	for _, l := range lots {
		t.s.frontier.Delete(key(id, string(l)))
	}
	return nil
}

// LockRunsBelow has nothing to lock: transactions run one after the other.
func (t *tx) LockRunsBelow(context.Context, []lot.ID) error { return nil }

// Children are the lots made from lots, directly, in key order.
func (t *tx) Children(_ context.Context, lots []lot.ID) ([]lot.ID, error) {
	var out []lot.ID
	for _, e := range t.lotEdges() {
		if slices.Contains(lots, lot.ID(e.Parent)) {
			out = append(out, lot.ID(e.Child))
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

// Parentage tells what lots are made from, directly, as far as a hold was put on that, or lifted.
func (t *tx) Parentage(_ context.Context, id string, lots []lot.ID) ([]hold.Parentage, error) {
	h, _ := t.s.holds.Get(id)
	var out []hold.Parentage
	for _, e := range t.lotEdges() {
		child, parent := lot.ID(e.Child), lot.ID(e.Parent)
		f, marked := t.s.flags.Get(key(e.Parent, id))
		if !marked || !slices.Contains(lots, child) {
			continue
		}
		i := slices.IndexFunc(out, func(p hold.Parentage) bool { return p.Lot == child && p.Parent == parent })
		if i < 0 {
			i = len(out)
			out = append(out, hold.Parentage{Lot: child, Parent: parent})
		}
		out[i].Held = out[i].Held || !f.excluded && (h.Root != parent || h.Since.IsZero() || t.drawnSince(e, h))
		out[i].Excluded = out[i].Excluded || f.excluded
	}
	return out, nil
}

// drawnSince tells whether a fact drew of a lot after the part of it that is held came to be.
func (t *tx) drawnSince(e stock.Edge, h hold.Hold) bool {
	return slices.ContainsFunc(t.s.legs.Rows(), func(l stock.Leg) bool {
		return string(l.Spot.Lot) == e.Parent && l.Fact == e.Fact && l.Quantity < 0 && !l.Key.At.Before(h.Since)
	})
}
