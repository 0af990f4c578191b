package money_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"huskline/internal/money"
	"huskline/internal/weight"
)

// Exact products that binary floats get wrong by a cent; the rule is half up (away from zero). Source of the rule: the
// Council Regulation on the euro (its number, 1103/97 article 5, from memory): an exact half cent goes up. Answers by exact fractions.
func TestCentLine(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ pounds, price, want string }{
		{"250", "0.8685", "217.13"},
		{"133.5", "1.23", "164.21"},
		{"1250.5", "0.61", "762.81"},
		{"4.5", "0.29", "1.31"},
		{"107.5", "0.07", "7.53"},
		{"100.5", "0.35", "35.18"},
		{"2.5", "0.19", "0.48"},
		{"43217.6", "0.98635", "42627.68"},
		{"48960", "0.0235", "1150.56"},
		{"7310", "0.0379", "277.05"},
		{"10000", "1.0450", "10450.00"},
	} {
		m, err := weight.Parse(tc.pounds)
		require.NoError(t, err)
		p, err := money.ParsePrice(tc.price)
		require.NoError(t, err)
		got, err := money.CentLine(m, p)
		if err != nil || got.String() != tc.want {
			t.Errorf("%s lb x %s: %s, %v; want %s", tc.pounds, tc.price, got, err, tc.want)
		}
	}
}

func TestHoursAndSigns(t *testing.T) {
	t.Parallel()
	got, err := money.Hours(1_093_960_000, 15_570_000)
	if err != nil || got.String() != "17032.9572" {
		t.Errorf("1093.96 h x 15.57: %s, %v; want 17032.9572", got, err)
	}
	for _, tc := range []struct {
		in   money.Amount
		want string
	}{{5_000, "0.01"}, {4_999, "0.00"}, {-5_000, "-0.01"}, {-4_999, "0.00"}, {1_234_567, "1.23"}} {
		if got := tc.in.Cents(); got != tc.want {
			t.Errorf("%d millionths in cents: %s, want %s", tc.in, got, tc.want)
		}
	}
	if _, err := money.Line(1<<62, 1<<62); err == nil {
		t.Error("a product beyond 64 bits was not refused")
	}
}

// 118,914.37 over 43,217 lb is 2.75156466…: printed with six places, half up.
func TestPerPound(t *testing.T) {
	t.Parallel()
	got, ok := money.PerPound(118_914_370_000, 43_217*weight.Pound)
	if !ok || got.String() != "2.751565" {
		t.Errorf("unit cost %s, %t; want 2.751565", got, ok)
	}
	if _, ok := money.PerPound(1, 0); ok {
		t.Error("nothing has a unit cost")
	}
}

// A published case: 33.75, 2.45, 8.60, 4.90, 0.30 were printed of a joint cost of 50.00 shared over 55.00, 4.00, 14.00, 8.00 and 0.50; with the
// largest remainder they are 33.74, 2.45, 8.59, 4.91 and 0.31 (a textbook's joint-cost exercise with cut weights; answer by exact fractions).
func TestFooted(t *testing.T) {
	t.Parallel()
	parts := []money.Amount{33_742_331, 2_453_988, 8_588_957, 4_907_975, 306_749}
	want := []money.Amount{33_740_000, 2_450_000, 8_590_000, 4_910_000, 310_000}
	got := money.Footed(parts, []string{"a", "b", "c", "d", "e"})
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("part %d: %s, want %s", i, got[i], want[i])
		}
	}
}

// What is printed adds up to the printed total, and no line is off by a cent. Break it catches: rounding each line by itself.
func TestFootedProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		parts := rapid.SliceOfN(rapid.Map(rapid.Int64Range(-1e12, 1e12), func(n int64) money.Amount { return money.Amount(n) }), 1, 20).Draw(t, "parts")
		keys := make([]string, len(parts))
		var exact, printed money.Amount
		for i, p := range parts {
			keys[i] = string(rune('a' + i))
			exact += p
		}
		for i, p := range money.Footed(parts, keys) {
			if off := p - parts[i]; off <= -money.Cent || off >= money.Cent {
				t.Fatalf("part %d of %s is printed %s", i, parts[i], p)
			}
			printed += p
		}
		if printed != money.ToCent(exact) {
			t.Fatalf("printed %s, the total is %s", printed, exact)
		}
	})
}
