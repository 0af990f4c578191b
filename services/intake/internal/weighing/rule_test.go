package weighing

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/scale"
)

// truck is a scale of a plant; nothing about it bars a reading of 48,020 lb.
func truck() scale.Scale {
	return scale.Scale{Code: "W1", Class: scale.ClassIIIL, InService: true, Capacity: 100_000 * weight.Pound, Division: 20 * weight.Pound}
}

// verdict is what the rules said: the rule that refuses, and the marks.
type verdict struct {
	Rule  string
	Marks []string
}

func judged(t *testing.T, r Reading, s scale.Scale, b Batch) (verdict, candidate) {
	t.Helper()
	row, err := formOf(r)
	if err != nil {
		t.Fatal(err)
	}
	p := &posting{batch: b, now: now}
	c := p.measure(row, 0, &s)
	return verdict{fault.ReasonOf(c.barred), c.Marks.Names()}, c
}

func TestLiveRules(t *testing.T) {
	t.Parallel()
	kept := verdict{}
	refused := func(rule string) verdict { return verdict{Rule: rule} }
	marked := func(names ...string) verdict { return verdict{Marks: names} }
	for _, tc := range []struct {
		name   string
		scale  func(*scale.Scale)
		change func(*Reading)
		want   verdict
	}{
		{"a multiple", nil, nil, kept},
		{"no multiple", nil, func(r *Reading) { r.Digits = "48030" }, refused("off_division")},
		{"a hair off", nil, func(r *Reading) { r.Digits = "48020.000001" }, refused("off_division")},
		{"at capacity", nil, func(r *Reading) { r.Digits = "100000" }, kept},
		{"at 105 %", nil, func(r *Reading) { r.Digits = "105000" }, kept},
		{"above 105 %", nil, func(r *Reading) { r.Digits = "105020" }, refused("above_capacity")},
		{"nothing is no load", nil, func(r *Reading) { r.Digits = "0" }, kept},
		{"at the least load of III L, 50 divisions", nil, func(r *Reading) { r.Digits = "1000" }, kept},
		{"under it", nil, func(r *Reading) { r.Digits = "980" }, marked("under_minimum")},
		{"under the least load of III, 20 divisions", func(s *scale.Scale) { s.Class = scale.ClassIII }, func(r *Reading) { r.Digits = "380" }, marked("under_minimum")},
		{"least load as registered", func(s *scale.Scale) { s.Minimum = 2_000 * weight.Pound }, func(r *Reading) { r.Digits = "1980" }, marked("under_minimum")},
		{"no class, no least load", func(s *scale.Scale) { s.Class = "" }, func(r *Reading) { r.Digits = "20" }, kept},
		{"10 kg steps", metric, func(r *Reading) { r.Digits, r.Unit = "21780", "KGM" }, kept},
		{"off 10 kg steps", metric, func(r *Reading) { r.Digits, r.Unit = "21785", "KGM" }, refused("off_division")},
		{"in pounds from a scale that counts in kilograms", func(s *scale.Scale) { s.Unit = weight.KilogramUnit }, nil, marked("unit_differs")},
		{"no limits", func(s *scale.Scale) { *s = scale.Scale{InService: true} }, func(r *Reading) { r.Digits = "999999.9" }, kept},
		{"out of service", func(s *scale.Scale) { s.InService = false }, nil, refused("scale_out_of_service")},
		{"out since then", func(s *scale.Scale) { s.InService, s.OutSince = false, now.Add(-time.Hour) }, nil, refused("scale_out_of_service")},
		{"weighed before it went out", func(s *scale.Scale) { s.InService, s.OutSince = false, now.Add(-time.Minute) }, nil, kept},
		{"weighed before it failed a check", failed, nil, marked("weighed_before_failure")},
		{"weighed before it failed a check, but for a lost clock", failed, func(r *Reading) { r.Time = time.Unix(0, 0) },
			verdict{"scale_out_of_service", []string{"time_doubtful"}}},
		{"seal holds to the hour", func(s *scale.Scale) { s.Sealed = now.Add(-time.Hour) }, nil, kept},
		{"seal ended before", func(s *scale.Scale) { s.Sealed = now.Add(-61 * time.Minute) }, nil, refused("seal_expired")},
		{"in motion", nil, func(r *Reading) { r.Status.InMotion = true }, refused("in_motion")},
		{"high resolution", nil, func(r *Reading) { r.Status.HighResolution = true }, refused("high_resolution")},
		{"at zero", nil, func(r *Reading) { r.Digits, r.Status.CenterOfZero = "0", true }, kept},
		{"the one range", nil, func(r *Reading) { r.Status.Range = 1 }, kept},
		{"a range it has not", nil, func(r *Reading) { r.Status.Range = 2 }, refused("range_wrong")},
		{"lower range, its division", ranges, func(r *Reading) { r.Digits = "39990" }, kept},
		{"upper range, the lower's division", ranges, func(r *Reading) { r.Digits = "40010" }, refused("off_division")},
		{"end of the lower range", ranges, func(r *Reading) { r.Digits = "40000" }, kept},
		{"a light load in the upper range", ranges, func(r *Reading) { r.Digits, r.Status.Range = "39990", 2 }, refused("off_division")},
		{"a load above the range it says", ranges, func(r *Reading) { r.Digits, r.Status.Range = "40020", 1 }, refused("range_wrong")},
		{"a third range", ranges, func(r *Reading) { r.Status.Range = 3 }, refused("range_wrong")},
		{"five minutes ahead", nil, func(r *Reading) { r.Time = now.Add(5 * time.Minute) }, kept},
		{"more than that", nil, func(r *Reading) { r.Time = now.Add(5*time.Minute + time.Microsecond) }, marked("time_doubtful")},
		{"the year 9999", nil, func(r *Reading) { r.Time = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC) }, marked("time_doubtful")},
		{"a season late", nil, func(r *Reading) { r.Time = now.AddDate(-1, 0, 0) }, kept},
		{"a lost clock", nil, func(r *Reading) { r.Time = time.Unix(0, 0) }, marked("time_doubtful")},
		{"two marks", nil, func(r *Reading) { r.Time, r.Digits = now.Add(time.Hour), "20" }, marked("time_doubtful", "under_minimum")},
	} {
		s, r := truck(), sound()
		r.Digits = "48020"
		if tc.scale != nil {
			tc.scale(&s)
		}
		if tc.change != nil {
			tc.change(&r)
		}
		got, c := judged(t, r, s, Batch{})
		if diff := cmp.Diff(tc.want, got); diff != "" {
			t.Errorf("%s (%v) (-want +got):\n%s", tc.name, c.barred, diff)
		}
		// Records are held to none of them: only a time of the future is marked.
		records, _ := judged(t, r, s, Batch{Historic: true})
		if want := r.Time.After(now.Add(5 * time.Minute)); records.Rule != "" || (records.Marks != nil) != want {
			t.Errorf("%s, from records: %+v", tc.name, records)
		}
	}
}

func metric(s *scale.Scale) {
	*s = scale.Scale{InService: true, Unit: weight.KilogramUnit, Division: 22_046_226} // 10 kg
}

func failed(s *scale.Scale) {
	s.InService, s.Failed, s.OutSince = false, true, now.Add(-time.Minute)
}

func ranges(s *scale.Scale) {
	s.Division = 10 * weight.Pound
	s.Ranges = []scale.Range{{Top: 40_000 * weight.Pound, Division: 10 * weight.Pound}, {Top: 100_000 * weight.Pound, Division: 20 * weight.Pound}}
}

// What the sender's clock is ahead is kept inside the limit and beyond it, and that a reading is late is no fault of a clock.
func TestOffsetOfClocks(t *testing.T) {
	t.Parallel()
	ahead := func(d time.Duration) *time.Duration { return &d }
	for _, tc := range []struct {
		name  string
		at    time.Duration // of the reading, after the service's clock
		clock *time.Duration
		want  time.Duration
		marks []string
	}{
		{"late, no clock told", -2 * time.Hour, nil, 0, nil},
		{"late, clocks agree", -2 * time.Hour, ahead(300 * time.Millisecond), 0, nil},
		{"late, clock behind", -2 * time.Hour, ahead(-4 * time.Minute), -4 * time.Minute, nil},
		{"clock far behind", -2 * time.Hour, ahead(-2 * time.Hour), -2 * time.Hour, []string{"time_doubtful"}},
		{"clock ahead", time.Minute, ahead(time.Minute), time.Minute, nil},
		{"clock far ahead", time.Hour, ahead(time.Hour), time.Hour, []string{"time_doubtful"}},
		{"of the future, no clock told", 2 * time.Minute, nil, 2 * time.Minute, nil},
		{"under a second", 900 * time.Millisecond, nil, 0, nil},
		{"passed on with a future time by a sender whose clock agrees", time.Hour, ahead(0), time.Hour, []string{"time_doubtful"}},
		{"the like, its sender a little behind", 4 * time.Minute, ahead(-time.Minute), 4 * time.Minute, nil},
	} {
		r := sound()
		r.Digits, r.Time = "48020", now.Add(tc.at)
		got, c := judged(t, r, truck(), Batch{Clock: tc.clock})
		if c.Offset != tc.want || !slices.Equal(got.Marks, tc.marks) || got.Rule != "" {
			t.Errorf("%s: offset %s, %+v; want %s, marks %v", tc.name, c.Offset, got, tc.want, tc.marks)
		}
	}
}

// What a person keys in off an indicator is held to the same table: refused by the same rules, and marked by the same ones.
func TestKeyedWeightsAreMarked(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name   string
		scale  func(*scale.Scale)
		change func(*Reading)
		want   verdict
	}{
		{"nothing to say", nil, nil, verdict{}},
		{"under the least load", nil, func(r *Reading) { r.Digits = "980" }, verdict{Marks: []string{"under_minimum"}}},
		{"in another unit", func(s *scale.Scale) { s.Unit, s.Division = weight.KilogramUnit, 0 }, nil, verdict{Marks: []string{"unit_differs"}}},
		{"before the scale failed", failed, nil, verdict{Marks: []string{"weighed_before_failure"}}},
		{"out of service", func(s *scale.Scale) { s.InService = false }, nil, verdict{Rule: "scale_out_of_service"}},
		{"past its seal", func(s *scale.Scale) { s.Sealed = now.Add(-61 * time.Minute) }, nil, verdict{Rule: "seal_expired"}},
		{"over capacity", nil, func(r *Reading) { r.Digits = "105020" }, verdict{Rule: "above_capacity"}},
		{"off the division", nil, func(r *Reading) { r.Digits = "48030" }, verdict{Rule: "off_division"}},
	} {
		r, s := sound(), truck()
		r.Digits = "48020"
		if tc.scale != nil {
			tc.scale(&s)
		}
		if tc.change != nil {
			tc.change(&r)
		}
		row, err := formOf(r)
		if err != nil {
			t.Fatal(err)
		}
		marks, err := Keyed(s, Stored{Reading: r, Mass: row.Mass}, now)
		if diff := cmp.Diff(tc.want, verdict{fault.ReasonOf(err), marks.Names()}); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

// The table says of every rule what it does, and names where its figure comes from unless it is ours. It catches a rule that is judged and not in the
// table, two of one name, and a mark that no rule or two rules have.
func TestRulesTellThemselves(t *testing.T) {
	t.Parallel()
	var seen []string
	var marks Marks
	for _, r := range liveRules {
		if r.Name == "" || r.Says == "" || r.Stage != scale.AtReading || slices.Contains(seen, r.Name) {
			t.Errorf("rule %+v", r.Rule)
		}
		seen = append(seen, r.Name)
		if (r.Basis == scale.Own) != (r.Source == "") || r.Basis == scale.Read && r.Edition == "" {
			t.Errorf("%s: basis %d, source %q, edition %q", r.Name, r.Basis, r.Source, r.Edition)
		}
		if r.Basis == scale.Memory && !strings.Contains(r.Edition, "no edition was read") {
			t.Errorf("%s: from memory, edition %q", r.Name, r.Edition)
		}
		if (r.Effect == scale.Mark) != (r.mark != 0) || marks&r.mark != 0 {
			t.Errorf("%s: effect %d, mark %d", r.Name, r.Effect, r.mark)
		}
		marks |= r.mark
	}
	if len(Rules()) != len(liveRules) {
		t.Errorf("%d rules are told, %d are judged", len(Rules()), len(liveRules))
	}
}
