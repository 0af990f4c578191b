package reckon

import "huskline/internal/exact"

// The ways to share a joint cost over what came out at the split-off.
const (
	Physical       = "physical"        // by quantity
	SalesValue     = "sales_value"     // by quantity x split-off price
	NetRealizable  = "nrv"             // by final value less the cost of getting there
	ConstantMargin = "constant_margin" // so that every product has the margin of all together
)

// What becomes of the value of by-products.
const (
	CreditWhenMade = "credit_when_made" // it lessens the joint cost
	IncomeWhenSold = "income_when_sold" // the joint cost does not know of it
)

// JointCostInput is a joint cost and what came out of the process that it paid for.
type JointCostInput struct {
	JointCost  exact.Number     `json:"joint_cost"`
	Method     string           `json:"method"`
	Products   []JointProduct   `json:"products"`
	ByProducts []JointByProduct `json:"by_products,omitempty"`
	// ByProductTreatment is CreditWhenMade where it is empty.
	ByProductTreatment string        `json:"by_product_treatment,omitempty"`
	MoneyStep          *exact.Number `json:"money_step,omitempty"`
}

// JointProduct is a main product. Which of its prices have to be there depends on the method.
type JointProduct struct {
	Name          string        `json:"name"`
	Quantity      exact.Number  `json:"quantity"`
	SplitOffPrice *exact.Number `json:"split_off_price,omitempty"`
	FinalQuantity *exact.Number `json:"final_quantity,omitempty"`
	FinalPrice    *exact.Number `json:"final_price,omitempty"`
	SeparableCost *exact.Number `json:"separable_cost,omitempty"` // in total, after the split-off
}

// JointByProduct is sold for little; CostToSell is per unit.
type JointByProduct struct {
	Name       string        `json:"name"`
	Quantity   exact.Number  `json:"quantity"`
	Price      exact.Number  `json:"price"`
	CostToSell *exact.Number `json:"cost_to_sell,omitempty"`
}

// JointCostOutput foots: the products' amounts sum to the net joint cost, Difference is 0 and printed as the proof.
type JointCostOutput struct {
	ByProductCredit exact.Decimal      `json:"by_product_credit"`
	NetJointCost    exact.Decimal      `json:"net_joint_cost"`
	Products        []JointProductCost `json:"products"`
	Total           exact.Decimal      `json:"total"`
	Difference      exact.Decimal      `json:"difference"`
}

// JointProductCost is one product's share. PerUnit is nil without a quantity, MarginPct without a final value.
type JointProductCost struct {
	Name      string         `json:"name"`
	Amount    exact.Decimal  `json:"amount"`
	PerUnit   *exact.Decimal `json:"per_unit"`
	MarginPct *exact.Decimal `json:"margin_pct"`
}

// JointCost shares a joint cost, less what by-products bring, over main products. A product's base below zero is refused, except that a constant
// margin may give a product a share below zero: its cost after the split-off is above what the common margin leaves it.
func JointCost(in JointCostInput) (JointCostOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return JointCostOutput{}, err
	}
	if err := in.check(step); err != nil {
		return JointCostOutput{}, err
	}
	credit := in.credit(step)
	net := in.JointCost.Sub(credit.Number())
	var amounts []exact.Decimal
	if in.Method == ConstantMargin {
		amounts, err = in.atOneMargin(step, net)
	} else {
		amounts, err = in.byBase(step, net)
	}
	if err != nil {
		return JointCostOutput{}, err
	}
	total := step.Total(amounts)
	out := JointCostOutput{ByProductCredit: credit, NetJointCost: step.Exactly(net), Total: total, Difference: step.Exactly(net.Sub(total.Number()))}
	for i, p := range in.Products {
		amount := amounts[i].Number()
		out.Products = append(out.Products, JointProductCost{p.Name, amounts[i], amount.RatioTo(p.Quantity), p.margin(amount)})
	}
	return out, nil
}

func (in JointCostInput) check(step exact.Step) error {
	names := make([]string, len(in.Products))
	for i, p := range in.Products {
		names[i] = p.Name
	}
	if err := exact.First(
		step.Multiple("joint_cost", in.JointCost),
		exact.OneOf("method", in.Method, Physical, SalesValue, NetRealizable, ConstantMargin),
		exact.Names("products", "name", names),
	); err != nil {
		return err
	}
	for i, p := range in.Products {
		if err := p.check(exact.At("products", i, ""), in.Method); err != nil {
			return err
		}
	}
	for i, b := range in.ByProducts {
		if err := exact.First(
			exact.NotNegative(exact.At("by_products", i, "quantity"), b.Quantity),
			exact.NotNegative(exact.At("by_products", i, "price"), b.Price),
			exact.OptionalNotNegative(exact.At("by_products", i, "cost_to_sell"), b.CostToSell),
		); err != nil {
			return err
		}
	}
	if in.ByProductTreatment == "" {
		return nil
	}
	return exact.OneOf("by_product_treatment", in.ByProductTreatment, CreditWhenMade, IncomeWhenSold)
}

func (p JointProduct) check(path, method string) error {
	if err := exact.First(
		exact.NotNegative(path+".quantity", p.Quantity),
		exact.OptionalNotNegative(path+".split_off_price", p.SplitOffPrice),
		exact.OptionalNotNegative(path+".final_quantity", p.FinalQuantity),
		exact.OptionalNotNegative(path+".final_price", p.FinalPrice),
		exact.OptionalNotNegative(path+".separable_cost", p.SeparableCost),
	); err != nil {
		return err
	}
	why := "the method " + method + " asks for it"
	switch method {
	case SalesValue:
		return exact.Given(path+".split_off_price", p.SplitOffPrice, why)
	case NetRealizable, ConstantMargin:
		if err := exact.First(
			exact.Given(path+".final_quantity", p.FinalQuantity, why),
			exact.Given(path+".final_price", p.FinalPrice, why),
			exact.Given(path+".separable_cost", p.SeparableCost, why),
		); err != nil {
			return err
		}
		if realizable := p.base(NetRealizable); method == NetRealizable && realizable.Sign() < 0 {
			return exact.Refuse(path, "a net realizable value of %s is no base to share by: it is below 0", realizable)
		}
	}
	return nil
}

// credit rounds each by-product's value by itself, as the line of a document that it is.
func (in JointCostInput) credit(step exact.Step) exact.Decimal {
	var lines []exact.Decimal
	for _, b := range in.ByProducts {
		if in.ByProductTreatment != IncomeWhenSold {
			lines = append(lines, step.Round(b.Quantity.Mul(b.Price.Sub(exact.Or(b.CostToSell)))))
		}
	}
	return step.Total(lines)
}

func (p JointProduct) finalValue() exact.Number {
	return exact.Or(p.FinalQuantity).Mul(exact.Or(p.FinalPrice))
}

func (p JointProduct) base(method string) exact.Number {
	switch method {
	case SalesValue:
		return p.Quantity.Mul(exact.Or(p.SplitOffPrice))
	case NetRealizable:
		return p.finalValue().Sub(exact.Or(p.SeparableCost))
	}
	return p.Quantity
}

func (in JointCostInput) byBase(step exact.Step, net exact.Number) ([]exact.Decimal, error) {
	var bases []exact.Part
	for _, p := range in.Products {
		bases = append(bases, exact.Part{Key: p.Name, Exact: p.base(in.Method)})
	}
	return step.Split("products", net, bases)
}

func (in JointCostInput) atOneMargin(step exact.Step, net exact.Number) ([]exact.Decimal, error) {
	value, separable := exact.Number{}, exact.Number{}
	for _, p := range in.Products {
		value, separable = value.Add(p.finalValue()), separable.Add(exact.Or(p.SeparableCost))
	}
	if value.Sign() == 0 {
		return nil, exact.Refuse("products", "the final values are all zero, so there is no margin of them")
	}
	costShare := net.Add(separable).Quo(value)
	var parts []exact.Part
	for _, p := range in.Products {
		parts = append(parts, exact.Part{Key: p.Name, Exact: p.finalValue().Mul(costShare).Sub(exact.Or(p.SeparableCost))})
	}
	return step.Foot(net, parts)
}

// margin is what of the final value is left after all cost, in percent.
func (p JointProduct) margin(amount exact.Number) *exact.Decimal {
	value := p.finalValue()
	return value.Sub(exact.Or(p.SeparableCost)).Sub(amount).Mul(exact.Int(100)).RatioTo(value)
}
