package recall

import (
	"math/big"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// Ratio is an exact share, formatted at the edge only.
type Ratio struct{ Part, Whole lot.Quantity }

// Percent prints the ratio times 100 with at least one and at most `decimals` (up to 9) decimals, half away from zero: "100.0", "99.88". More
// than 100 is as much a finding as less. It is "" where the whole is nothing: there is no such share. Whoever needs to know whether every
// pound is accounted for compares Part with Whole, since 99.9999 may print as 100.
func (r Ratio) Percent(decimals int) (string, error) {
	if decimals < 1 || decimals > 9 {
		return "", fault.Invalid("decimals_out_of_range", "percent: %d decimals, 1 to 9 are allowed", decimals)
	}
	if r.Whole == 0 {
		return "", nil
	}
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)+2), nil)
	num := new(big.Int).Mul(big.NewInt(int64(r.Part)), scale)
	whole := new(big.Int).Abs(big.NewInt(int64(r.Whole)))
	negative := (num.Sign() < 0) != (r.Whole < 0)
	q, rest := new(big.Int).QuoRem(num.Abs(num), whole, new(big.Int))
	if rest.Lsh(rest, 1).Cmp(whole) >= 0 {
		q.Add(q, big.NewInt(1))
	}
	if negative {
		q.Neg(q)
	}
	if !q.IsInt64() {
		return "", fault.Invalid("percent_out_of_range", "percent: %d of %d is beyond what is printed", r.Part, r.Whole)
	}
	return weight.FormatDecimal(q.Int64(), decimals, 1), nil
}
