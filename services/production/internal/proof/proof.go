// Package proof prints what must come out equal in a cost account: both sides of every line, and their difference, which is zero in a book whose
// facts are complete. A cost accountant expects these lines under every sheet.
package proof

import (
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/production/internal/cost"
)

// Unit is what a line counts, in millionths.
type Unit string

// The units of a line.
const (
	Pounds  Unit = "lb"
	Dollars Unit = "currency"
)

// Line is one proof. Name is stable; Text is for people.
type Line struct {
	Name  string
	Text  string
	Unit  Unit
	Left  int64
	Right int64
}

// Difference is left less right; zero where the line holds.
func (l Line) Difference() int64 { return l.Left - l.Right }

// Holds tells whether every line does.
func Holds(lines []Line) bool {
	for _, l := range lines {
		if l.Difference() != 0 {
			return false
		}
	}
	return true
}

func pounds(name, text string, left, right weight.Mass) Line {
	return Line{Name: name, Text: text, Unit: Pounds, Left: int64(left), Right: int64(right)}
}

func dollars(name, text string, left, right money.Amount) Line {
	return Line{Name: name, Text: text, Unit: Dollars, Left: int64(left), Right: int64(right)}
}

// both is a line at the prices first paid and one with the final prices; stock and service cost are added, since each is proved with the sheet of
// its runs and lots.
func both(name, text string, left, right cost.Cost) []Line {
	return []Line{
		dollars(name+"_paid", text+", prices first paid", left.Paid.Total(), right.Paid.Total()),
		dollars(name+"_final", text+", final prices", left.Final.Total(), right.Final.Total()),
	}
}

// Season is the proof of the whole book; balances are its cost.Book.Where.
func Season(s cost.Season, balances []cost.Balance) []Line {
	lines := []Line{
		pounds("pounds", "pounds received, come back and adjusted = shipped, on hand, in process and unaccounted", in(s.All), out(s.All)),
	}
	where := s.Inventory.Plus(s.Process).Plus(s.Shipped).Plus(s.WrittenOff).Plus(s.LeftService)
	var listed cost.Cost
	for _, b := range balances {
		listed = listed.Plus(b.Cost)
	}
	lines = append(lines, both("costs", "purchases and conversion = on hand, in process, shipped, written off and cost of service", s.CostIn, where)...)
	lines = append(lines, both("balances", "purchases and conversion = balances by lot and run", s.CostIn, listed)...)
	lines = append(lines, both("grades", "main outputs of all runs = their net joint cost", s.MainOutputs, s.NetJointCost)...)
	lines = append(lines, both("inventory", "lot costs on hand = what went into lots less what went out of them", s.Inventory, s.Ledger)...)
	lines = append(lines, late(s, balances))
	lines = append(lines,
		pounds("owners_pounds", "owners' pounds received and come back = handed back, bought, on hand, in process and lost", in(s.Owners), out(s.Owners)),
		dollars("owners_stock", "stock cost on owners' lots = nothing", s.OwnersStock.Final.Stock, 0),
	)
	return lines
}

func in(p cost.Pounds) weight.Mass { return p.Received + p.Returned + p.Adjusted }

func out(p cost.Pounds) weight.Mass {
	return p.Shipped + p.OnHand + p.InProcess + p.Unaccounted + p.Bought
}

// late compares in cents what the final prices moved in all with its parts as they are printed.
func late(s cost.Season, balances []cost.Balance) Line {
	var parts money.Amount
	for _, c := range cost.LateChange(balances) {
		parts += c.Cents
	}
	total := money.ToCent(s.CostIn.Final.Total() - s.CostIn.Paid.Total())
	return dollars("late_prices", "change by final prices = its parts on hand, in process, shipped and written off", total, parts)
}

// Run is the proof of one run.
func Run(r cost.RunCost) []Line {
	lines := []Line{
		pounds("pounds", "input = output, in process and unaccounted", r.Input, r.Output+r.InProcess+r.Unaccounted),
	}
	var taken, given cost.Cost
	for _, in := range r.Inputs {
		taken = taken.Plus(in.Cost)
	}
	for _, out := range r.Outputs {
		given = given.Plus(out.Cost)
	}
	var charges money.Amount
	for _, c := range r.Charges {
		charges += c.Amount
	}
	lines = append(lines, both("material", "what the inputs brought = material", taken, r.Material)...)
	lines = append(lines, dollars("conversion", "charges = conversion", charges, r.Conversion))
	accounted := given.Plus(r.Process).Plus(r.Abnormal)
	return append(lines, both("costs", "material and conversion = outputs, in process and abnormal loss", r.Material.Plus(r.ConversionCost()), accounted)...)
}
