package sim

import (
	"fmt"
	"slices"
	"strings"

	"huskline/internal/lot"
	inventory "huskline/services/inventory/sim"
)

// holdsAtRest: every descendant of what a safety hold lies on is held, or excluded with a reason.
func holdsAtRest(state inventory.State) error {
	if state.Frontier > 0 {
		return fmt.Errorf("%d lots are still to be reached", state.Frontier)
	}
	children := map[lot.ID][]lot.ID{}
	for _, e := range state.Edges {
		children[e.Parent] = append(children[e.Parent], e.Child)
	}
	for _, h := range state.Holds {
		if h.Class != lot.SafetyHold || h.Ended {
			continue
		}
		flags := map[lot.ID]inventory.Flag{}
		for _, f := range state.Flags {
			if f.Hold == h.ID {
				flags[f.Lot] = f
			}
		}
		for _, id := range below(children, h.Root) {
			f, ok := flags[id]
			if !ok {
				return fmt.Errorf("lot %s is made from %s, on which hold %s lies, and is neither held nor excluded", id, h.Root, h.ID)
			}
			if f.Excluded && f.Reason == "" {
				return fmt.Errorf("lot %s is excluded from hold %s without a reason", id, h.ID)
			}
		}
		for id, f := range flags {
			if !f.Excluded && !(h.Part && id == h.Root) { // what was drawn before the part that is held came to be is spared
				for _, child := range children[id] {
					if c := flags[child]; c.Excluded && strings.HasPrefix(c.Reason, "made from lot ") {
						return fmt.Errorf("lot %s is made from %s, which is held, and was excluded with others only", child, id)
					}
				}
			}
		}
	}
	return nil
}

// below are all lots made from a lot.
func below(children map[lot.ID][]lot.ID, id lot.ID) []lot.ID {
	seen := map[lot.ID]bool{id: true}
	level := []lot.ID{id}
	var out []lot.ID
	for len(level) > 0 {
		var next []lot.ID
		for _, l := range level {
			for _, c := range children[l] {
				if !seen[c] {
					seen[c] = true
					next, out = append(next, c), append(out, c)
				}
			}
		}
		level = next
	}
	return out
}

// holdLog is what inventory's events say of holds, up to a place in them.
type holdLog struct {
	root     map[string]lot.ID
	class    map[string]lot.HoldClass
	held     map[lot.ID]map[string]bool
	excluded map[lot.ID]map[string]bool
	decided  map[string]lot.Quantity // by hold and lot: what dispositions cover
	parents  map[lot.ID]map[lot.ID]bool
	inputs   map[lot.RunID]map[lot.ID]bool
	outputs  map[lot.RunID]map[lot.ID]bool
	part     map[string]bool // holds on a part of their root
	corrects bool            // a correction took edges away: ancestors are not judged from here on
}

// holdWins reads the events of inventory in their order: what a hold lay on when it left, left under a disposition that covers it; and nothing
// was sold that was made from what a safety hold lay on, unless quality excluded what lies between.
func holdWins(events []lot.Recorded) error {
	l := &holdLog{
		root: map[string]lot.ID{}, class: map[string]lot.HoldClass{}, held: map[lot.ID]map[string]bool{}, excluded: map[lot.ID]map[string]bool{},
		decided: map[string]lot.Quantity{}, parents: map[lot.ID]map[lot.ID]bool{}, inputs: map[lot.RunID]map[lot.ID]bool{},
		outputs: map[lot.RunID]map[lot.ID]bool{}, part: map[string]bool{},
	}
	for _, e := range events {
		if err := l.read(e.Body); err != nil {
			return fmt.Errorf("event %d: %w", e.Position, err)
		}
	}
	return nil
}

func add[K, V comparable](m map[K]map[V]bool, k K, v V) {
	if m[k] == nil {
		m[k] = map[V]bool{}
	}
	m[k][v] = true
}

func (l *holdLog) read(body lot.Body) error {
	switch b := body.(type) {
	case lot.Held:
		l.root[b.Hold], l.class[b.Hold] = b.Root, b.Class
		if len(b.Containers) > 0 || !b.FillFrom.IsZero() || !b.FillTo.IsZero() {
			l.part[b.Hold] = true
		}
		add(l.held, b.Lot, b.Hold)
		delete(l.excluded[b.Lot], b.Hold)
	case lot.HoldEnded:
		l.ended(b)
	case lot.Disposed:
		l.decided[b.Hold+"/"+string(b.Lot)] += b.Quantity
	case lot.Shipped:
		for _, line := range b.Lines {
			if err := l.leaves("shipment "+b.Shipment, line.Lot, line.Quantity); err != nil {
				return err
			}
		}
	case lot.RunPosted:
		return l.posted(b)
	case lot.Poured:
		if err := l.leaves("pour "+b.Pour, b.Lot, b.Quantity); err != nil {
			return err
		}
		add(l.parents, b.Bin, b.Lot)
	case lot.Returned:
		add(l.parents, b.Lot, b.Origin)
	case lot.Corrected:
		l.corrects = true
	}
	return nil
}

func (l *holdLog) ended(b lot.HoldEnded) {
	if b.Excluded {
		delete(l.held[b.Lot], b.Hold)
		add(l.excluded, b.Lot, b.Hold)
		return
	}
	delete(l.root, b.Hold)
	for _, holds := range l.held {
		delete(holds, b.Hold)
	}
}

func (l *holdLog) posted(b lot.RunPosted) error {
	for _, in := range b.Inputs {
		if err := l.leaves("run "+string(b.Run), in.Lot, in.Quantity); err != nil {
			return err
		}
		add(l.inputs, b.Run, in.Lot)
	}
	for _, out := range b.Outputs {
		add(l.outputs, b.Run, out.Lot)
	}
	for out := range l.outputs[b.Run] {
		for in := range l.inputs[b.Run] {
			if passes(b.Contributions, in, out) {
				add(l.parents, out, in)
			}
		}
	}
	return nil
}

// leaves takes goods out of a lot, for good.
func (l *holdLog) leaves(what string, id lot.ID, q lot.Quantity) error {
	for hold := range l.held[id] {
		if l.part[hold] && l.root[hold] == id {
			continue // what leaves may be of the other part
		}
		key := hold + "/" + string(id)
		if l.decided[key] < q {
			return fmt.Errorf("%s takes %d of lot %s, on which hold %s lies; dispositions cover %d", what, q, id, hold, l.decided[key])
		}
		l.decided[key] -= q
	}
	if len(l.held[id]) > 0 || l.corrects {
		return nil
	}
	for hold, root := range l.root {
		if l.class[hold] == lot.SafetyHold && !l.part[hold] && l.reaches(hold, root, id) {
			return fmt.Errorf("%s takes %d of lot %s, which is made from %s, on which hold %s lies", what, q, id, root, hold)
		}
	}
	return nil
}

// reaches tells whether a lot is made from the root of a hold by a way on which quality has excluded nothing.
func (l *holdLog) reaches(hold string, root, id lot.ID) bool {
	seen := map[lot.ID]bool{}
	level := []lot.ID{id}
	for len(level) > 0 {
		var next []lot.ID
		for _, at := range level {
			if seen[at] || l.excluded[at][hold] {
				continue
			}
			seen[at] = true
			if at == root {
				return true
			}
			for p := range l.parents[at] {
				next = append(next, p)
			}
		}
		level = next
	}
	return slices.Contains(level, root)
}

// passes tells whether goods of an input went into an output: what a table says, where it names the output.
func passes(table []lot.Contribution, in, out lot.ID) bool {
	named := func(c lot.Contribution) bool { return c.Output == out }
	return !slices.ContainsFunc(table, named) || slices.ContainsFunc(table, func(c lot.Contribution) bool { return named(c) && c.Input == in })
}
