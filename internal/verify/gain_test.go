package verify

import (
	"slices"
	"testing"
	"time"

	"huskline/internal/lot"
)

// overdrawn is a bin lot of 100 lb of which a run takes 60 and another 41, with the gain of one pound that the second draw made.
func overdrawn(t *testing.T) (*plant, *lot.Adjusted) {
	p := newPlant(t)
	p.receive("D-1", "", 100)
	p.say(lot.Inventory, lot.Poured{Pour: "P-1", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "D-1", Quantity: lb(100)})
	p.run("R-1", "", []lot.RunInput{{Lot: "B-1", Quantity: lb(60)}}, lot.RunOutput{Lot: "K-1", Item: "PH", Quantity: lb(30)})
	gain := lot.Adjusted{
		Adjustment: "over-book/run/R-2/1/1", Lot: "B-1", Delta: lb(1), Reason: "count", DrawnBy: "run/R-2",
		Account: lot.Account{Name: "count", WritesOff: true, Unexplains: true},
	}
	p.run("R-2", "", []lot.RunInput{{Lot: "B-1", Quantity: lb(41)}}, lot.RunOutput{Lot: "K-2", Item: "PH", Quantity: lb(30)})
	p.say(lot.Inventory, gain)
	for i := range p.facts {
		if b, ok := p.facts[i].Body.(lot.RunPosted); ok && b.Run == "R-2" {
			p.facts[len(p.facts)-1].Effective = b.Inputs[0].At
		}
	}
	return p, &gain
}

// A gain that a draw made stands before the draw of its moment. The deliberate breaks it catches: a gain that stands with the adjustments, so that the
// lot lies below nothing when it is drawn; one that outlives its draw or is said at another time.
func TestGainsStandBeforeTheirDraws(t *testing.T) {
	t.Parallel()
	p, _ := overdrawn(t)
	b, r := p.verify()
	for _, d := range r.Differences {
		t.Errorf("%+v", d)
	}
	for id, want := range map[string]string{"K-1": "150.0000 + 0.0000", "K-2": "110.0000 + 0.0000"} { // 200 dollars on 100 lb, and 30 of a charge each
		if got := dollarsOf(b, id); got != want {
			t.Errorf("%s costs %s, want %s", id, got, want)
		}
	}
	if got := b.totals.blind; got != -int64(lb(1)) {
		t.Errorf("unaccounted on lots: %d, want a gain of a pound", got)
	}

	moved, _ := overdrawn(t)
	last := &moved.facts[len(moved.facts)-1]
	last.Effective = last.Effective.Add(-time.Microsecond)
	p, gain := overdrawn(t)
	p.say(lot.Inventory, lot.Corrected{Correction: "C-1", Runs: []lot.RunPosted{{Run: "R-2", Version: 2, Stage: "shell", Final: true}}})
	voided, _ := overdrawn(t)
	gain.Delta = 0
	voided.say(lot.Inventory, lot.Corrected{
		Correction: "C-1", Runs: []lot.RunPosted{{Run: "R-2", Version: 2, Stage: "shell", Final: true}}, Adjustments: []lot.Adjusted{*gain},
	})
	for name, row := range map[string]struct {
		plant *plant
		named bool
	}{
		"before its draw": {moved, true}, "outlives its draw": {p, true}, "taken away with it": {voided, false},
	} {
		_, r := row.plant.verify()
		if got := slices.ContainsFunc(r.Differences, func(d Difference) bool { return d.Subject == "B-1 gain over-book/run/R-2/1/1" }); got != row.named {
			t.Errorf("%s: named %t, want %t: %+v", name, got, row.named, r.Differences)
		}
	}
}
