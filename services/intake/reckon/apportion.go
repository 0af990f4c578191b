package reckon

import "huskline/internal/exact"

// ApportionInput is an amount to share out, a multiple of the step.
type ApportionInput struct {
	Amount exact.Number `json:"amount"`
	Step   exact.Number `json:"step"`
	Parts  []Weighted   `json:"parts"`
}

// Weighted asks for one share. Key is unique and breaks ties.
type Weighted struct {
	Key    string       `json:"key"`
	Weight exact.Number `json:"weight"`
}

// ApportionOutput sums to the amount, in the order of the input.
type ApportionOutput struct {
	Parts []Apportioned `json:"parts"`
}

// Apportioned is one share.
type Apportioned struct {
	Key    string        `json:"key"`
	Amount exact.Decimal `json:"amount"`
}

// Apportion shares an amount over parts by weight: largest remainder, ties to the smaller key compared as bytes, so that the order given does not
// decide. A negative amount is split as its absolute value.
func Apportion(in ApportionInput) (ApportionOutput, error) {
	step, err := exact.StepOf("step", &in.Step)
	if err != nil {
		return ApportionOutput{}, err
	}
	var keys []string
	var weights []exact.Part
	for i, p := range in.Parts {
		if err := exact.NotNegative(exact.At("parts", i, "weight"), p.Weight); err != nil {
			return ApportionOutput{}, err
		}
		keys, weights = append(keys, p.Key), append(weights, exact.Part{Key: p.Key, Exact: p.Weight})
	}
	if err := exact.First(exact.Names("parts", "key", keys), step.Multiple("amount", in.Amount)); err != nil {
		return ApportionOutput{}, err
	}
	amounts, err := step.Split("parts", in.Amount, weights)
	if err != nil {
		return ApportionOutput{}, err
	}
	var out ApportionOutput
	for i, p := range in.Parts {
		out.Parts = append(out.Parts, Apportioned{p.Key, amounts[i]})
	}
	return out, nil
}
