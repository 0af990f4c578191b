package weighing

import (
	"math/big"
	"strings"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/scale"
)

var now = time.Date(2025, 11, 3, 12, 0, 0, 0, time.UTC)

func sound() Reading {
	return Reading{Scale: "W1", Sequence: 7, Time: now.Add(-time.Hour), Digits: "1234.5", Unit: "LBR", Kind: Gross, Reference: "T-9"}
}

func TestFormOfReadings(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name   string
		change func(*Reading)
		want   weight.Mass
		rule   string
	}{
		{"sound", func(*Reading) {}, 1_234_500_000, ""},
		{"nothing on the scale", func(r *Reading) { r.Digits = "0.00" }, 0, ""},
		{"kilograms", func(r *Reading) { r.Digits, r.Unit = "0.45359237", "KGM" }, 1_000_000, ""},
		{"ounces", func(r *Reading) { r.Digits, r.Unit = "8", "ONZ" }, 500_000, ""},
		{"short tons", func(r *Reading) { r.Digits, r.Unit = "0.5", "STN" }, 1_000_000_000, ""},
		{"five minutes ahead", func(r *Reading) { r.Time = now.Add(5 * time.Minute) }, 1_234_500_000, ""},
		{"more than five minutes ahead", func(r *Reading) { r.Time = now.Add(5*time.Minute + time.Microsecond) }, 0, "time_ahead"},
		{"no time", func(r *Reading) { r.Time = time.Time{} }, 0, "time_missing"},
		{"sequence zero", func(r *Reading) { r.Sequence = 0 }, 0, "sequence_below_one"},
		{"sequence below zero", func(r *Reading) { r.Sequence = -4 }, 0, "sequence_below_one"},
		{"kind not given", func(r *Reading) { r.Kind = 0 }, 0, "kind_unknown"},
		{"kind of a later version", func(r *Reading) { r.Kind = 4 }, 0, "kind_unknown"},
		{"unit not known", func(r *Reading) { r.Unit = "lb" }, 0, "unit_unknown"},
		{"below zero", func(r *Reading) { r.Digits = "-1" }, 0, "weight_negative"},
		{"minus nothing", func(r *Reading) { r.Digits = "-0.0" }, 0, "weight_negative"},
		{"no digits", func(r *Reading) { r.Digits = "" }, 0, "number_empty"},
		{"thousands separator", func(r *Reading) { r.Digits = "1,234" }, 0, "number_malformed"},
		{"exponent", func(r *Reading) { r.Digits = "1e3" }, 0, "number_malformed"},
		{"full-width digits", func(r *Reading) { r.Digits = "１２" }, 0, "number_malformed"},
		{"beyond the largest weight", func(r *Reading) { r.Digits = "99999999999999" }, 0, "weight_out_of_range"},
		{"reference too long", func(r *Reading) { r.Reference = strings.Repeat("x", 501) }, 0, "text_too_long"},
		{"reference of 500 wide characters", func(r *Reading) { r.Reference = strings.Repeat("ü", 500) }, 1_234_500_000, ""},
		{"reference with NUL", func(r *Reading) { r.Reference = "a\x00b" }, 0, "text_malformed"},
	} {
		r := sound()
		tc.change(&r)
		got, err := formOf(r, now)
		if got.Mass != tc.want || fault.ReasonOf(err) != tc.rule || (err != nil) != (tc.rule != "") {
			t.Errorf("%s: %d, %v; want %d, rule %q", tc.name, got.Mass, err, tc.want, tc.rule)
		}
	}
}

func TestLiveRules(t *testing.T) {
	t.Parallel()
	truck := scale.Scale{Code: "W1", InService: true, Capacity: 100_000 * weight.Pound, Division: 20 * weight.Pound}
	metric := scale.Scale{Code: "W1", InService: true, Division: 22_046_226} // 10 kg
	for _, tc := range []struct {
		name   string
		scale  scale.Scale
		digits string
		unit   string
		rule   string
	}{
		{"a multiple", truck, "48020", "LBR", ""},
		{"no multiple", truck, "48030", "LBR", "off_division"},
		{"a hair off", truck, "48020.000001", "LBR", "off_division"},
		{"at capacity", truck, "100000", "LBR", ""},
		{"at 105 %", truck, "105000", "LBR", ""},
		{"above 105 %", truck, "105020", "LBR", "above_capacity"},
		{"nothing", truck, "0", "LBR", ""},
		{"10 kg steps", metric, "21780", "KGM", ""},
		{"off 10 kg steps", metric, "21785", "KGM", "off_division"},
		{"no limits", scale.Scale{InService: true}, "999999.9", "LBR", ""},
		{"out of service", scale.Scale{Capacity: 1}, "1", "LBR", "scale_out_of_service"},
		{"seal holds to the hour", scale.Scale{InService: true, Sealed: now.Add(-time.Hour)}, "1", "LBR", ""},
		{"seal ended before", scale.Scale{InService: true, Sealed: now.Add(-61 * time.Minute)}, "1", "LBR", "seal_expired"},
	} {
		r := sound()
		r.Digits, r.Unit = tc.digits, tc.unit
		row, err := formOf(r, now)
		if err != nil {
			t.Fatal(err)
		}
		if got := live(row, tc.scale); fault.ReasonOf(got) != tc.rule {
			t.Errorf("%s: %s %s: %v, want rule %q", tc.name, tc.digits, tc.unit, got, tc.rule)
		}
	}
}

// Every part of the content tells in the hash, and parts do not run into each other. It catches a hash that leaves a field out or glues texts.
func TestHashTellsContents(t *testing.T) {
	t.Parallel()
	seen := map[Hash]string{}
	for name, change := range map[string]func(*Reading){
		"as it is":      func(*Reading) {},
		"scale":         func(r *Reading) { r.Scale = "W2" },
		"sequence":      func(r *Reading) { r.Sequence++ },
		"time":          func(r *Reading) { r.Time = r.Time.Add(time.Microsecond) },
		"digits":        func(r *Reading) { r.Digits = "1234.50" },
		"unit":          func(r *Reading) { r.Unit = "KGM" },
		"kind":          func(r *Reading) { r.Kind = Tare },
		"reference":     func(r *Reading) { r.Reference = "" },
		"moved letters": func(r *Reading) { r.Unit, r.Reference = "LBRT", "-9" },
	} {
		r := sound()
		change(&r)
		if other, ok := seen[hashOf(r)]; ok {
			t.Errorf("%s has the hash of %s", name, other)
		}
		seen[hashOf(r)] = name
	}
}

// Whatever digits come, they are refused or are a plain decimal whose value in micropounds is the nearest to the exact one. The exact value is
// worked out by big rationals, from 1 lb = 0.45359237 kg, 16 oz and 1/2,000 short ton (NIST Handbook 44, appendix C).
func FuzzDigits(f *testing.F) {
	for _, s := range []string{"0", "1", "48020", "0.000000001", "-1", "1e3", "1,000", "٣", "9223372036854.775807", "00012.50", "1.", ".5", " 1", ""} {
		for _, u := range []string{"LBR", "KGM", "ONZ", "STN", "lb"} {
			f.Add(s, u)
		}
	}
	pounds := map[string]*big.Rat{"LBR": big.NewRat(1, 1), "KGM": big.NewRat(100_000_000, 45_359_237), "ONZ": big.NewRat(1, 16), "STN": big.NewRat(2000, 1)}
	f.Fuzz(func(t *testing.T, digits, unit string) {
		r := sound()
		r.Digits, r.Unit = digits, unit
		row, err := formOf(r, now)
		if err != nil {
			if fault.ReasonOf(err) == "" {
				t.Errorf("%q %q: refused without a reason: %v", digits, unit, err)
			}
			return
		}
		if strings.Trim(digits, "0123456789.") != "" || strings.Count(digits, ".") > 1 {
			t.Errorf("%q was taken", digits)
		}
		exact, ok := new(big.Rat).SetString(digits)
		if !ok || pounds[unit] == nil {
			t.Fatalf("%q %q was taken", digits, unit)
		}
		exact.Mul(exact, pounds[unit]).Mul(exact, big.NewRat(1_000_000, 1))
		off := new(big.Rat).Sub(exact, new(big.Rat).SetInt64(int64(row.Mass)))
		if row.Mass < 0 || off.Abs(off).Cmp(big.NewRat(1, 2)) > 0 {
			t.Errorf("%q %s: %d micropounds, exactly %s", digits, unit, row.Mass, exact.FloatString(9))
		}
	})
}
