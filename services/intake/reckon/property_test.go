package reckon

import (
	"fmt"
	"slices"
	"testing"

	"huskline/internal/exact"
	"pgregory.net/rapid"
)

func number(decimals int, low, high int64) *rapid.Generator[exact.Number] {
	return rapid.Custom(func(t *rapid.T) exact.Number {
		return exact.Scaled(rapid.Int64Range(low, high).Draw(t, "scaled"), decimals)
	})
}

// Catches: an order of parts that decides who gets the odd cent, a share more than a step away from its exact part, parts that do not foot.
func TestApportion(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := ApportionInput{Amount: number(2, -1e6, 1e6).Draw(t, "amount"), Step: exact.Scaled(1, 2)}
		weights := exact.Number{}
		for i := range rapid.IntRange(1, 8).Draw(t, "parts") {
			in.Parts = append(in.Parts, Weighted{fmt.Sprint("k", i), number(3, 1, 50).Draw(t, "weight")})
			weights = weights.Add(in.Parts[i].Weight)
		}
		out, err := Apportion(in)
		if err != nil {
			t.Fatal(err)
		}
		sum := exact.Number{}
		for i, p := range out.Parts {
			sum = sum.Add(p.Amount.Number())
			off := p.Amount.Number().Sub(in.Amount.Mul(in.Parts[i].Weight).Quo(weights))
			if off.Cmp(in.Step) >= 0 || off.Neg().Cmp(in.Step) >= 0 {
				t.Errorf("%s: %s is %s away from its exact part", p.Key, p.Amount, off)
			}
		}
		if sum.Cmp(in.Amount) != 0 {
			t.Errorf("parts sum to %s of %s", sum, in.Amount)
		}
		slices.Reverse(in.Parts)
		reversed, err := Apportion(in)
		if err != nil {
			t.Fatal(err)
		}
		slices.Reverse(reversed.Parts)
		if fmt.Sprint(reversed) != fmt.Sprint(out) {
			t.Errorf("reversed: got %v, want %v", reversed, out)
		}
	})
}

// Catches: shrink that divides by the wrong moisture: drying and wetting again gives the weight back, and no change of moisture loses nothing.
func TestShrinkComesBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		weight := number(3, 1, 1e9).Draw(t, "weight")
		from, to := number(2, 0, 9999).Draw(t, "from"), number(2, 0, 9999).Draw(t, "to")
		if back := dry(dry(weight, from, to), to, from); back.Cmp(weight) != 0 {
			t.Errorf("there and back: got %s, want %s", back, weight)
		}
		out, err := Shrink(ShrinkInput{WeightLb: weight, FromPct: from, ToPct: to})
		if err != nil {
			t.Fatal(err)
		}
		if sum := out.DriedLb.Number().Add(out.LostLb.Number()); sum.Cmp(weight) != 0 {
			t.Errorf("dried and lost sum to %s of %s", sum, weight)
		}
		if same, err := Shrink(ShrinkInput{WeightLb: weight, FromPct: from, ToPct: from}); err != nil || same.LostLb.Number().Sign() != 0 {
			t.Errorf("same moisture: lost %s, %v", same.LostLb, err)
		}
	})
}

// Catches: a limit out of order. The class never gets larger as the count goes up, and the 2024 table and that of halves have one for every count.
func TestSizeClassIsMonotone(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.SampledFrom(sizeStandards()).Draw(t, "standard")
		less := number(2, 1, 90_000).Draw(t, "count")
		more := less.Add(number(2, 0, 30_000).Draw(t, "more"))
		edition, err := exact.Parse(s.edition)
		if err != nil {
			t.Fatal(err)
		}
		rank := func(count exact.Number) int {
			out, err := SizeClass(SizeClassInput{Standard: s.name, Edition: edition, CountPerLb: &count})
			if err != nil {
				t.Fatal(err)
			}
			if out.Class == nil {
				if s.edition != "1976" {
					t.Errorf("%s %s has no class for %s", s.name, s.edition, count)
				}
				return len(s.classes)
			}
			return slices.IndexFunc(s.classes, func(l sizeLimit) bool { return l.class == *out.Class })
		}
		if a, b := rank(less), rank(more); a > b {
			t.Errorf("%s: class %d at %s, %d at %s", s.name, a, less, b, more)
		}
	})
}

// Catches: tolerances that fall with the load, are not twice those of acceptance, or go below one division.
func TestScaleToleranceIsMonotone(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		class := rapid.SampledFrom(scaleClasses()).Draw(t, "class")
		less := number(1, 0, 3_000_000).Draw(t, "load")
		more := less.Add(number(1, 0, 500_000).Draw(t, "more"))
		tolerance := func(load exact.Number, kind string) exact.Number {
			out, err := ScaleTolerance(ScaleToleranceInput{Class: class, DivisionLb: exact.Int(1), LoadLb: load, Kind: kind})
			if err != nil {
				t.Fatal(err)
			}
			return out.ToleranceLb.Number()
		}
		low, high := tolerance(less, Maintenance), tolerance(more, Maintenance)
		if low.Cmp(high) > 0 || low.Cmp(exact.Int(1)) < 0 || tolerance(less, Acceptance).Mul(exact.Int(2)).Cmp(low) != 0 {
			t.Errorf("class %s: %s at %s, %s at %s, acceptance %s", class, low, less, high, more, tolerance(less, Acceptance))
		}
	})
}
