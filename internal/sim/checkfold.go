package sim

import (
	"fmt"
	"reflect"
	"slices"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/lot"
	inventory "huskline/services/inventory/sim"
	production "huskline/services/production/sim"
)

// folder is an index that is a fold of facts.
type folder interface {
	Apply(e lot.Recorded) error
}

// inOrder folds facts in the order of producers.
func inOrder(f folder, facts map[lot.Producer][]lot.Recorded) error {
	for _, p := range []lot.Producer{lot.Intake, lot.Inventory, lot.Production} {
		for _, e := range facts[p] {
			if err := f.Apply(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// mixed folds facts in an order in which they might have come: each producer's in order, the producers anyhow, some of them twice.
func (w *World) mixed(f folder, facts map[lot.Producer][]lot.Recorded) error {
	at := map[lot.Producer]int{}
	for {
		var open []lot.Producer
		for _, p := range []lot.Producer{lot.Intake, lot.Inventory, lot.Production} {
			if at[p] < len(facts[p]) {
				open = append(open, p)
			}
		}
		if len(open) == 0 {
			return nil
		}
		p := open[w.rng.IntN(len(open))]
		if err := f.Apply(facts[p][at[p]]); err != nil {
			return err
		}
		if w.rng.IntN(6) > 0 {
			at[p]++
		}
	}
}

// genealogy compares the trace with itself (both ways, and rebuilt in another order), and with the ledger.
func (w *World) genealogy(state inventory.State, facts map[lot.Producer][]lot.Recorded) error {
	var lots []lot.ID
	for _, l := range state.Lots {
		if !l.Voided || l.Maker == "" {
			lots = append(lots, l.ID)
		}
	}
	x, y := inventory.NewIndex(), inventory.NewIndex()
	if err := inOrder(x, facts); err != nil {
		return err
	}
	if err := w.mixed(y, facts); err != nil {
		return err
	}
	a, err := x.Answer(lots)
	if err != nil {
		return err
	}
	b, err := y.Answer(lots)
	if err != nil {
		return err
	}
	if diff := differ(a, b); diff != "" {
		return fmt.Errorf("folded in another order it differs:\n%s", diff)
	}
	onHand := map[lot.ID]lot.Quantity{}
	for at, q := range state.Balances {
		onHand[at.Lot] += q
	}
	for _, id := range lots {
		if got := a.Quantities[id].OnHand; got != onHand[id] {
			return fmt.Errorf("lot %s: %d lie there, the fold has %d", id, onHand[id], got)
		}
		for _, d := range a.Descendants[id] {
			if !slices.Contains(a.Ancestors[d], id) && slices.Contains(lots, d) {
				return fmt.Errorf("lot %s is found forward from %s, and %s not back from it", d, id, id)
			}
		}
		for _, up := range a.Ancestors[id] {
			if !slices.Contains(a.Descendants[up], id) {
				return fmt.Errorf("lot %s is found back from %s, and %s not forward from it", up, id, id)
			}
		}
	}
	return sameEdges(state, a)
}

// sameEdges compares the descendants that the ledger has with those of the fold.
func sameEdges(state inventory.State, a inventory.Answers) error {
	children := map[lot.ID][]lot.ID{}
	for _, e := range state.Edges {
		children[e.Parent] = append(children[e.Parent], e.Child)
	}
	for id, want := range a.Descendants {
		got := below(children, id)
		slices.Sort(got)
		if diff := cmp.Diff(want, got); !slices.Equal(want, got) {
			return fmt.Errorf("what was made from lot %s (- fold, + ledger):\n%s", id, diff)
		}
	}
	return nil
}

// cost holds the cost of everything to its proof, and to itself when it is folded in another order and asked between.
func (w *World) cost(state inventory.State, facts map[lot.Producer][]lot.Recorded) error {
	x, y := production.NewBook(), production.NewBook()
	if err := inOrder(x, facts); err != nil {
		return err
	}
	if err := w.mixed(askedBetween{y, w}, facts); err != nil {
		return err
	}
	var lots []lot.ID
	for _, l := range state.Lots {
		if !l.Voided {
			lots = append(lots, l.ID)
		}
	}
	var runs []lot.RunID
	for _, r := range state.Runs {
		if r.Version > 0 {
			runs = append(runs, r.ID)
		}
	}
	a, err := x.Sheet(lots, runs)
	if err != nil {
		return err
	}
	b, err := y.Sheet(lots, runs)
	if err != nil {
		return err
	}
	if diff := differ(a, b); diff != "" {
		return fmt.Errorf("reckoned in another order it differs:\n%s", diff)
	}
	return a.Prove()
}

// askedBetween asks for all costs now and then, so that what was reckoned must be reckoned again.
type askedBetween struct {
	b production.Book
	w *World
}

// Apply folds one fact.
func (a askedBetween) Apply(e lot.Recorded) error {
	if a.w.rng.IntN(20) == 0 {
		if _, err := a.b.Sheet(nil, nil); err != nil {
			return err
		}
	}
	return a.b.Apply(e)
}

// differ tells how two things differ; empty: not at all. Comparing is cheap, telling is not.
func differ(want, got any) string {
	if reflect.DeepEqual(want, got) {
		return ""
	}
	return cmp.Diff(want, got, cmp.AllowUnexported(spot{}))
}
