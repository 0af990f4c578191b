package check

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/scale"
)

const lb = weight.Pound

var now = time.Date(2025, 11, 3, 12, 0, 0, 0, time.UTC)

// The tolerances of class III are printed in a scale maker's handbook (1999): acceptance 1.0 d at 1,000 d, 1.5 d at 3,000 d, 2.5 d at 5,000 d; a scale of
// 500 lb by 0.1 lb has 5,000 d. Maintenance, twice that, is in a reader's copy of Handbook 44 of 2007 at 3,000 d. Class III L is from memory: one
// division for each 500 of the load or part of them.
func TestJudge(t *testing.T) {
	t.Parallel()
	bench := scale.Scale{Code: "P1", Class: scale.ClassIII, Capacity: 500 * lb, Division: lb / 10, Unit: weight.PoundUnit}
	truck := scale.Scale{Code: "W1", Class: scale.ClassIIIL, Capacity: 100_000 * lb, Division: 20 * lb}
	metric := scale.Scale{Code: "W2", Class: scale.ClassIIIL, Capacity: 110_231_131_092, Division: 22_046_226, Unit: weight.KilogramUnit} // 50,000 kg by 10 kg
	ranges := scale.Scale{Code: "P2", Class: scale.ClassIII, Capacity: 10_000 * lb, Division: lb, Ranges: []scale.Range{{Top: 5_000 * lb, Division: lb}, {Top: 10_000 * lb, Division: 2 * lb}}}
	for _, tc := range []struct {
		name               string
		scale              scale.Scale
		kind               Kind
		unit               string
		applied, indicated string
		error, tolerance   string
		divisions          string
		passed             bool
	}{
		{"III acceptance, 1,000 d", bench, Acceptance, "LBR", "100", "100.1", "0.1", "0.1", "1", true},
		{"III acceptance, 3,000 d", bench, Acceptance, "LBR", "300", "299.8", "-0.2", "0.15", "1.5", false},
		{"III acceptance, 5,000 d", bench, Acceptance, "LBR", "500", "500.2", "0.2", "0.25", "2.5", true},
		{"III maintenance, 3,000 d", bench, Maintenance, "LBR", "300", "299.7", "-0.3", "0.3", "3", true},
		{"III maintenance, one more", bench, Maintenance, "LBR", "300", "299.6", "-0.4", "0.3", "3", false},
		{"III at 500 d", bench, Maintenance, "LBR", "50", "50.1", "0.1", "0.1", "1", true},
		{"III above 500 d", bench, Maintenance, "LBR", "50.1", "50.3", "0.2", "0.2", "2", true},
		{"nothing on the scale", bench, Maintenance, "LBR", "0", "-0.1", "-0.1", "0.1", "1", true},
		{"III L, 500 d", truck, Maintenance, "LBR", "10000", "10020", "20", "20", "1", true},
		{"III L, part of the next 500 d", truck, Maintenance, "LBR", "10020", "10060", "40", "40", "2", true},
		{"III L, too much", truck, Maintenance, "LBR", "10000", "10040", "40", "20", "1", false},
		{"III L, acceptance", truck, Acceptance, "LBR", "50000", "50060", "60", "50", "2.5", false},
		{"kilograms are judged in kilograms", metric, Maintenance, "KGM", "20000", "20040", "40", "40", "4", true},
		{"the first range's division", ranges, Maintenance, "LBR", "5000", "5006", "6", "5", "5", false},
		{"the second range's division", ranges, Maintenance, "LBR", "8000", "8006", "6", "6", "3", true},
	} {
		j, err := judge(Check{Scale: tc.scale.Code, Kind: tc.kind, Unit: tc.unit, Loads: []Load{{tc.applied, tc.indicated}}}, tc.scale)
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		want := Result{Load{tc.applied, tc.indicated}, tc.error, tc.tolerance, tc.divisions, tc.passed}
		if diff := cmp.Diff([]Result{want}, j.Results); diff != "" || j.Passed != tc.passed {
			t.Errorf("%s: passed %v (-want +got):\n%s", tc.name, j.Passed, diff)
		}
	}
}

func TestJudgeRefuses(t *testing.T) {
	t.Parallel()
	sound := scale.Scale{Code: "W1", Class: scale.ClassIIIL, Capacity: 100_000 * lb, Division: 20 * lb, Unit: weight.PoundUnit}
	for _, tc := range []struct {
		name               string
		change             func(*scale.Scale)
		unit               string
		applied, indicated string
		rule               string
	}{
		{"no class", func(s *scale.Scale) { s.Class = "" }, "LBR", "1", "1", "scale_figures_missing"},
		{"no division", func(s *scale.Scale) { s.Division = 0 }, "LBR", "1", "1", "scale_figures_missing"},
		{"another unit", nil, "KGM", "1", "1", "unit_wrong"},
		{"a unit in which the division is none", func(s *scale.Scale) { s.Unit = "" }, "KGM", "1", "1", "unit_wrong"},
		{"unit not known", nil, "lb", "1", "1", "unit_unknown"},
		{"above capacity", nil, "LBR", "100001", "1", "test_load_out_of_range"},
		{"below zero", nil, "LBR", "-1", "1", "test_load_out_of_range"},
		{"applied is no number", nil, "LBR", "1e3", "1", "number_malformed"},
		{"indicated is empty", nil, "LBR", "1", "", "number_empty"},
		{"indicated is endless", nil, "LBR", "1", strings.Repeat("1", 33), "number_too_large"},
	} {
		s := sound
		if tc.change != nil {
			tc.change(&s)
		}
		_, err := judge(Check{Scale: "W1", Kind: Maintenance, Unit: tc.unit, Loads: []Load{{tc.applied, tc.indicated}}}, s)
		if fault.ReasonOf(err) != tc.rule {
			t.Errorf("%s: %v, want rule %q", tc.name, err, tc.rule)
		}
	}
}

// The load that a full test reaches is a part of the capacity: 25 % of 100,000 lb, 75 % of 1,000 lb (Handbook 44, table 4, as a manual of 2014 has it).
func TestShortLoad(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		capacity weight.Mass
		applied  string
		short    bool
	}{{100_000 * lb, "25000", false}, {100_000 * lb, "24980", true}, {1_000 * lb, "750", false}, {1_000 * lb, "740", true}, {0, "1", false}} {
		s := scale.Scale{Code: "W1", Class: scale.ClassIIIL, Capacity: tc.capacity, Division: 10 * lb}
		j, err := judge(Check{Scale: "W1", Kind: Maintenance, Unit: "LBR", Loads: []Load{{"0", "0"}, {tc.applied, tc.applied}}}, s)
		if err != nil || j.Short != tc.short {
			t.Errorf("capacity %s, applied %s: short %v, %v; want %v", tc.capacity, tc.applied, j.Short, err, tc.short)
		}
	}
}

// room is a plant of one scale in memory, as far as checks need it.
type room struct {
	around   Around
	in       bool
	did      []string
	proposal Proposal
}

func (r *room) Now() time.Time { return now }
func (r *room) Scale(context.Context, string) (*scale.Scale, error) {
	return &scale.Scale{Code: "W1", Class: scale.ClassIIIL, Capacity: 100_000 * lb, Division: 20 * lb, InService: r.in}, nil
}
func (r *room) Around(context.Context, string, time.Time) (Around, error) { return r.around, nil }
func (r *room) SaveCheck(_ context.Context, j Judged) (Judged, error)     { return j, nil }
func (r *room) Fail(context.Context, string, string, time.Time) error {
	r.did, r.in = append(r.did, "fail"), false
	return nil
}

func (r *room) Clear(context.Context, string) error {
	r.did, r.in = append(r.did, "clear"), true
	return nil
}

func (r *room) Raise(_ context.Context, p Proposal) (Proposal, error) {
	r.did, r.proposal = append(r.did, "raise"), p
	return p, nil
}
func (r *room) Decide(context.Context, Decision) (Proposal, error) { return Proposal{}, nil }

func TestRecord(t *testing.T) {
	t.Parallel()
	at := func(hours int) time.Time { return now.Add(time.Duration(hours) * time.Hour) }
	for _, tc := range []struct {
		name   string
		around Around
		in     bool
		at     int
		kind   Kind
		good   bool
		did    string
		inNow  bool
		rule   string
	}{
		{"good", Around{LastGood: at(-24)}, true, -1, Maintenance, true, "", true, ""},
		{"failed", Around{LastGood: at(-24)}, true, -1, Maintenance, false, "fail raise", false, ""},
		{"failed, never good", Around{}, true, -1, Maintenance, false, "fail raise", false, ""},
		{"failed once more", Around{LastGood: at(-24), Failed: at(-2)}, false, -1, Acceptance, false, "", false, ""},
		{"maintenance after a failure", Around{LastGood: at(-24), Failed: at(-2)}, false, -1, Maintenance, true, "", false, "acceptance_required"},
		{"repaired", Around{LastGood: at(-24), Failed: at(-2)}, false, -1, Acceptance, true, "clear", true, ""},
		{"an old good one while it stands failed", Around{Failed: at(-2)}, false, -5, Maintenance, true, "", false, ""},
		{"an old failed one while it stands failed", Around{LastGood: at(-24), Failed: at(-2)}, false, -5, Maintenance, false, "raise", false, ""},
		{"an old failed one before a good one", Around{LastGood: at(-24), NextGood: at(-2)}, true, -5, Maintenance, false, "raise", true, ""},
		{"of the future", Around{}, true, 1, Maintenance, true, "", true, "effective_in_future"},
	} {
		r := &room{around: tc.around, in: tc.in}
		c := Check{ID: "c", Scale: "W1", Kind: tc.kind, Unit: "LBR", At: at(tc.at), Loads: []Load{{"10000", "10000"}}}
		if !tc.good {
			c.Loads = append(c.Loads, Load{"20000", "20200"})
		}
		out, err := Record(t.Context(), r, c)
		if got := strings.Join(r.did, " "); got != tc.did || fault.ReasonOf(err) != tc.rule || err == nil && (out.InService != tc.inNow || out.Passed != tc.good) {
			t.Errorf("%s: did %q, in service %v, %v; want %q, %v, rule %q", tc.name, got, out.InService, err, tc.did, tc.inNow, tc.rule)
		}
		if r.proposal.ID != "" && (r.proposal.Since != tc.around.LastGood || r.proposal.Until != tc.around.NextGood || out.Proposal == nil) {
			t.Errorf("%s: proposal %+v", tc.name, r.proposal)
		}
	}
}

// Every tolerance that is not confirmed says so.
func TestRulesTellThemselves(t *testing.T) {
	t.Parallel()
	for _, r := range Rules() {
		if r.Stage != scale.AtCheck || r.Says == "" || (r.Basis == scale.Own) != (r.Source == "") || (r.Basis == scale.Memory) != (r.Edition == nothingRead) {
			t.Errorf("rule %+v", r)
		}
		if strings.HasPrefix(r.Name, "tolerance_class") && (r.Figure == "" || (r.Basis == scale.Read) != (r.Name == "tolerance_class_3")) {
			t.Errorf("tolerance %+v", r)
		}
	}
}
