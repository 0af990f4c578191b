package share_test

import (
	"math"
	"math/big"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"huskline/internal/fault"
	"huskline/internal/share"
)

func parts(weights ...int64) []share.Part {
	out := make([]share.Part, len(weights))
	for i, w := range weights {
		out[i] = share.Part{Key: string(rune('a' + i)), Weight: share.Of(w)}
	}
	return out
}

// Hamilton's method: the first apportionment of the US House of Representatives by the 1790 census, 105 seats (the bill vetoed in 1792), as printed
// in the literature on electoral methods.
func TestHamilton1790(t *testing.T) {
	t.Parallel()
	states := []struct {
		name  string
		count int64
		seats int64
	}{
		{"VA", 630560, 18}, {"MA", 475327, 14}, {"PA", 432879, 13}, {"NC", 353523, 10}, {"NY", 331589, 10}, {"MD", 278514, 8}, {"CT", 236841, 7},
		{"SC", 206236, 6}, {"NJ", 179570, 5}, {"NH", 141822, 4}, {"VT", 85533, 2}, {"GA", 70835, 2}, {"KY", 68705, 2}, {"RI", 68446, 2}, {"DE", 55540, 2},
	}
	var in []share.Part
	var want []int64
	for _, s := range states {
		in = append(in, share.Part{Key: s.name, Weight: share.Of(s.count)})
		want = append(want, s.seats)
	}
	got, err := share.Split(105, in)
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("105 seats: %v\n%s", err, diff)
	}
}

func TestSplit(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		total int64
		parts []share.Part
		want  []int64
		rule  string
	}{
		{"tie goes to the smaller key", 5, []share.Part{{"b", share.Of(30)}, {"a", share.Of(70)}}, []int64{1, 4}, ""},
		{"three thirds", 800, parts(1, 1, 1), []int64{267, 267, 266}, ""},
		{"below zero", -800, parts(1, 1, 1), []int64{-267, -267, -266}, ""},
		{"128 bits", math.MaxInt64, []share.Part{{"a", share.Product(math.MaxInt64, math.MaxInt64)}, {"b", share.Product(math.MaxInt64, math.MaxInt64)}},
			[]int64{math.MaxInt64/2 + 1, math.MaxInt64 / 2}, ""},
		{"nothing to share", 0, parts(0, 0), []int64{0, 0}, ""},
		{"no weight", 1, parts(0, 0), nil, "share_without_weight"},
		{"weight below zero", 1, parts(1, -1), nil, "share_negative"},
	} {
		got, err := share.Split(tc.total, tc.parts)
		if diff := cmp.Diff(tc.want, got); diff != "" || fault.ReasonOf(err) != tc.rule {
			t.Errorf("%s: %v, want rule %q\n%s", tc.name, err, tc.rule, diff)
		}
	}
}

// Parts sum to the total, none is off its exact share by a whole unit, and the order asked in changes nothing. Breaks it catches: rounding each
// part by itself; ties by place in the list.
func TestSplitProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		total := rapid.Int64().Filter(func(n int64) bool { return n != math.MinInt64 }).Draw(t, "total")
		weights := rapid.SliceOfN(rapid.Int64Range(0, math.MaxInt64), 1, 12).Draw(t, "weights")
		weights[0]++
		if weights[0] < 0 {
			weights[0] = 1
		}
		in := parts(weights...)
		got, err := share.Split(total, in)
		if err != nil {
			t.Fatal(err)
		}
		whole, sum := new(big.Int), int64(0)
		for i, w := range weights {
			whole.Add(whole, big.NewInt(w))
			sum += got[i]
		}
		if sum != total {
			t.Fatalf("parts sum to %d, want %d", sum, total)
		}
		for i, w := range weights {
			exact := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(total), big.NewInt(w)), whole)
			off := new(big.Rat).Sub(new(big.Rat).SetInt64(got[i]), exact)
			if off.Abs(off).Cmp(big.NewRat(1, 1)) >= 0 {
				t.Fatalf("part %d is %d, exactly %s", i, got[i], exact.FloatString(3))
			}
		}
		last := len(in) - 1
		in[0], in[last] = in[last], in[0]
		swapped, err := share.Split(total, in)
		if err != nil || swapped[0] != got[last] || swapped[last] != got[0] {
			t.Fatalf("another order of the parts gave %v, want %v with first and last changed", swapped, got)
		}
	})
}

func TestTaken(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ total, part, whole, want int64 }{
		{11_800, 7_500, 10_000, 8_850},
		{1, 1, 2, 0}, // a tie stays
		{1, 2, 3, 1},
		{-1, 2, 3, -1},
		{99, 10, 10, 99},
		{99, 0, 10, 0},
	} {
		got, err := share.Taken(tc.total, tc.part, tc.whole)
		if err != nil || got != tc.want {
			t.Errorf("taken %d x %d/%d: %d, %v; want %d", tc.total, tc.part, tc.whole, got, err, tc.want)
		}
	}
	for _, tc := range []struct{ part, whole int64 }{{1, 0}, {-1, 2}, {3, 2}} {
		if _, err := share.Taken(1, tc.part, tc.whole); fault.ReasonOf(err) != "withdrawal_out_of_range" {
			t.Errorf("taken %d of %d: %v, want a refusal", tc.part, tc.whole, err)
		}
	}
}
