package reckon

import "huskline/internal/exact"

// How lots are compared with what they would bring.
const (
	ByItem  = "item"  // each by itself
	ByTotal = "total" // all together, so that one lot's gain covers another's loss
)

// LowerOfCostInput is stock at cost beside its net realizable value (selling price less what it still takes to finish and sell).
type LowerOfCostInput struct {
	Items     []StockItem   `json:"items"`
	By        string        `json:"by"`
	MoneyStep *exact.Number `json:"money_step,omitempty"`
}

// StockItem is one item on hand; Cost is of all of it.
type StockItem struct {
	Name       string       `json:"name"`
	Quantity   exact.Number `json:"quantity"`
	Cost       exact.Number `json:"cost"`
	NRVPerUnit exact.Number `json:"nrv_per_unit"`
}

// LowerOfCostOutput is the expense; Items only where each is compared by itself.
type LowerOfCostOutput struct {
	WriteDown exact.Decimal `json:"write_down"`
	Items     []Carried     `json:"items,omitempty"`
}

// Carried is an item's book value and what it lost: both sum to its cost.
type Carried struct {
	Name      string        `json:"name"`
	Carrying  exact.Decimal `json:"carrying"`
	WriteDown exact.Decimal `json:"write_down"`
}

// LowerOfCost carries stock at cost or at net realizable value, whichever is lower (ASC 330-10-35-1B, IAS 2.9).
func LowerOfCost(in LowerOfCostInput) (LowerOfCostOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return LowerOfCostOutput{}, err
	}
	if err := in.check(step); err != nil {
		return LowerOfCostOutput{}, err
	}
	if in.By == ByTotal {
		cost, value := exact.Number{}, exact.Number{}
		for _, item := range in.Items {
			cost, value = cost.Add(item.Cost), value.Add(item.Quantity.Mul(item.NRVPerUnit))
		}
		return LowerOfCostOutput{WriteDown: lost(step, cost, value)}, nil
	}
	var out LowerOfCostOutput
	var all []exact.Decimal
	for _, item := range in.Items {
		writeDown := lost(step, item.Cost, item.Quantity.Mul(item.NRVPerUnit))
		all = append(all, writeDown)
		out.Items = append(out.Items, Carried{item.Name, step.Exactly(item.Cost.Sub(writeDown.Number())), writeDown})
	}
	out.WriteDown = step.Total(all)
	return out, nil
}

// lost is cost less the value to the step, and nothing where the value is not below the cost.
func lost(step exact.Step, cost, value exact.Number) exact.Decimal {
	worth := step.Round(value).Number()
	if worth.Cmp(cost) >= 0 {
		return step.Exactly(exact.Number{})
	}
	return step.Exactly(cost.Sub(worth))
}

func (in LowerOfCostInput) check(step exact.Step) error {
	if len(in.Items) == 0 {
		return exact.Refuse("items", "the list is empty")
	}
	for i, item := range in.Items {
		if err := exact.First(
			exact.NotNegative(exact.At("items", i, "quantity"), item.Quantity),
			exact.NotNegative(exact.At("items", i, "cost"), item.Cost),
			step.Multiple(exact.At("items", i, "cost"), item.Cost),
			exact.NotNegative(exact.At("items", i, "nrv_per_unit"), item.NRVPerUnit),
		); err != nil {
			return err
		}
	}
	return exact.OneOf("by", in.By, ByItem, ByTotal)
}
