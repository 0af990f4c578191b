package sim

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	inventory "huskline/services/inventory/sim"
)

// check judges the plant at rest. The first rule found broken fails the run.
func (w *World) check() {
	w.settleRefused()
	state := w.inventory.State()
	facts := w.facts()
	for _, rule := range []struct {
		name  string
		judge func() error
	}{
		{"what was answered stands", w.answersStand},
		{"chains", w.chains},
		{"every event once", w.everyEventOnce},
		{"stock is what was accepted", func() error { return w.stockIsAccepted(state, facts) }},
		{"runs balance", func() error { return w.runsBalance(state, facts) }},
		{"owners", func() error { return ownersApart(state) }},
		{"deliveries", w.deliveriesAgree},
		{"holds at rest", func() error { return holdsAtRest(state) }},
		{"hold wins", func() error { return holdWins(facts[lot.Inventory]) }},
		{"genealogy", func() error { return w.genealogy(state, facts) }},
		{"cost", func() error { return w.cost(state, facts) }},
	} {
		if w.err != nil {
			return
		}
		if err := rule.judge(); err != nil {
			w.fail(fmt.Errorf("%s: %w", rule.name, err))
		}
	}
}

// settleRefused finds the refused commands of which a request that nobody waited for was accepted after all.
func (w *World) settleRefused() {
	for _, o := range w.plant.ops {
		if o.refusal == nil {
			continue
		}
		if _, accepted := w.service(o.to).db.Answered(o.id); !accepted {
			continue
		}
		if o.echoes == 0 {
			w.fail(fmt.Errorf("%s %s was refused and is accepted: %w", o.name, o.id, o.refusal))
			return
		}
		w.inTask("ask again", func(context.Context) { w.finish(o) })
	}
}

// facts decodes what each producer has said.
func (w *World) facts() map[lot.Producer][]lot.Recorded {
	out := map[lot.Producer][]lot.Recorded{}
	for _, s := range w.services {
		for _, env := range s.db.Events(0) {
			if e := w.entryOf(env, false); e.Fault == "" {
				out[s.name] = append(out[s.name], e.Value.event)
			}
		}
	}
	return out
}

// answersStand sends every command once more: an accepted one gets its answer, to the byte, and nothing happens by it.
func (w *World) answersStand() error {
	before := w.positions()
	w.inTask("all again", func(context.Context) {
		for _, o := range w.plant.ops {
			if o.answer == nil {
				continue
			}
			if _, ok := w.service(o.to).db.Answered(o.id); !ok {
				w.fail(fmt.Errorf("%s %s was answered and is not there any more", o.name, o.id))
				return
			}
			w.again(o)
		}
	})
	if after := w.positions(); !maps.Equal(before, after) {
		return fmt.Errorf("accepted commands sent again said more events: %v, before %v", after, before)
	}
	return nil
}

func (w *World) positions() map[lot.Producer]int64 {
	out := map[lot.Producer]int64{}
	for _, s := range w.services {
		out[s.name] = s.db.Head().Position
	}
	return out
}

// chains holds each producer's events to 1, 2, 3 …, to their hashes, and to times that do not go back.
func (w *World) chains() error {
	for _, s := range w.services {
		previous, recorded := make([]byte, 32), int64(0)
		for i, env := range s.db.Events(0) {
			switch {
			case env.GetPosition() != int64(i+1):
				return fmt.Errorf("event %d of %s is at position %d", i+1, s.name, env.GetPosition())
			case !slices.Equal(env.GetPreviousHash(), previous):
				return fmt.Errorf("event %d of %s does not follow the one before it", i+1, s.name)
			case env.GetRecordedMicros() < recorded:
				return fmt.Errorf("event %d of %s was recorded before the one before it", i+1, s.name)
			}
			if err := lotwire.Verify(env); err != nil {
				return err
			}
			previous, recorded = env.GetHash(), env.GetRecordedMicros()
		}
	}
	return nil
}

// everyEventOnce holds what took effect at each service to what was said: each event once, those of a producer in order but for ones that were in
// quarantine, each after those that it names.
func (w *World) everyEventOnce() error {
	for _, s := range w.services {
		seen := map[string]bool{}
		for _, e := range s.settled.Rows() {
			if seen[e.EventID] {
				return fmt.Errorf("event %s took effect twice at %s", e.EventID, s.name)
			}
			seen[e.EventID] = true
		}
		for _, p := range s.others() {
			for _, env := range w.service(p).db.Events(0) {
				if e := w.entryOf(env, false).Value.event; !seen[e.EventID] {
					return fmt.Errorf("event %d of %s took no effect at %s", env.GetPosition(), p, s.name)
				}
			}
		}
		if err := w.afterOthers(s); err != nil {
			return err
		}
	}
	return nil
}

// afterOthers judges the order of effects: that of positions, and each after those that it names. Where something was in quarantine, the order is
// kept for each lot.
func (w *World) afterOthers(s *service) error {
	if w.injected[Poison] > 0 {
		return lotsInOrder(s)
	}
	at := map[lot.Producer]int64{s.name: 1 << 62}
	for _, e := range s.settled.Rows() {
		if e.Position != at[e.Producer]+1 {
			return fmt.Errorf("event %d of %s took effect at %s after event %d", e.Position, e.Producer, s.name, at[e.Producer])
		}
		for _, r := range e.After {
			if at[r.Producer] < r.Position {
				return fmt.Errorf("event %d of %s took effect at %s before event %d of %s, which it names", e.Position, e.Producer, s.name, r.Position, r.Producer)
			}
		}
		at[e.Producer] = e.Position
	}
	return nil
}

// lotsInOrder: no lot has seen a producer's events in another order than they were said.
func lotsInOrder(s *service) error {
	type key struct {
		of lot.Producer
		id lot.ID
	}
	last := map[key]int64{}
	for _, e := range s.settled.Rows() {
		for _, id := range feed.Lots(e.Event) {
			k := key{e.Producer, id}
			if last[k] > e.Position {
				return fmt.Errorf("lot %s saw event %d of %s at %s after event %d", id, e.Position, e.Producer, s.name, last[k])
			}
			last[k] = e.Position
		}
	}
	return nil
}

// stockIsAccepted compares the ledger with the sum of what the callers were answered, and with the sum of what was said.
func (w *World) stockIsAccepted(state inventory.State, facts map[lot.Producer][]lot.Recorded) error {
	have := map[spot]lot.Quantity{}
	for at, q := range state.Balances {
		have[spot{at.Lot, at.Place}] += q
	}
	maps.DeleteFunc(have, func(_ spot, q lot.Quantity) bool { return q == 0 })
	said := newLedger()
	for _, of := range facts {
		for _, e := range of {
			said.put(entriesOf(e.Body)...)
		}
	}
	if diff := differ(said.stock(), have); diff != "" {
		return fmt.Errorf("what was said and what lies there differ (- said, + ledger):\n%s", diff)
	}
	if diff := differ(w.plant.ledger.stock(), have); diff != "" {
		return fmt.Errorf("what callers were answered and what lies there differ (- answered, + ledger):\n%s", diff)
	}
	return nil
}

// runsBalance holds every run to its lines: what a complete one took in is what it gave and what is unaccounted, its account is empty, it was
// completed once per version, and production and inventory have the same of it.
func (w *World) runsBalance(state inventory.State, facts map[lot.Producer][]lot.Recorded) error {
	completed := map[string]bool{}
	for _, e := range facts[lot.Production] {
		c, ok := e.Body.(lot.RunCompleted)
		if again, is := e.Body.(lot.RunCorrected); is {
			c, ok = again.Completed, true
		}
		if !ok {
			continue
		}
		key := fmt.Sprint(c.Run, " ", c.Version)
		if completed[key] {
			return fmt.Errorf("run %s was completed twice in version %d", c.Run, c.Version)
		}
		completed[key] = true
		if c.Input != c.Output+c.Unaccounted {
			return fmt.Errorf("run %s: %d in, %d out, %d unaccounted", c.Run, c.Input, c.Output, c.Unaccounted)
		}
	}
	accounts := w.inventory.RunAccounts()
	ledger := map[lot.RunID]inventory.Run{}
	for _, r := range state.Runs {
		ledger[r.ID] = r
		if accounts[r.ID] != r.Rest {
			return fmt.Errorf("run %s: %v are in process, its account has %v", r.ID, r.Rest, accounts[r.ID])
		}
	}
	for _, r := range w.production.State(context.Background()) {
		l, final := ledger[r.ID], r.Phase == "complete"
		switch {
		case r.Held:
			return fmt.Errorf("run %s still waits for the inventory", r.ID)
		case l.Final != final && !(r.Phase == "open" && l.ID == ""):
			return fmt.Errorf("run %s is %s at production, complete %t at inventory", r.ID, r.Phase, l.Final)
		case final && (l.Version != r.Version || l.In != r.In || l.Out != r.Out):
			return fmt.Errorf("run %s: version %d, %d in, %d out at production; version %d, %d in, %d out at inventory", r.ID, r.Version, r.In, r.Out,
				l.Version, l.In, l.Out)
		case final && !completed[fmt.Sprint(r.ID, " ", r.Version)]:
			return fmt.Errorf("run %s: its version %d was never told", r.ID, r.Version)
		}
	}
	return nil
}

// ownersApart holds each run's lots to one owner. A lot bought later under its own code has changed owner since, so lots bought are left out.
func ownersApart(state inventory.State) error {
	owner := map[lot.ID]lot.PartyID{}
	for _, l := range state.Lots {
		owner[l.ID] = l.Owner
	}
	for _, r := range state.Runs {
		for _, id := range r.Outputs {
			if owner[id] != r.Owner {
				return fmt.Errorf("run %s is for %q, its output %s belongs to %q", r.ID, r.Owner, id, owner[id])
			}
		}
		for _, id := range r.Inputs {
			if owner[id] != r.Owner && owner[id] != "" {
				return fmt.Errorf("run %s is for %q, its input %s belongs to %q", r.ID, r.Owner, id, owner[id])
			}
		}
	}
	return nil
}

// deliveriesAgree: nothing waits at intake any more.
func (w *World) deliveriesAgree() error {
	for _, r := range w.intake.State() {
		if r.Held {
			return fmt.Errorf("delivery %s still waits for the inventory", r.Lot)
		}
	}
	return nil
}
