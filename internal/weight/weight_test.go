package weight_test

import (
	"math"
	"strings"
	"testing"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"huskline/internal/fault"
	"huskline/internal/weight"
)

func TestParse(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		text string
		want weight.Mass
		rule string
	}{
		{"20505.500", 20_505_500_000, ""},
		{"0", 0, ""},
		{"-1.035", -1_035_000, ""},
		{"0.000001", 1, ""},
		{"9223372036854.775807", math.MaxInt64, ""},
		{"9223372036854.775808", 0, "number_too_large"},
		{"0.0000001", 0, "number_too_fine"},
		{"1,000.5", 0, "number_malformed"},
		{"1e3", 0, "number_malformed"},
		{"+1", 0, "number_malformed"},
		{" 1", 0, "number_malformed"},
		{"１２", 0, "number_malformed"},
		{"1.", 0, "number_malformed"},
		{".5", 0, "number_malformed"},
		{"NaN", 0, "number_malformed"},
		{"--1", 0, "number_malformed"},
		{"", 0, "number_empty"},
		{"-", 0, "number_empty"},
		{strings.Repeat("9", 19), 0, "number_too_large"},
	} {
		got, err := weight.Parse(tc.text)
		if got != tc.want || fault.ReasonOf(err) != tc.rule {
			t.Errorf("parse %q: %d, %v; want %d, rule %q", tc.text, got, err, tc.want, tc.rule)
		}
	}
}

// NIST Handbook 44, appendix C: 1 pound = 0.453 592 37 kilogram exactly, 16 ounces and 1/2,000 short ton; so 1 kg = 2.204 622 6218… lb.
func TestFromReadingHandbook44(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		digits string
		unit   weight.Unit
		want   weight.Mass
	}{
		{"1", weight.PoundUnit, 1_000_000},
		{"0.45359237", weight.KilogramUnit, 1_000_000},
		{"453.59237", weight.KilogramUnit, 1_000_000_000},
		{"1", weight.KilogramUnit, 2_204_623},
		{"16", weight.OunceUnit, 1_000_000},
		{"1", weight.OunceUnit, 62_500},
		{"1", weight.ShortTonUnit, 2_000_000_000},
		{"0.000008", weight.OunceUnit, 0},  // 0.5 micropound: the tie goes to the even 0
		{"0.000024", weight.OunceUnit, 2},  // 1.5: to the even 2
		{"0.000040", weight.OunceUnit, 2},  // 2.5: to the even 2
		{"-0.00004", weight.OunceUnit, -2}, // the same below zero
	} {
		got, err := weight.FromReading(tc.digits, tc.unit)
		if err != nil || got != tc.want {
			t.Errorf("reading %s %s: %d, %v; want %d", tc.digits, tc.unit, got, err, tc.want)
		}
	}
	for _, text := range []string{"TNE", "lb", ""} {
		if _, err := weight.ParseUnit(text); fault.ReasonOf(err) != "unit_unknown" {
			t.Errorf("unit %q: %v, want unit_unknown", text, err)
		}
	}
}

// Conversion against an independent decimal library, which rounds half to even to 6 places. Break it catches: rounding half up.
func TestFromReadingAgainstDecimal(t *testing.T) {
	t.Parallel()
	perUnit := map[weight.Unit]decimal.Decimal{
		weight.OunceUnit:    decimal.NewFromInt(16),
		weight.KilogramUnit: decimal.RequireFromString("0.45359237"),
	}
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]weight.Unit{weight.OunceUnit, weight.KilogramUnit}).Draw(t, "unit")
		n := rapid.Int64Range(0, 1e12).Draw(t, "n")
		digits := weight.FormatDecimal(n, 6, 6)
		got, err := weight.FromReading(digits, unit)
		if err != nil {
			t.Fatalf("reading %s: %v", digits, err)
		}
		want := decimal.New(n, -6).DivRound(perUnit[unit], 40).RoundBank(6)
		if decimal.New(int64(got), -6).Cmp(want) != 0 {
			t.Fatalf("reading %s %s: %s, want %s", digits, unit, got, want)
		}
	})
}

func TestNet(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		gross, tare, want weight.Mass
		rule              string
	}{
		{532_000 * weight.Pound, 32_000 * weight.Pound, 500_000 * weight.Pound, ""},
		{5, 5, 0, "net_not_positive"},
		{5, 6, 0, "tare_above_gross"},
		{-1, 0, 0, "weight_negative"},
	} {
		got, err := weight.Net(tc.gross, tc.tare)
		if got != tc.want || fault.ReasonOf(err) != tc.rule {
			t.Errorf("net %s - %s: %s, %v; want %s, rule %q", tc.gross, tc.tare, got, err, tc.want, tc.rule)
		}
	}
}

// Printing and parsing are inverses. Break it catches: dropping a sign or an idle zero that is none.
func TestRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := weight.Mass(rapid.Int64Range(math.MinInt64+1, math.MaxInt64).Draw(t, "m"))
		got, err := weight.Parse(m.String())
		if err != nil || got != m {
			t.Fatalf("%d prints %q, reads %d, %v", m, m.String(), got, err)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1.5", "-0", "1e9", "１", "9223372036854.775807"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := weight.Parse(s)
		if err == nil && m != math.MinInt64 {
			if again, err := weight.Parse(m.String()); err != nil || again != m {
				t.Errorf("%q reads %d, prints %q, reads %d, %v", s, m, m.String(), again, err)
			}
		}
	})
}

func TestCodesOfUsualSpellings(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"lb": "LBR", "Lbs": "LBR", "pounds": "LBR", "kg": "KGM", "KG": "KGM", "oz": "ONZ", "short ton": "STN", "Short tons": "STN",
		"LBR": "LBR", "STN": "STN", "ton": "ton", "t": "t", "g": "g", "": "", "lbr": "lbr", // no guesses: a ton is one of three
	} {
		if got := weight.Code(text); got != want {
			t.Errorf("Code(%q) = %q, want %q", text, got, want)
		}
	}
}
