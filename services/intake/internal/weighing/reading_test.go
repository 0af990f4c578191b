package weighing

import (
	"encoding/hex"
	"math/big"
	"strings"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
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
		{"range below zero", func(r *Reading) { r.Status.Range = -1 }, 0, "range_below_one"},
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
		got, err := formOf(r)
		if got.Mass != tc.want || fault.ReasonOf(err) != tc.rule || (err != nil) != (tc.rule != "") {
			t.Errorf("%s: %d, %v; want %d, rule %q", tc.name, got.Mass, err, tc.want, tc.rule)
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
		"in motion":     func(r *Reading) { r.Status.InMotion = true },
		"fine digits":   func(r *Reading) { r.Status.HighResolution = true },
		"at zero":       func(r *Reading) { r.Status.CenterOfZero = true },
		"first range":   func(r *Reading) { r.Status.Range = 1 },
		"a later range": func(r *Reading) { r.Status.Range = 256 },
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

// Readings that were stored before scales could tell their status keep the hash they were stored with. The figure was worked out with sha256sum over
// the bytes of the form: four texts led by their lengths in four bytes, then sequence, microseconds and kind in eight bytes each.
func TestHashOfOldRowsStays(t *testing.T) {
	t.Parallel()
	const want = "f816686f4b0592eb63246ddf03bc8d77"
	if got := hex.EncodeToString(hash(sound())); got != want {
		t.Errorf("hash %s, want %s", got, want)
	}
}

func hash(r Reading) []byte {
	h := hashOf(r)
	return h[:]
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
		row, err := formOf(r)
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
