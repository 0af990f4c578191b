package reckon

import (
	"encoding/json"
	"strings"

	"huskline/internal/fault"
	"huskline/internal/share"
	"huskline/internal/weight"
)

// number is a plain decimal, as a JSON string or an exact JSON number.
type number string

// UnmarshalJSON takes a string or a number as it stands.
func (n *number) UnmarshalJSON(data []byte) error {
	*n = number(strings.Trim(string(data), `"`))
	return nil
}

type apportionInput struct {
	Amount number          `json:"amount"`
	Step   number          `json:"step"`
	Parts  []apportionPart `json:"parts"`
}

type apportionPart struct {
	Key    string `json:"key"`
	Weight number `json:"weight"`
}

type apportionOutput struct {
	Parts []apportionedPart `json:"parts"`
}

type apportionedPart struct {
	Key    string `json:"key"`
	Amount string `json:"amount"`
}

// decimals is how finely amounts, steps and weights are read.
const decimals = 6

// apportion shares an amount, a multiple of step, over parts by weight: largest remainder, ties by key compared as bytes, in the order given.
func apportion(data json.RawMessage) (any, error) {
	var in apportionInput
	if err := decode(data, &in); err != nil {
		return nil, err
	}
	amount, err := weight.ParseDecimal(string(in.Amount), decimals)
	if err != nil {
		return nil, fault.Invalid("amount", "amount: %w", err)
	}
	step, err := weight.ParseDecimal(string(in.Step), decimals)
	if err != nil || step <= 0 || amount%step != 0 {
		return nil, fault.Invalid("step", "step %q: it is above zero and the amount %q a multiple of it", in.Step, in.Amount)
	}
	parts, err := apportionParts(in.Parts)
	if err != nil {
		return nil, err
	}
	shares, err := share.Split(amount/step, parts)
	if err != nil {
		return nil, err
	}
	_, fraction, _ := strings.Cut(string(in.Step), ".")
	out := apportionOutput{Parts: []apportionedPart{}}
	for i, n := range shares {
		out.Parts = append(out.Parts, apportionedPart{parts[i].Key, weight.FormatDecimal(n*step, decimals, len(fraction))})
	}
	return out, nil
}

func apportionParts(in []apportionPart) ([]share.Part, error) {
	seen := map[string]bool{}
	var out []share.Part
	for i, p := range in {
		w, err := weight.ParseDecimal(string(p.Weight), decimals)
		if err != nil || w < 0 {
			return nil, fault.Invalid("weight", "parts[%d].weight %q: a plain decimal, not below zero", i, p.Weight)
		}
		if seen[p.Key] {
			return nil, fault.Invalid("key", "parts[%d].key %q: keys are unique", i, p.Key)
		}
		seen[p.Key] = true
		out = append(out, share.Part{Key: p.Key, Weight: share.Of(w)})
	}
	return out, nil
}
