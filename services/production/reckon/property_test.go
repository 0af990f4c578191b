package reckon

import (
	"fmt"
	"strings"
	"testing"

	"huskline/internal/exact"
	"pgregory.net/rapid"
)

func number(decimals int, low, high int64) *rapid.Generator[exact.Number] {
	return rapid.Custom(func(t *rapid.T) exact.Number {
		return exact.Scaled(rapid.Int64Range(low, high).Draw(t, "scaled"), decimals)
	})
}

func pointer(n exact.Number) *exact.Number { return &n }

func jointInput(t *rapid.T, method string) JointCostInput {
	in := JointCostInput{JointCost: number(2, 0, 1e9).Draw(t, "joint cost"), Method: method}
	for i := range rapid.IntRange(1, 6).Draw(t, "products") {
		separable := number(2, 0, 1e5).Draw(t, "separable")
		in.Products = append(in.Products, JointProduct{
			Name:          fmt.Sprint("p", i),
			Quantity:      number(3, 1, 1e8).Draw(t, "quantity"),
			SplitOffPrice: pointer(number(4, 1, 1e5).Draw(t, "split-off price")),
			FinalQuantity: pointer(exact.Int(1)),
			FinalPrice:    pointer(separable.Add(number(2, 1, 1e7).Draw(t, "realizable"))),
			SeparableCost: &separable,
		})
	}
	if rapid.Bool().Draw(t, "by-product") {
		in.ByProducts = []JointByProduct{{Name: "shell", Quantity: number(3, 0, 1e7).Draw(t, "shell"), Price: number(4, 0, 500).Draw(t, "shell price")}}
	}
	return in
}

// Catches: rounding each share by itself, and a credit that is taken off without its rounding.
func TestJointCostFoots(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := jointInput(t, rapid.SampledFrom([]string{Physical, SalesValue, NetRealizable, ConstantMargin}).Draw(t, "method"))
		out, err := JointCost(in)
		if err != nil {
			t.Fatal(err)
		}
		sum := out.ByProductCredit.Number()
		for _, p := range out.Products {
			sum = sum.Add(p.Amount.Number())
		}
		if sum.Cmp(in.JointCost) != 0 || out.Difference.Number().Sign() != 0 {
			t.Errorf("amounts and credit sum to %s of %s, difference %s", sum, in.JointCost, out.Difference)
		}
	})
}

// Catches: a method that shares by another base than its own. Every share is within one cent of the ratio that the method promises: the same
// cost per pound, the same cost per dollar of split-off value, the same margin.
func TestJointCostKeepsTheMethodsRatio(t *testing.T) {
	t.Parallel()
	ratios := map[string]func(p JointProduct, amount exact.Number) (part, whole exact.Number){
		Physical: func(p JointProduct, amount exact.Number) (part, whole exact.Number) { return amount, p.Quantity },
		SalesValue: func(p JointProduct, amount exact.Number) (part, whole exact.Number) {
			return amount, p.base(SalesValue)
		},
		ConstantMargin: func(p JointProduct, amount exact.Number) (part, whole exact.Number) {
			return amount.Add(*p.SeparableCost), p.finalValue()
		},
	}
	rapid.Check(t, func(t *rapid.T) {
		method := rapid.SampledFrom([]string{Physical, SalesValue, ConstantMargin}).Draw(t, "method")
		in := jointInput(t, method)
		out, err := JointCost(in)
		if err != nil {
			t.Fatal(err)
		}
		parts, wholes := exact.Number{}, exact.Number{}
		for i, p := range out.Products {
			part, whole := ratios[method](in.Products[i], p.Amount.Number())
			parts, wholes = parts.Add(part), wholes.Add(whole)
		}
		for i, p := range out.Products {
			part, whole := ratios[method](in.Products[i], p.Amount.Number())
			off := part.Sub(whole.Mul(parts).Quo(wholes))
			if off.Sign() < 0 {
				off = off.Neg()
			}
			if off.Cmp(exact.Scaled(1, 2)) >= 0 {
				t.Errorf("%s: %s of %s is %s away from the ratio of all", method, part, whole, off)
			}
		}
	})
}

// Catches: mix or yield at actual instead of standard prices, and lines rounded by themselves.
func TestMixAndYieldFoot(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := MixYieldInput{AllowedInput: number(3, 0, 1e8).Draw(t, "allowed")}
		left := int64(100_000)
		for i := range rapid.IntRange(0, 4).Draw(t, "more inputs") {
			share := rapid.Int64Range(0, left).Draw(t, "share")
			left -= share
			in.Inputs = append(in.Inputs, mixInput(t, fmt.Sprint(i), exact.Scaled(share, 3)))
		}
		in.Inputs = append(in.Inputs, mixInput(t, "last", exact.Scaled(left, 3)))
		out, err := MixYield(in)
		if err != nil {
			t.Fatal(err)
		}
		var mixes, yields, prices []exact.Decimal
		quantity, used := exact.Number{}, exact.Number{}
		for i, line := range out.Lines {
			mixes, yields, prices = append(mixes, line.Mix), append(yields, line.Yield), append(prices, *line.Price)
			p := in.Inputs[i]
			used = used.Add(p.ActualQuantity)
			quantity = quantity.Add(p.StandardSharePct.Pct().Mul(in.AllowedInput).Sub(p.ActualQuantity).Mul(p.StandardPrice))
		}
		cents := exact.Cents()
		want := cents.Round(quantity)
		for name, got := range map[string][2]string{
			"quantity":    {out.Quantity.String(), want.String()},
			"mix + yield": {cents.Total([]exact.Decimal{out.Mix, out.Yield}).String(), want.String()},
			"mix":         {cents.Total(mixes).String(), out.Mix.String()},
			"yield":       {cents.Total(yields).String(), out.Yield.String()},
			"price":       {cents.Total(prices).String(), out.Price.String()},
			"total":       {cents.Total([]exact.Decimal{*out.Price, out.Quantity}).String(), out.Total.String()},
		} {
			if got[0] != got[1] {
				t.Errorf("%s: got %s, want %s", name, got[0], got[1])
			}
		}
	})
}

func mixInput(t *rapid.T, name string, share exact.Number) MixInput {
	return MixInput{
		Name: name, StandardSharePct: share,
		StandardPrice:  number(4, 0, 1e5).Draw(t, "standard price"),
		ActualQuantity: number(3, 0, 1e7).Draw(t, "quantity"),
		ActualPrice:    pointer(number(4, 0, 1e5).Draw(t, "price")),
	}
}

// Catches: a volume variance that is not its two parts, and a total that is not what was absorbed less what was spent.
func TestFixedOverheadFoots(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := FixedOverheadInput{
			BudgetUnits: number(2, 0, 1e6).Draw(t, "budget"), HoursPerUnit: number(3, 0, 1e5).Draw(t, "hours"), Rate: number(4, 0, 1e6).Draw(t, "rate"),
			ActualUnits: number(2, 0, 1e6).Draw(t, "units"), ActualHours: number(2, 0, 1e6).Draw(t, "worked"), ActualCost: number(2, 0, 1e8).Draw(t, "cost"),
		}
		out, err := FixedOverhead(in)
		if err != nil {
			t.Fatal(err)
		}
		cents := exact.Cents()
		if got := cents.Total([]exact.Decimal{out.Capacity, out.Efficiency}); got.String() != out.Volume.String() {
			t.Errorf("capacity %s + efficiency %s: got %s, want volume %s", out.Capacity, out.Efficiency, got, out.Volume)
		}
		whole := in.ActualUnits.Mul(in.HoursPerUnit).Mul(in.Rate).Sub(in.ActualCost)
		off := out.Total.Number().Sub(whole)
		if off.Cmp(exact.Scaled(1, 2)) > 0 || off.Neg().Cmp(exact.Scaled(1, 2)) > 0 {
			t.Errorf("total %s, want %s within a cent", out.Total, whole)
		}
	})
}

// Catches: any unit that bears no cost or bears it twice, in either method and with every kind of loss.
func TestProcessCostFoots(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := processInput(t)
		out, err := ProcessCost(in)
		if err != nil && strings.Contains(err.Error(), "equivalent units to bear its cost") {
			t.Skip("a drawn loss left no unit to bear a cost, which is refused by rule")
		}
		if err != nil {
			t.Fatal(err)
		}
		cents := exact.Cents()
		all := []exact.Decimal{out.FinishedCost, out.AbnormalLossCost, out.ClosingCost, out.ScrapCredit}
		want := in.PeriodCost.Total().Add(in.Opening.Cost.Total())
		if got := cents.Total(all); got.Number().Cmp(want) != 0 || out.Difference.Number().Sign() != 0 {
			t.Errorf("accounted for %s of %s, difference %s", got, want, out.Difference)
		}
		lost := out.NormalLossUnits.Number().Add(out.AbnormalLossUnits.Number())
		if got := lost.Add(in.FinishedUnits).Add(in.Closing.Units); got.Cmp(in.Opening.Units.Add(in.StartedUnits)) != 0 {
			t.Errorf("units accounted for: %s of %s", got, in.Opening.Units.Add(in.StartedUnits))
		}
	})
}

func processInput(t *rapid.T) ProcessCostInput {
	opening := rapid.Int64Range(1, 1000).Draw(t, "opening")
	good := opening + rapid.Int64Range(1, 10_000).Draw(t, "good beyond the opening work")
	closing := rapid.Int64Range(0, 2000).Draw(t, "closing")
	lost := rapid.Int64Range(0, 500).Draw(t, "lost")
	pct := func() exact.Table {
		return exact.Table{{Name: "conversion", Value: number(1, 0, 1000).Draw(t, "complete")}}
	}
	in := ProcessCostInput{
		Method:        rapid.SampledFrom([]string{WeightedAverage, FIFO}).Draw(t, "method"),
		Opening:       &OpeningWork{Units: exact.Int(opening), Cost: exact.Table{{Name: "material", Value: number(2, 0, 1e7).Draw(t, "opening cost")}}, CompletePct: pct()},
		FinishedUnits: exact.Int(good),
		Closing:       ClosingWork{Units: exact.Int(closing), CompletePct: pct()},
		StartedUnits:  exact.Int(good + closing + lost - opening),
		PeriodCost: exact.Table{{Name: "material", Value: number(2, 0, 1e9).Draw(t, "material")},
			{Name: "conversion", Value: number(2, 0, 1e9).Draw(t, "conversion")}},
	}
	if rapid.Bool().Draw(t, "normal loss") {
		in.NormalLoss = &NormalLoss{Pct: number(1, 0, 80).Draw(t, "pct"), Of: rapid.SampledFrom([]string{OfInput, OfGoodOutput}).Draw(t, "of"),
			Treatment: rapid.SampledFrom([]string{Absorbed, Counted}).Draw(t, "treatment"), ScrapPrice: pointer(number(2, 0, 300).Draw(t, "scrap"))}
	}
	return in
}
