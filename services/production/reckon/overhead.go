package reckon

import "huskline/internal/exact"

// FixedOverheadInput is a budget, what was made and what was spent. Rate is per hour.
type FixedOverheadInput struct {
	BudgetUnits  exact.Number  `json:"budget_units"`
	HoursPerUnit exact.Number  `json:"hours_per_unit"`
	Rate         exact.Number  `json:"rate"`
	ActualUnits  exact.Number  `json:"actual_units"`
	ActualHours  exact.Number  `json:"actual_hours"`
	ActualCost   exact.Number  `json:"actual_cost"`
	MoneyStep    *exact.Number `json:"money_step,omitempty"`
}

// FixedOverheadOutput holds variances, favourable above zero. Capacity and Efficiency sum to Volume, Spending and Volume to Total.
type FixedOverheadOutput struct {
	Spending   exact.Decimal `json:"spending"`
	Volume     exact.Decimal `json:"volume"`
	Capacity   exact.Decimal `json:"capacity"`
	Efficiency exact.Decimal `json:"efficiency"`
	Total      exact.Decimal `json:"total"`
}

// FixedOverhead splits what of fixed overhead was absorbed too much or too little: spending is budget less actual cost, volume what the units
// absorbed less budget; of that, capacity is the hours worked beyond the budget's and efficiency the hours that the units should have taken
// beyond those, both at the rate.
func FixedOverhead(in FixedOverheadInput) (FixedOverheadOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return FixedOverheadOutput{}, err
	}
	if err := exact.First(
		exact.NotNegative("budget_units", in.BudgetUnits),
		exact.NotNegative("hours_per_unit", in.HoursPerUnit),
		exact.NotNegative("rate", in.Rate),
		exact.NotNegative("actual_units", in.ActualUnits),
		exact.NotNegative("actual_hours", in.ActualHours),
		exact.NotNegative("actual_cost", in.ActualCost),
	); err != nil {
		return FixedOverheadOutput{}, err
	}
	budgetHours, allowedHours := in.BudgetUnits.Mul(in.HoursPerUnit), in.ActualUnits.Mul(in.HoursPerUnit)
	spending := step.Round(budgetHours.Mul(in.Rate).Sub(in.ActualCost))
	volume := step.Round(allowedHours.Sub(budgetHours).Mul(in.Rate))
	parts, err := step.Foot(volume.Number(), []exact.Part{
		{Key: "capacity", Exact: in.ActualHours.Sub(budgetHours).Mul(in.Rate)},
		{Key: "efficiency", Exact: allowedHours.Sub(in.ActualHours).Mul(in.Rate)},
	})
	if err != nil {
		return FixedOverheadOutput{}, err
	}
	return FixedOverheadOutput{spending, volume, parts[0], parts[1], step.Total([]exact.Decimal{spending, volume})}, nil
}
