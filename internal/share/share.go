// Package share splits one total over several parts so that the parts add up: largest remainder, ties by key, in 128 bits.
package share

import (
	"math/big"
	"sort"

	"huskline/internal/fault"
)

// Weight is an allocation weight of up to 128 bits: a quantity, or the product of two.
type Weight struct{ n *big.Int }

// Of is a plain weight.
func Of(n int64) Weight { return Weight{big.NewInt(n)} }

// Product is a weight such as pounds x split-off price.
func Product(a, b int64) Weight { return Weight{new(big.Int).Mul(big.NewInt(a), big.NewInt(b))} }

// Part asks for one share: Key breaks ties and is unique within a split.
type Part struct {
	Key    string
	Weight Weight
}

// Split shares total over parts by weight: each exact share is floored, then the units left over go one each to the largest fractions,
// ties to the smaller key compared as bytes. A negative total is split as its absolute value. The result is in the order of parts and sums
// to total. Weights below zero, or all zero with something to share, are refused.
func Split(total int64, parts []Part) ([]int64, error) {
	sum := new(big.Int)
	for _, p := range parts {
		if p.Weight.n.Sign() < 0 {
			return nil, fault.Invalid("share_negative", "share %q: weight %s is below zero", p.Key, p.Weight.n)
		}
		sum.Add(sum, p.Weight.n)
	}
	out := make([]int64, len(parts))
	if total == 0 {
		return out, nil
	}
	if sum.Sign() == 0 {
		return nil, fault.Invalid("share_without_weight", "share %d over %d parts: all weights are zero", total, len(parts))
	}
	abs := new(big.Int).Abs(big.NewInt(total))
	rest := new(big.Int).Set(abs)
	fractions := make([]*big.Int, len(parts))
	for i, p := range parts {
		q, r := new(big.Int).QuoRem(new(big.Int).Mul(abs, p.Weight.n), sum, new(big.Int))
		out[i], fractions[i] = q.Int64(), r
		rest.Sub(rest, q)
	}
	handOut(out, fractions, parts, rest.Int64())
	if total < 0 {
		for i := range out {
			out[i] = -out[i]
		}
	}
	return out, nil
}

func handOut(out []int64, fractions []*big.Int, parts []Part, rest int64) {
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
	for _, i := range order[:rest] {
		out[i]++
	}
}

// Taken is what a withdrawal of `part` out of `whole` takes of total: two parts by largest remainder, out and stay, a tie going to stay.
// part lies between 0 and whole, whole is above zero.
func Taken(total, part, whole int64) (int64, error) {
	if whole <= 0 || part < 0 || part > whole {
		return 0, fault.Invalid("withdrawal_out_of_range", "withdrawal: %d out of %d is not a part of a whole above zero", part, whole)
	}
	negative := total < 0
	num := new(big.Int).Abs(big.NewInt(total))
	num.Mul(num, big.NewInt(part))
	q, r := num.QuoRem(num, big.NewInt(whole), new(big.Int))
	if r.Lsh(r, 1).Cmp(big.NewInt(whole)) > 0 {
		q.Add(q, big.NewInt(1))
	}
	out := q.Int64()
	if negative {
		out = -out
	}
	return out, nil
}
