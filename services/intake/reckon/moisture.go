package reckon

import "huskline/internal/exact"

// The weights that a loss or a charge may be reckoned on.
const (
	OnDelivered = "delivered" // pounds as they came in
	OnDried     = "dried"     // pounds after drying
	OnLot       = "lot"       // once for all of it
)

// ShrinkInput is a weight and its moisture before and after. HandlingOn is asked for with a HandlingPct.
type ShrinkInput struct {
	WeightLb    exact.Number  `json:"weight_lb"`
	FromPct     exact.Number  `json:"from_pct"`
	ToPct       exact.Number  `json:"to_pct"`
	HandlingPct *exact.Number `json:"handling_pct,omitempty"`
	HandlingOn  *string       `json:"handling_on,omitempty"`
}

// ShrinkOutput sums to the weight; the loss is below zero where water went in.
type ShrinkOutput struct {
	DriedLb exact.Decimal `json:"dried_lb"`
	LostLb  exact.Decimal `json:"lost_lb"`
	LostPct exact.Decimal `json:"lost_pct"` // of delivered
}

// Shrink is the weight after drying: what is dry stays, so wet x (100 - from) / (100 - to); a handling loss comes off on top, as a percentage of
// the delivered weight (usual for buyers) or of the dried one. The two differ, so the base is always named.
func Shrink(in ShrinkInput) (ShrinkOutput, error) {
	if err := exact.First(
		exact.Positive("weight_lb", in.WeightLb),
		exact.BelowHundred("from_pct", in.FromPct),
		exact.BelowHundred("to_pct", in.ToPct),
	); err != nil {
		return ShrinkOutput{}, err
	}
	dried := dry(in.WeightLb, in.FromPct, in.ToPct)
	handling, err := in.handling(dried)
	if err != nil {
		return ShrinkOutput{}, err
	}
	dried = dried.Sub(handling)
	if dried.Sign() < 0 {
		return ShrinkOutput{}, exact.Refuse("handling_pct", "a loss of %s lb is more than what drying leaves", handling)
	}
	lost := in.WeightLb.Sub(dried)
	step := exact.Thousandths()
	parts, err := step.Foot(step.Round(in.WeightLb).Number(), []exact.Part{{Key: "dried", Exact: dried}, {Key: "lost", Exact: lost}})
	if err != nil {
		return ShrinkOutput{}, err
	}
	return ShrinkOutput{parts[0], parts[1], lost.Quo(in.WeightLb).Mul(exact.Int(100)).Fixed(4)}, nil
}

// dry is the dry-matter rule.
func dry(weight, from, to exact.Number) exact.Number {
	return weight.Mul(exact.Int(100).Sub(from)).Quo(exact.Int(100).Sub(to))
}

func (in ShrinkInput) handling(dried exact.Number) (exact.Number, error) {
	if in.HandlingPct == nil && in.HandlingOn == nil {
		return exact.Number{}, nil
	}
	if err := exact.First(
		exact.Given("handling_pct", in.HandlingPct, "handling_on is there"),
		exact.Given("handling_on", in.HandlingOn, "handling_pct is a percentage of something"),
		exact.BelowHundred("handling_pct", exact.Or(in.HandlingPct)),
		exact.OneOf("handling_on", exact.Or(in.HandlingOn), OnDelivered, OnDried),
	); err != nil {
		return exact.Number{}, err
	}
	if *in.HandlingOn == OnDelivered {
		return in.WeightLb.Mul(in.HandlingPct.Pct()), nil
	}
	return dried.Mul(in.HandlingPct.Pct()), nil
}

// LandedInput is a delivery and what it cost to have it here, dried.
type LandedInput struct {
	DeliveredLb exact.Number  `json:"delivered_lb"`
	FromPct     exact.Number  `json:"from_pct"`
	ToPct       exact.Number  `json:"to_pct"`
	Charges     []Charge      `json:"charges"`
	MoneyStep   *exact.Number `json:"money_step,omitempty"`
}

// Charge is a rate per pound of its base, or an amount for the lot; below zero it is a deduction.
type Charge struct {
	Name string       `json:"name"`
	Rate exact.Number `json:"rate"`
	Base string       `json:"base"`
}

// LandedOutput is the statement: each line rounded half up, the total their sum. PerDriedLb is for reading and never reckoned with.
type LandedOutput struct {
	DriedLb    exact.Decimal  `json:"dried_lb"`
	Charges    []Line         `json:"charges"`
	Total      exact.Decimal  `json:"total"`
	PerDriedLb *exact.Decimal `json:"per_dried_lb"`
}

// Line is one line of a statement.
type Line struct {
	Name   string        `json:"name"`
	Amount exact.Decimal `json:"amount"`
}

// Landed adds up what a delivery cost and spreads it over what is left after drying.
func Landed(in LandedInput) (LandedOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return LandedOutput{}, err
	}
	if err := exact.First(
		exact.Positive("delivered_lb", in.DeliveredLb),
		exact.BelowHundred("from_pct", in.FromPct),
		exact.BelowHundred("to_pct", in.ToPct),
	); err != nil {
		return LandedOutput{}, err
	}
	dried := dry(in.DeliveredLb, in.FromPct, in.ToPct)
	bases := map[string]exact.Number{OnDelivered: in.DeliveredLb, OnDried: dried, OnLot: exact.Int(1)}
	out := LandedOutput{DriedLb: dried.Fixed(3), Charges: []Line{}}
	var amounts []exact.Decimal
	for i, c := range in.Charges {
		if err := exact.OneOf(exact.At("charges", i, "base"), c.Base, OnDelivered, OnDried, OnLot); err != nil {
			return LandedOutput{}, err
		}
		amount := step.Round(c.Rate.Mul(bases[c.Base]))
		amounts = append(amounts, amount)
		out.Charges = append(out.Charges, Line{c.Name, amount})
	}
	out.Total = step.Total(amounts)
	out.PerDriedLb = out.Total.Number().RatioTo(dried)
	return out, nil
}
