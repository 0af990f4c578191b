package exact

import (
	"math/big"
	"sort"

	"huskline/internal/fault"
)

// Step is the smallest unit that a kind of amount comes in, such as 0.01 of a currency.
type Step struct {
	size   Number
	places int
}

// Cents is the step of money where nobody says otherwise.
func Cents() Step { return Step{Scaled(1, 2), 2} }

// Thousandths is the step of pounds in print.
func Thousandths() Step { return Step{Scaled(1, 3), 3} }

// StepOf takes the step from a field; without one it is a cent.
func StepOf(path string, size *Number) (Step, error) {
	if size == nil {
		return Cents(), nil
	}
	if size.Sign() <= 0 {
		return Step{}, Refuse(path, "a step is above zero, %s is not", size)
	}
	return Step{*size, size.Plain().places}, nil
}

// Round takes n to the nearest step, half up: a tie goes away from zero.
func (s Step) Round(n Number) Decimal {
	return s.units(n.Quo(s.size).Fixed(0).Number().rat().Num())
}

func (s Step) units(n *big.Int) Decimal {
	return Decimal{Number{new(big.Rat).SetInt(n)}.Mul(s.size), s.places}
}

// Multiple refuses an amount that has to foot and is no multiple of the step.
func (s Step) Multiple(path string, n Number) error {
	if !n.Quo(s.size).IsInt() {
		return Refuse(path, "%s is no multiple of %s, so its parts could not add up to it", n, s.size)
	}
	return nil
}

// Part is one exact part of a total. Key breaks ties and is unique within a split.
type Part struct {
	Key   string
	Exact Number
}

// Foot rounds parts to the step so that they add up to total, a multiple of the step less than one step away from their sum. Each is floored,
// then the steps left over go one each to the largest fractions, ties to the smaller key compared as bytes. Where no part is above zero the
// absolute values are split and the sign put back; where signs are mixed the floor is toward minus infinity.
func (s Step) Foot(total Number, parts []Part) ([]Decimal, error) {
	flip := len(parts) > 0
	for _, p := range parts {
		flip = flip && p.Exact.Sign() <= 0
	}
	signed := func(n Number) Number {
		if flip {
			return n.Neg()
		}
		return n
	}
	units := make([]*big.Int, len(parts))
	fractions := make([]Number, len(parts))
	rest := signed(total).Quo(s.size)
	for i, p := range parts {
		exact := signed(p.Exact).Quo(s.size)
		units[i] = exact.floor()
		whole := Number{new(big.Rat).SetInt(units[i])}
		fractions[i] = exact.Sub(whole)
		rest = rest.Sub(whole)
	}
	if !rest.IsInt() || rest.Sign() < 0 || rest.Cmp(Int(int64(len(parts)))) > 0 {
		return nil, fault.Bug("split %s over %d parts by steps of %s: %s steps are left over", total, len(parts), s.size, rest)
	}
	for _, i := range byFraction(parts, fractions)[:rest.rat().Num().Int64()] {
		units[i].Add(units[i], big.NewInt(1))
	}
	out := make([]Decimal, len(parts))
	for i := range out {
		d := s.units(units[i])
		out[i] = Decimal{signed(d.value), d.places}
	}
	return out, nil
}

func byFraction(parts []Part, fractions []Number) []int {
	order := make([]int, len(parts))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool {
		if c := fractions[order[a]].Cmp(fractions[order[b]]); c != 0 {
			return c > 0
		}
		return parts[order[a]].Key < parts[order[b]].Key
	})
	return order
}

// Split shares total, a multiple of the step, over keys by weight, as Foot does. Weights are not below zero; all zero with something to share
// is refused at path.
func (s Step) Split(path string, total Number, weights []Part) ([]Decimal, error) {
	sum := Number{}
	for _, w := range weights {
		sum = sum.Add(w.Exact)
	}
	parts := make([]Part, len(weights))
	for i, w := range weights {
		parts[i] = Part{Key: w.Key}
		if total.Sign() == 0 {
			continue
		}
		if sum.Sign() == 0 {
			return nil, Refuse(path, "all weights are zero and %s is to be shared", total)
		}
		parts[i].Exact = total.Mul(w.Exact).Quo(sum)
	}
	if total.Sign() != 0 && len(parts) == 0 {
		return nil, Refuse(path, "there is nothing to share %s over", total)
	}
	return s.Foot(total, parts)
}

// Total adds rounded figures up; it has the decimals of the step.
func (s Step) Total(figures []Decimal) Decimal {
	total := Number{}
	for _, f := range figures {
		total = total.Add(f.value)
	}
	return Decimal{total, s.places}
}

// Exactly prints an amount that is a multiple of the step already.
func (s Step) Exactly(n Number) Decimal { return Decimal{n, s.places} }
