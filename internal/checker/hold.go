package checker

import (
	"context"
	"fmt"

	"huskline/internal/snapshot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// holdWins looks at rest for each descendant of each safety hold, and in the log for what moved while it was held.
func holdWins(_ context.Context, s *state, f *Finding) {
	f.partly("of holds on containers and fill windows only the reach is looked at; who may release is not seen in the databases")
	if s.atRest {
		s.holdReach(f)
	} else {
		f.partly("how far holds reach was not looked at: the plant was not at rest")
	}
	s.heldStays(f)
	s.fromRecompute(f, "hold")
	sortViolations(f)
}

// holdReach walks down from the root of each safety hold that has not ended; a lot that quality took out of it by a decision of its own ends the walk.
func (s *state) holdReach(f *Finding) {
	l := s.lineage()
	flags := map[string]snapshot.Row{}
	for _, r := range s.table("inventory", "hold_flags") {
		flags[r.Text("hold")+"\x00"+r.Text("lot")] = r
	}
	voided := map[string]bool{}
	for _, r := range s.table("inventory", "lots") {
		voided[r.Text("lot")] = r.Bool("voided")
	}
	safety := fmt.Sprint(int32(eventv1.HoldClass_HOLD_CLASS_SAFETY))
	for _, h := range s.table("inventory", "holds") {
		if h.Text("class") != safety || !h.Null("ended_at") {
			continue
		}
		part := h.Text("containers") != "{}" || !h.Null("fill_from") // of a part of the root, what was drawn before is not of it
		step := func(lot string) []string {
			flag, ok := flags[h.Text("hold")+"\x00"+lot]
			if ok && flag.Bool("excluded") {
				return nil
			}
			return l.makes(lot)
		}
		for d := range reach(h.Text("root"), step) {
			f.Checked++
			if _, ok := flags[h.Text("hold")+"\x00"+d]; !ok && !voided[d] && !part {
				f.broken("inventory", fmt.Sprintf("hold_flags(lot=%s hold=%s)", d, h.Text("hold")), "it was made from lot %s, which is held, and is neither held nor excluded", h.Text("root"))
			}
		}
	}
}

// heldStays folds inventory's own log: what goes into a run, a bin or a shipment while a hold lies on it needs a disposition that covers it.
func (s *state) heldStays(f *Finding) {
	held, partial, covered := map[string]map[string]bool{}, map[string]bool{}, map[string]int64{}
	for _, x := range s.once("inventory") {
		if h := x.event.GetLotHeld(); h != nil {
			partial[h.GetHold()] = partial[h.GetHold()] || len(h.GetContainers()) > 0 || h.GetFillFrom() != nil
			if held[h.GetLot()] == nil {
				held[h.GetLot()] = map[string]bool{}
			}
			held[h.GetLot()][h.GetHold()] = true
		}
		if e := x.event.GetHoldEnded(); e != nil {
			for lot, holds := range held {
				if e.GetLot() == "" || e.GetLot() == lot {
					delete(holds, e.GetHold())
				}
			}
		}
		if d := x.event.GetLotDisposed(); d != nil {
			covered[d.GetHold()+"\x00"+d.GetLot()] += d.GetQuantity()
		}
		for lot, n := range takenBy(x.event) {
			for hold := range held[lot] {
				f.Checked++
				if partial[hold] {
					continue
				}
				if covered[hold+"\x00"+lot] -= n; covered[hold+"\x00"+lot] < 0 {
					f.broken("inventory", x.row.ID(), "%d of lot %s move while hold %s lies on it, and no disposition covers that", n, lot, hold)
				}
			}
		}
	}
}

// takenBy is how much of each lot an event uses or ships.
func takenBy(e *eventv1.Event) map[string]int64 {
	out := map[string]int64{}
	for _, in := range e.GetRunPosted().GetInputs() {
		out[in.GetLot()] += in.GetQuantity()
	}
	if p := e.GetLotPoured(); p != nil {
		out[p.GetLot()] += p.GetQuantity()
	}
	for _, l := range e.GetLotShipped().GetLines() {
		out[l.GetLot()] += l.GetQuantity()
	}
	return out
}

// separateHands looks at recall holds and at paid lines.
func separateHands(_ context.Context, s *state, f *Finding) {
	f.partly("who graded stands in no database, so who paid is not held against it; that paid lines stand as they were is seen by their seals and their events")
	for _, h := range s.table("inventory", "holds") {
		if !h.Bool("recall") || h.Null("ended_at") {
			continue
		}
		f.Checked++
		if h.Text("ended_by") == h.Text("placed_by") {
			f.broken("inventory", h.ID(), "%s placed this hold for a recall and released it alone", h.Text("placed_by"))
		}
	}
	paid := map[string]int64{}
	for _, x := range s.once("intake") {
		if p := x.event.GetPriceSettled(); p != nil {
			paid[fmt.Sprintf("%s %s %d %d", p.GetSettlement(), p.GetLot(), p.GetPriceMicros(), p.GetPurchaseMicros())]++
		}
	}
	for _, r := range s.table("intake", "settlements") {
		f.Checked++
		if paid[fmt.Sprintf("%s %s %d %d", r.Text("settlement"), r.Text("lot"), r.Int("price"), r.Int("purchase"))] == 0 {
			f.broken("intake", r.ID(), "no event says this final price: %d at %d", r.Int("purchase"), r.Int("price"))
		}
	}
	sortViolations(f)
}
