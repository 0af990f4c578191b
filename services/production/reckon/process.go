package reckon

import "huskline/internal/exact"

// The two ways to cost a process that had work in it when the period began.
const (
	WeightedAverage = "weighted_average" // its cost is pooled with the period's
	FIFO            = "fifo"             // it is finished first and keeps its own cost
)

// What a normal loss is a percentage of, and how it bears its cost.
const (
	OfInput      = "input"       // the units started
	OfGoodOutput = "good_output" // the units finished

	Absorbed = "absorbed" // no units of its own: good units, abnormal loss and closing work cost more
	Counted  = "counted"  // units of its own, whose cost is then added to the good ones
)

// ProcessCostInput is a department's period. Cost elements (material, conversion …) are named freely; those of PeriodCost are reckoned with.
type ProcessCostInput struct {
	Method        string        `json:"method"`
	Opening       *OpeningWork  `json:"opening,omitempty"`
	StartedUnits  exact.Number  `json:"started_units"`
	PeriodCost    exact.Table   `json:"period_cost"`
	FinishedUnits exact.Number  `json:"finished_units"` // good ones
	Closing       ClosingWork   `json:"closing"`
	NormalLoss    *NormalLoss   `json:"normal_loss,omitempty"`
	MoneyStep     *exact.Number `json:"money_step,omitempty"`
}

// OpeningWork was in process when the period began. An element without a percentage is complete.
type OpeningWork struct {
	Units       exact.Number `json:"units"`
	Cost        exact.Table  `json:"cost"`
	CompletePct exact.Table  `json:"complete_pct,omitempty"`
}

// ClosingWork is in process when the period ends. An element without a percentage is complete.
type ClosingWork struct {
	Units       exact.Number `json:"units"`
	CompletePct exact.Table  `json:"complete_pct,omitempty"`
}

// NormalLoss is the loss that is expected; what is lost beyond it is abnormal. Its scrap lessens the first element of the period's cost.
type NormalLoss struct {
	Pct        exact.Number  `json:"pct"`
	Of         string        `json:"of"`
	Treatment  string        `json:"treatment"`
	ScrapPrice *exact.Number `json:"scrap_price,omitempty"`
}

// ProcessCostOutput foots: finished, abnormal loss, closing and scrap sum to opening and period cost; Difference is 0 and printed as the proof.
// The two parts of FinishedCost are there for FIFO only. AbnormalLossUnits below zero are a gain.
type ProcessCostOutput struct {
	EquivalentUnits     exact.Entries  `json:"equivalent_units"`
	CostPerUnit         exact.Entries  `json:"cost_per_unit"`
	OpeningFinishedCost *exact.Decimal `json:"opening_finished_cost,omitempty"`
	StartedFinishedCost *exact.Decimal `json:"started_finished_cost,omitempty"`
	FinishedCost        exact.Decimal  `json:"finished_cost"`
	NormalLossUnits     exact.Decimal  `json:"normal_loss_units"`
	AbnormalLossUnits   exact.Decimal  `json:"abnormal_loss_units"`
	AbnormalLossCost    exact.Decimal  `json:"abnormal_loss_cost"`
	ScrapCredit         exact.Decimal  `json:"scrap_credit"`
	ClosingCost         exact.Decimal  `json:"closing_cost"`
	Total               exact.Decimal  `json:"total"`
	Difference          exact.Decimal  `json:"difference"`
}

// process is an input with what follows from it before any cost is shared.
type process struct {
	ProcessCostInput
	step             exact.Step
	opening          OpeningWork
	loss             NormalLoss
	normal, abnormal exact.Number // units
	scrap            exact.Decimal
}

// ProcessCost costs what a process finished, lost and still holds by equivalent units. Lost units count as complete.
func ProcessCost(in ProcessCostInput) (ProcessCostOutput, error) {
	step, err := exact.StepOf("money_step", in.MoneyStep)
	if err != nil {
		return ProcessCostOutput{}, err
	}
	p := &process{ProcessCostInput: in, step: step, opening: exact.Or(in.Opening), loss: exact.Or(in.NormalLoss)}
	if err := p.check(); err != nil {
		return ProcessCostOutput{}, err
	}
	if p.loss.Of == OfInput {
		p.normal = p.loss.Pct.Pct().Mul(p.StartedUnits)
	} else {
		p.normal = p.loss.Pct.Pct().Mul(p.FinishedUnits)
	}
	p.abnormal = p.opening.Units.Add(p.StartedUnits).Sub(p.FinishedUnits).Sub(p.Closing.Units).Sub(p.normal)
	p.scrap = step.Round(p.normal.Mul(exact.Or(p.loss.ScrapPrice)))

	var out ProcessCostOutput
	shares := p.shares()
	for i, element := range p.PeriodCost {
		units := p.equivalentUnits(element.Name)
		out.EquivalentUnits = append(out.EquivalentUnits, exact.Entry{Key: element.Name, Value: units.Plain()})
		cost := p.costOf(i)
		out.CostPerUnit = append(out.CostPerUnit, exact.Entry{Key: element.Name, Value: cost.RatioTo(units)})
		if units.Sign() <= 0 && cost.Sign() != 0 {
			return ProcessCostOutput{}, exact.Refuse("period_cost."+element.Name, "there are %s equivalent units to bear its cost of %s", units, cost)
		}
		if units.Sign() > 0 {
			p.charge(shares, element.Name, cost.Quo(units))
		}
	}
	err = p.share(shares, &out)
	return out, err
}

// The places that cost goes to, in the order that settles ties between left-over steps.
const (
	openingFinished = iota
	startedFinished // all that was finished, with the weighted average
	abnormalLoss
	closingWork
	places
)

// shares begin with what the opening work brought, which with FIFO stays with the units that it came with.
func (p *process) shares() []exact.Part {
	parts := make([]exact.Part, places)
	for i := range parts {
		parts[i].Key = string(rune('a' + i))
	}
	if p.Method == FIFO {
		parts[openingFinished].Exact = p.opening.Cost.Total()
	}
	return parts
}

// charge adds an element at its rate to every place by the units that it did there.
func (p *process) charge(parts []exact.Part, element string, rate exact.Number) {
	for place, units := range p.units(element) {
		parts[place].Exact = parts[place].Exact.Add(units.Mul(rate))
	}
}

// units are the equivalent units of an element by place.
func (p *process) units(element string) []exact.Number {
	units := make([]exact.Number, places)
	units[startedFinished] = p.FinishedUnits
	if p.Method == FIFO {
		units[openingFinished] = p.opening.Units.Mul(exact.Int(1).Sub(complete(p.opening.CompletePct, element)))
		units[startedFinished] = p.FinishedUnits.Sub(p.opening.Units)
	}
	if p.loss.Treatment == Counted {
		units[startedFinished] = units[startedFinished].Add(p.normal)
	}
	units[abnormalLoss] = p.abnormal
	units[closingWork] = p.Closing.Units.Mul(complete(p.Closing.CompletePct, element))
	return units
}

func complete(pct exact.Table, element string) exact.Number {
	if n, given := pct.Find(element); given {
		return n.Pct()
	}
	return exact.Int(1)
}

func (p *process) equivalentUnits(element string) exact.Number { return exact.Sum(p.units(element)...) }

// costOf is the i-th element's cost that is spread over its equivalent units.
func (p *process) costOf(i int) exact.Number {
	cost := p.PeriodCost[i].Value
	if i == 0 {
		cost = cost.Sub(p.scrap.Number())
	}
	if p.Method == WeightedAverage {
		opening, _ := p.opening.Cost.Find(p.PeriodCost[i].Name)
		cost = cost.Add(opening)
	}
	return cost
}

func (p *process) share(parts []exact.Part, out *ProcessCostOutput) error {
	all := p.opening.Cost.Total().Add(p.PeriodCost.Total())
	amounts, err := p.step.Foot(all.Sub(p.scrap.Number()), parts)
	if err != nil {
		return err
	}
	if p.Method == FIFO {
		out.OpeningFinishedCost, out.StartedFinishedCost = &amounts[openingFinished], &amounts[startedFinished]
	}
	out.FinishedCost = p.step.Total(amounts[:abnormalLoss])
	out.NormalLossUnits, out.AbnormalLossUnits = p.normal.Plain(), p.abnormal.Plain()
	out.AbnormalLossCost, out.ScrapCredit, out.ClosingCost = amounts[abnormalLoss], p.scrap, amounts[closingWork]
	out.Total = p.step.Total(append(amounts, p.scrap))
	out.Difference = p.step.Exactly(all.Sub(out.Total.Number()))
	return nil
}

func (p *process) check() error {
	if err := exact.First(
		exact.OneOf("method", p.Method, WeightedAverage, FIFO),
		exact.NotNegative("opening.units", p.opening.Units),
		exact.NotNegative("started_units", p.StartedUnits),
		exact.NotNegative("finished_units", p.FinishedUnits),
		exact.NotNegative("closing.units", p.Closing.Units),
		p.checkPct("opening.complete_pct", p.opening.CompletePct),
		p.checkPct("closing.complete_pct", p.Closing.CompletePct),
		p.checkCost("opening.cost", p.opening.Cost),
		p.checkCost("period_cost", p.PeriodCost),
		p.checkLoss(),
	); err != nil {
		return err
	}
	if len(p.PeriodCost) == 0 {
		return exact.Refuse("period_cost", "there is no cost element")
	}
	if p.opening.Units.Sign() == 0 && p.opening.Cost.Total().Sign() != 0 {
		return exact.Refuse("opening.units", "no units carry an opening cost of %s", p.opening.Cost.Total())
	}
	if p.Method == FIFO {
		if p.FinishedUnits.Cmp(p.opening.Units) < 0 {
			return exact.Refuse("finished_units", "%s are fewer than the %s of opening work, which fifo finishes first", p.FinishedUnits, p.opening.Units)
		}
		return nil
	}
	for _, c := range p.opening.Cost {
		if _, known := p.PeriodCost.Find(c.Name); !known {
			return exact.Refuse("opening.cost."+c.Name, "period_cost has no such element to pool it with")
		}
	}
	return nil
}

func (p *process) checkPct(path string, table exact.Table) error {
	for _, pct := range table {
		if _, known := p.PeriodCost.Find(pct.Name); !known {
			return exact.Refuse(path+"."+pct.Name, "period_cost has no such element")
		}
		if err := exact.Percentage(path+"."+pct.Name, pct.Value); err != nil {
			return err
		}
	}
	return nil
}

func (p *process) checkCost(path string, table exact.Table) error {
	for _, c := range table {
		if err := exact.First(exact.NotNegative(path+"."+c.Name, c.Value), p.step.Multiple(path+"."+c.Name, c.Value)); err != nil {
			return err
		}
	}
	return nil
}

func (p *process) checkLoss() error {
	if p.NormalLoss == nil {
		return nil
	}
	if err := exact.First(
		exact.OneOf("normal_loss.of", p.loss.Of, OfInput, OfGoodOutput),
		exact.OneOf("normal_loss.treatment", p.loss.Treatment, Absorbed, Counted),
		exact.OptionalNotNegative("normal_loss.scrap_price", p.loss.ScrapPrice),
	); err != nil {
		return err
	}
	if p.loss.Of == OfInput {
		return exact.BelowHundred("normal_loss.pct", p.loss.Pct)
	}
	return exact.NotNegative("normal_loss.pct", p.loss.Pct)
}
