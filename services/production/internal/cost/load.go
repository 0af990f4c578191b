package cost

import (
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/share"
	"huskline/internal/weight"
)

// The columns of a load.
const (
	stockPaid = iota
	stockFinal
	service
	kernelPounds
	kernelPaid
	kernelFinal
	unsettledDollars
	unsettledPounds
	columns
)

// load is what pounds carry with them, a figure per column.
type load [columns]int64

func (l load) isZero() bool { return l == load{} }

func (l load) plus(m load) load {
	for c := range l {
		l[c] += m[c]
	}
	return l
}

func (l load) minus(m load) load {
	for c := range l {
		l[c] -= m[c]
	}
	return l
}

// withoutKernel is the load of a lot that passes no kernel on.
func (l load) withoutKernel() load {
	l[kernelPounds], l[kernelPaid], l[kernelFinal] = 0, 0, 0
	return l
}

// twin names, for a column with final prices, the one at the prices first paid. Where both hold the same, so do their parts.
func twin(c int) (int, bool) {
	switch c {
	case stockFinal:
		return stockPaid, true
	case kernelFinal:
		return kernelPaid, true
	}
	return 0, false
}

// taken is what a withdrawal of part out of whole takes. Where more is drawn than is there, which lasts only until the missing fact is known,
// all of it goes; from nothing, nothing does.
func (l load) taken(part, whole lot.Quantity) load {
	if whole <= 0 || part <= 0 {
		return load{}
	}
	if part >= whole {
		return l
	}
	var out load
	for c, total := range l {
		if total == 0 {
			continue
		}
		if t, ok := twin(c); ok && l[t] == total {
			out[c] = out[t]
			continue
		}
		out[c], _ = share.Taken(total, int64(part), int64(whole)) // in range: checked above
	}
	return out
}

// split shares every column over parts; a part's weight is above zero at least once.
func (l load) split(parts []share.Part) ([]load, error) {
	out := make([]load, len(parts))
	if len(parts) == 1 {
		out[0] = l
		return out, nil
	}
	for c, total := range l {
		if total == 0 {
			continue
		}
		if t, ok := twin(c); ok && l[t] == total {
			for i := range out {
				out[i][c] = out[i][t]
			}
			continue
		}
		got, err := share.Split(total, parts)
		if err != nil {
			return nil, err
		}
		for i := range out {
			out[i][c] = got[i]
		}
	}
	return out, nil
}

// Dollars is stock cost, what a lot we own carries, and service cost, what we spent on a lot that we do not own.
type Dollars struct {
	Stock   money.Amount
	Service money.Amount
}

// Total is stock and service cost together.
func (d Dollars) Total() money.Amount { return d.Stock + d.Service }

// Cost is dollars at the prices first paid, and with the final prices in place of them.
type Cost struct {
	Paid  Dollars
	Final Dollars
}

// Plus is the sum, column by column.
func (c Cost) Plus(d Cost) Cost {
	return Cost{
		Paid:  Dollars{Stock: c.Paid.Stock + d.Paid.Stock, Service: c.Paid.Service + d.Paid.Service},
		Final: Dollars{Stock: c.Final.Stock + d.Final.Stock, Service: c.Final.Service + d.Final.Service},
	}
}

// Minus is the difference, column by column.
func (c Cost) Minus(d Cost) Cost {
	return Cost{
		Paid:  Dollars{Stock: c.Paid.Stock - d.Paid.Stock, Service: c.Paid.Service - d.Paid.Service},
		Final: Dollars{Stock: c.Final.Stock - d.Final.Stock, Service: c.Final.Service - d.Final.Service},
	}
}

// Kernel is kernel pounds and what they cost, in both price sets.
type Kernel struct {
	Weight weight.Mass
	Paid   money.Amount
	Final  money.Amount
}

// Unsettled is the part of a cost that rests on prices not yet settled, and the pounds that do.
type Unsettled struct {
	Dollars money.Amount
	Weight  weight.Mass
}

func (l load) cost() Cost {
	s := money.Amount(l[service])
	return Cost{
		Paid:  Dollars{Stock: money.Amount(l[stockPaid]), Service: s},
		Final: Dollars{Stock: money.Amount(l[stockFinal]), Service: s},
	}
}

func (l load) kernel() Kernel {
	return Kernel{Weight: weight.Mass(l[kernelPounds]), Paid: money.Amount(l[kernelPaid]), Final: money.Amount(l[kernelFinal])}
}

func (l load) unsettled() Unsettled {
	return Unsettled{Dollars: money.Amount(l[unsettledDollars]), Weight: weight.Mass(l[unsettledPounds])}
}

// UnitCost is a cost per pound (or per piece) kept as the ratio it is; only Decimal rounds it.
type UnitCost struct {
	Amount   money.Amount
	Quantity lot.Quantity
	Measure  lot.Measure
}

// Decimal is the ratio with six decimals, half up. It has none where there is no quantity.
func (u UnitCost) Decimal() (money.Price, bool) {
	quantity := u.Quantity
	if u.Measure == lot.ByCount {
		quantity *= lot.Quantity(weight.Pound)
	}
	return money.PerPound(u.Amount, weight.Mass(quantity))
}
