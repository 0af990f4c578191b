package verify

import (
	"strings"
	"testing"
	"time"

	"huskline/internal/lot"
)

// binned is a bin lot of 100 lb, poured at hour 1, of which a run took 101 at hour 5, with what else was said before and after.
func binned(t *testing.T, before, after func(p *plant, say func(hour int, body lot.Body))) *plant {
	p := newPlant(t)
	p.receive("D-1", "", 100)
	p.receive("D-2", "", 100)
	midnight := p.facts[len(p.facts)-1].Effective.Add(time.Hour).Truncate(time.Hour)
	say := func(hour int, body lot.Body) {
		p.say(lot.Inventory, body)
		p.facts[len(p.facts)-1].Effective = midnight.Add(time.Duration(hour) * time.Hour)
	}
	say(1, lot.Poured{Pour: "P-1", Bin: "B-1", BinPlace: "BIN", Item: "IN", Measure: lot.ByWeight, Lot: "D-1", Quantity: lb(100)})
	before(p, say)
	say(5, lot.Adjusted{
		Adjustment: "over-book/run/R-1", Lot: "B-1", Place: "BIN", Delta: lb(1), Reason: "count", DrawnBy: "run/R-1",
		Account: lot.Account{Name: "count", WritesOff: true, Unexplains: true},
	})
	at := midnight.Add(5 * time.Hour)
	p.run("R-1", "", []lot.RunInput{{Lot: "B-1", Place: "BIN", Quantity: lb(101), At: at}}, lot.RunOutput{Lot: "K-1", Item: "PH", Quantity: lb(30)})
	for i := range p.facts {
		if b, ok := p.facts[i].Body.(lot.RunPosted); ok {
			b.Inputs[0].At = at
			p.facts[i].Body = b
		}
	}
	after(p, say)
	return p
}

// A gain is held against what inventory had accepted before it, by the moments of facts. The deliberate breaks it catches: one made after its lot was seen
// empty, or after another lot came on top of it, that is not named; one that is named for what became known later.
func TestGainsAreMadeBeforeTheToleranceEnds(t *testing.T) {
	t.Parallel()
	type saying = func(p *plant, say func(hour int, body lot.Body))
	nothing := func(*plant, func(int, lot.Body)) {}
	moved := func(hour int) saying {
		return func(_ *plant, say func(int, lot.Body)) {
			say(hour, lot.Moved{Movement: "M-1", Lot: "D-2", To: "BIN", Quantity: lb(50)})
		}
	}
	seen := func(hour int) saying {
		return func(_ *plant, say func(int, lot.Body)) {
			say(hour, lot.BinEmptied{Bin: "B-1", Place: "BIN", Emptying: "E-1"})
		}
	}
	poured := func(_ *plant, say func(int, lot.Body)) {
		say(3, lot.Poured{Pour: "P-2", Bin: "B-2", BinPlace: "BIN", Item: "IN", Measure: lot.ByWeight, Lot: "D-2", Quantity: lb(50)})
	}
	takenBack := func(_ *plant, say func(int, lot.Body)) {
		say(8, lot.Corrected{Correction: "C-1", Pours: []lot.Poured{{Pour: "P-2", Bin: "B-2", BinPlace: "BIN", Item: "IN", Measure: lot.ByWeight, Lot: "D-2"}}})
	}
	for name, row := range map[string]struct {
		before, after saying
		says          string
	}{
		"nothing else":              {nothing, nothing, ""},
		"another lot before":        {moved(3), nothing, "lot D-2 had come there (M-1)"},
		"another lot later":         {moved(6), nothing, ""},
		"another lot, known later":  {nothing, moved(3), ""},
		"another lot poured":        {poured, nothing, "lot B-2 had come there (P-2)"},
		"another lot, taken back":   {poured, takenBack, ""},
		"seen empty before":         {seen(4), nothing, "the lot was seen empty before (E-1)"},
		"seen empty at the instant": {seen(5), nothing, "the lot was seen empty"},
		"seen empty, known later":   {nothing, seen(4), ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, r := binned(t, row.before, row.after).verify()
			var got string
			for _, d := range r.Differences {
				if strings.HasPrefix(d.Subject, "B-1 gain") {
					got += d.Want
				}
			}
			if row.says == "" && got != "" || !strings.Contains(got, row.says) {
				t.Errorf("said %q, want %q", got, row.says)
			}
		})
	}
}
