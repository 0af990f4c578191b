package reckon

import "huskline/internal/exact"

// MixYieldInput is a recipe's standard mix and what went in; AllowedInput is what the standard allows for the output that was made.
type MixYieldInput struct {
	Inputs       []MixInput    `json:"inputs"`
	AllowedInput exact.Number  `json:"allowed_input"`
	MoneyStep    *exact.Number `json:"money_step,omitempty"`
}

// MixInput is one ingredient. The standard shares sum to 100.
type MixInput struct {
	Name             string        `json:"name"`
	StandardSharePct exact.Number  `json:"standard_share_pct"`
	StandardPrice    exact.Number  `json:"standard_price"`
	ActualQuantity   exact.Number  `json:"actual_quantity"`
	ActualPrice      *exact.Number `json:"actual_price,omitempty"`
}

// MixYieldOutput holds variances, favourable above zero. Mix and Yield sum to Quantity, the lines to each; Price and Total are nil unless every
// input has an actual price.
type MixYieldOutput struct {
	Price    *exact.Decimal `json:"price"`
	Mix      exact.Decimal  `json:"mix"`
	Yield    exact.Decimal  `json:"yield"`
	Quantity exact.Decimal  `json:"quantity"`
	Total    *exact.Decimal `json:"total"`
	Lines    []MixLine      `json:"lines"`
}

// MixLine is one input's part of the variances.
type MixLine struct {
	Name  string         `json:"name"`
	Price *exact.Decimal `json:"price"`
	Mix   exact.Decimal  `json:"mix"`
	Yield exact.Decimal  `json:"yield"`
}

// MixYield splits the cost of having used more or less than the standard: price at what was used, mix at the standard prices of having used
// other shares, yield of having used another total than the output allows.
func MixYield(in MixYieldInput) (MixYieldOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return MixYieldOutput{}, err
	}
	if err := in.check(); err != nil {
		return MixYieldOutput{}, err
	}
	mix, yield := in.exactParts()
	quantity := step.Round(sumOf(mix).Add(sumOf(yield)))
	both, err := step.Foot(quantity.Number(), []exact.Part{{Key: "mix", Exact: sumOf(mix)}, {Key: "yield", Exact: sumOf(yield)}})
	if err != nil {
		return MixYieldOutput{}, err
	}
	mixes, err := step.Foot(both[0].Number(), mix)
	if err != nil {
		return MixYieldOutput{}, err
	}
	yields, err := step.Foot(both[1].Number(), yield)
	if err != nil {
		return MixYieldOutput{}, err
	}
	out := MixYieldOutput{Mix: both[0], Yield: both[1], Quantity: quantity}
	for i, p := range in.Inputs {
		out.Lines = append(out.Lines, MixLine{Name: p.Name, Mix: mixes[i], Yield: yields[i]})
	}
	err = in.price(step, &out)
	return out, err
}

func (in MixYieldInput) check() error {
	var names []string
	var shares []exact.Number
	for i, p := range in.Inputs {
		if err := exact.First(
			exact.Percentage(exact.At("inputs", i, "standard_share_pct"), p.StandardSharePct),
			exact.NotNegative(exact.At("inputs", i, "standard_price"), p.StandardPrice),
			exact.NotNegative(exact.At("inputs", i, "actual_quantity"), p.ActualQuantity),
			exact.OptionalNotNegative(exact.At("inputs", i, "actual_price"), p.ActualPrice),
		); err != nil {
			return err
		}
		names, shares = append(names, p.Name), append(shares, p.StandardSharePct)
	}
	return exact.First(
		exact.Names("inputs", "name", names),
		exact.AddsToHundred("inputs", shares...),
		exact.NotNegative("allowed_input", in.AllowedInput),
	)
}

// exactParts are the unrounded mix and yield of each input.
func (in MixYieldInput) exactParts() (mix, yield []exact.Part) {
	used := exact.Number{}
	for _, p := range in.Inputs {
		used = used.Add(p.ActualQuantity)
	}
	for _, p := range in.Inputs {
		share := p.StandardSharePct.Pct()
		mix = append(mix, exact.Part{Key: p.Name, Exact: share.Mul(used).Sub(p.ActualQuantity).Mul(p.StandardPrice)})
		yield = append(yield, exact.Part{Key: p.Name, Exact: in.AllowedInput.Sub(used).Mul(share).Mul(p.StandardPrice)})
	}
	return mix, yield
}

func sumOf(parts []exact.Part) exact.Number {
	total := exact.Number{}
	for _, p := range parts {
		total = total.Add(p.Exact)
	}
	return total
}

// price fills in the price variances. Where an input has none its line has none either, and neither has the whole.
func (in MixYieldInput) price(step exact.Step, out *MixYieldOutput) error {
	var priced []exact.Part
	var lines []*MixLine
	for i, p := range in.Inputs {
		if p.ActualPrice != nil {
			priced = append(priced, exact.Part{Key: p.Name, Exact: p.StandardPrice.Sub(*p.ActualPrice).Mul(p.ActualQuantity)})
			lines = append(lines, &out.Lines[i])
		}
	}
	total := step.Round(sumOf(priced))
	prices, err := step.Foot(total.Number(), priced)
	if err != nil {
		return err
	}
	for i, line := range lines {
		line.Price = &prices[i]
	}
	if len(priced) == len(in.Inputs) {
		all := step.Total([]exact.Decimal{total, out.Quantity})
		out.Price, out.Total = &total, &all
	}
	return nil
}
