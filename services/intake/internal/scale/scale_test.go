package scale

import (
	"context"
	"slices"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
)

// saved keeps what was registered.
type saved struct {
	got    *Scale
	failed bool
}

func (s *saved) ScaleFailed(context.Context, string) (bool, error) { return s.failed, nil }

func (s *saved) SaveScale(_ context.Context, one Scale) error {
	s.got = &one
	return nil
}

const lb = weight.Pound

func kg(t *testing.T, digits string) weight.Mass {
	t.Helper()
	m, err := weight.FromReading(digits, weight.KilogramUnit)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// The figures are those of NIST Handbook 44, table 3, at both ends of its rows, and of a truck-scale note: 200,000 lb by 20 lb are 10,000 divisions,
// the most that class III L allows.
func TestRegister(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		scale Scale
		rule  string
	}{
		{"nothing known", Scale{}, ""},
		{"truck scale", Scale{Class: ClassIIIL, Capacity: 200_000 * lb, Division: 20 * lb, Unit: weight.PoundUnit}, ""},
		{"over 200,000 lb by 20 lb", Scale{Class: ClassIIIL, Capacity: 200_020 * lb, Division: 20 * lb}, "division_20_lb"},
		{"over 200,000 lb by 20 lb, no class", Scale{Capacity: 300_000 * lb, Division: 20 * lb}, "division_20_lb"},
		{"over 200,000 lb by 50 lb", Scale{Class: ClassIIIL, Capacity: 300_000 * lb, Division: 50 * lb}, ""},
		{"III L, 2,000 divisions", Scale{Class: ClassIIIL, Capacity: 40_000 * lb, Division: 20 * lb}, ""},
		{"III L, fewer", Scale{Class: ClassIIIL, Capacity: 39_980 * lb, Division: 20 * lb}, "class_divisions"},
		{"III L, division too small", Scale{Class: ClassIIIL, Capacity: 10_000 * lb, Division: 2 * lb}, "class_divisions"},
		{"III L in kilograms", Scale{Class: ClassIIIL, Capacity: kg(t, "50000"), Division: kg(t, "5"), Unit: weight.KilogramUnit}, ""},
		{"III L in kilograms, one more", Scale{Class: ClassIIIL, Capacity: kg(t, "50005"), Division: kg(t, "5"), Unit: weight.KilogramUnit}, "class_divisions_unconfirmed"},
		{"III, 10,000 divisions", Scale{Class: ClassIII, Capacity: 10_000 * lb, Division: 1 * lb}, ""},
		{"III, more", Scale{Class: ClassIII, Capacity: 10_001 * lb, Division: 1 * lb}, "class_divisions"},
		{"III, 500 divisions", Scale{Class: ClassIII, Capacity: 5 * lb, Division: lb / 100}, ""},
		{"III, fewer", Scale{Class: ClassIII, Capacity: 4_990_000, Division: lb / 100}, "class_divisions"},
		{"III, small division, 100 divisions", Scale{Class: ClassIII, Capacity: lb / 2, Division: lb / 200}, ""},
		{"III, small division, fewer", Scale{Class: ClassIII, Capacity: 495_000, Division: lb / 200}, "class_divisions"},
		{"III in ounces", Scale{Class: ClassIII, Capacity: 10 * lb, Division: lb / 160, Unit: weight.OunceUnit}, ""},
		{"IIII, 1,200 divisions", Scale{Class: ClassIIII, Capacity: 1_200 * lb, Division: 1 * lb}, ""},
		{"IIII, more", Scale{Class: ClassIIII, Capacity: 1_201 * lb, Division: 1 * lb}, "class_divisions"},
		{"IIII, fewer than 100", Scale{Class: ClassIIII, Capacity: 99 * lb, Division: 1 * lb}, "class_divisions"},
		{"II, 5,000 divisions of 0.1 g", Scale{Class: ClassII, Capacity: kg(t, "0.5"), Division: kg(t, "0.0001"), Unit: weight.KilogramUnit}, ""},
		{"II, fewer", Scale{Class: ClassII, Capacity: kg(t, "0.4"), Division: kg(t, "0.0001"), Unit: weight.KilogramUnit}, "class_divisions"},
		{"I in pounds has no row", Scale{Class: ClassI, Capacity: 100 * lb, Division: 1 * lb, Unit: weight.PoundUnit}, ""},
		{"class not known", Scale{Class: "V"}, "accuracy_class"},
		{"class in another writing", Scale{Class: "IIIL"}, "accuracy_class"},
		{"division of 3 lb", Scale{Capacity: 3_000 * lb, Division: 3 * lb}, "division_step"},
		{"division of 4 lb", Scale{Capacity: 4_000 * lb, Division: 4 * lb}, "division_step"},
		{"division of 25 lb", Scale{Capacity: 50_000 * lb, Division: 25 * lb}, "division_step"},
		{"division of 0.05 lb", Scale{Capacity: 100 * lb, Division: lb / 20}, ""},
		{"division of 10 kg in pounds", Scale{Capacity: kg(t, "50000"), Division: kg(t, "10"), Unit: weight.PoundUnit}, "division_step"},
		{"division of 10 kg, unit not given", Scale{Capacity: kg(t, "50000"), Division: kg(t, "10")}, ""},
		{"division above capacity", Scale{Capacity: 1, Division: 2}, "scale_figures"},
		{"minimum above capacity", Scale{Capacity: 100 * lb, Minimum: 101 * lb}, "scale_figures"},
		{"minimum below zero", Scale{Minimum: -1}, "scale_figures"},
		{"unit not known", Scale{Unit: "lb"}, "unit_unknown"},
		{"two ranges", Scale{Class: ClassIII, Ranges: []Range{{5_000 * lb, 1 * lb}, {10_000 * lb, 2 * lb}}}, ""},
		{"ranges that fall", Scale{Ranges: []Range{{10_000 * lb, 1 * lb}, {5_000 * lb, 2 * lb}}}, "scale_ranges"},
		{"ranges of one division", Scale{Ranges: []Range{{5_000 * lb, 1 * lb}, {10_000 * lb, 1 * lb}}}, "scale_ranges"},
		{"capacity beside the ranges", Scale{Capacity: 9 * lb, Ranges: []Range{{5_000 * lb, 1 * lb}, {10_000 * lb, 2 * lb}}}, "scale_ranges"},
		{"the second range has too few divisions", Scale{Class: ClassIII, Ranges: []Range{{500 * lb, 1 * lb}, {999 * lb, 2 * lb}}}, "class_divisions"},
		{"20 lb in the first range alone", Scale{Ranges: []Range{{200_000 * lb, 20 * lb}, {400_000 * lb, 50 * lb}}}, ""},
		{"hours", Scale{Hours: []Hours{{time.Monday, 6 * time.Hour, 18 * time.Hour}}, Zone: "America/Chicago"}, ""},
		{"hours without a zone", Scale{Hours: []Hours{{time.Monday, 6 * time.Hour, 18 * time.Hour}}}, "time_zone_unknown"},
		{"hours in no zone", Scale{Hours: []Hours{{time.Monday, 6 * time.Hour, 18 * time.Hour}}, Zone: "Nowhere/At all"}, "time_zone_unknown"},
		{"hours of the machine's own zone", Scale{Hours: []Hours{{time.Monday, 6 * time.Hour, 18 * time.Hour}}, Zone: "Local"}, "time_zone_unknown"},
		{"hours over midnight", Scale{Hours: []Hours{{time.Monday, 18 * time.Hour, 6 * time.Hour}}, Zone: "UTC"}, "scale_hours"},
		{"to the end of the day", Scale{Hours: []Hours{{time.Monday, 18 * time.Hour, 24 * time.Hour}}, Zone: "UTC"}, ""},
	} {
		tc.scale.Code = "W1"
		into := &saved{}
		err := Register(t.Context(), into, tc.scale)
		if fault.ReasonOf(err) != tc.rule || (err != nil) != (tc.rule != "") || (into.got != nil) != (err == nil) {
			t.Errorf("%s: %v, want rule %q", tc.name, err, tc.rule)
		}
	}
}

func TestFailedScaleStaysOut(t *testing.T) {
	t.Parallel()
	if err := Register(t.Context(), &saved{failed: true}, Scale{Code: "W1", InService: true}); fault.ReasonOf(err) != "check_failed_stands" {
		t.Errorf("in service: %v, want check_failed_stands", err)
	}
	if err := Register(t.Context(), &saved{failed: true}, Scale{Code: "W1", Place: "YARD"}); err != nil {
		t.Errorf("moved, out of service: %v", err)
	}
}

func TestRangesGiveCapacityAndDivision(t *testing.T) {
	t.Parallel()
	into := &saved{}
	if err := Register(t.Context(), into, Scale{Code: "W1", Ranges: []Range{{5_000 * lb, 1 * lb}, {10_000 * lb, 2 * lb}}}); err != nil {
		t.Fatal(err)
	}
	if into.got.Capacity != 10_000*lb || into.got.Division != 1*lb {
		t.Errorf("capacity %s, division %s; want 10,000 lb and 1 lb", into.got.Capacity, into.got.Division)
	}
}

// Every step is known again from the micropounds that it is rounded to, in every unit. It catches two steps that are rounded to one.
func TestStepIsKnownAgain(t *testing.T) {
	t.Parallel()
	for _, unit := range []weight.Unit{weight.PoundUnit, weight.KilogramUnit, weight.OunceUnit, weight.ShortTonUnit} {
		for _, digits := range []string{"0.0001", "0.0002", "0.0005", "0.001", "0.02", "0.5", "1", "2", "5", "10", "20", "50", "5000"} {
			got, ok := Step(massOf(digits, unit), unit)
			if !ok || got != digits {
				t.Errorf("%s %s: known as %q, %v", digits, unit, got, ok)
			}
		}
	}
}

// The table says of every rule what it does and where its figure comes from, and every figure of the class table can be read.
func TestRulesTellThemselves(t *testing.T) {
	t.Parallel()
	var names []string
	for _, r := range Rules() {
		if r.Name == "" || r.Says == "" || r.Stage != AtRegister || r.Effect != Refuse || (r.Basis == Own) != (r.Source == "") || slices.Contains(names, r.Name) {
			t.Errorf("rule %+v", r)
		}
		names = append(names, r.Name)
	}
	for _, row := range classRows() {
		if massOf(row.from, row.unit) <= 0 || row.to != "" && massOf(row.to, row.unit) <= massOf(row.from, row.unit) || !slices.Contains(Classes(), row.class) {
			t.Errorf("row %+v", row)
		}
	}
}
