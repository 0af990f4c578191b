package money

import "sort"

// Footed gives amounts in whole cents that add up to the total rounded half up to the cent: each is floored, and the cents left over go to the
// largest fractions, a tie to the smaller key compared as bytes. So a printed column foots. keys are unique, one for each part.
func Footed(parts []Amount, keys []string) []Amount {
	out := make([]Amount, len(parts))
	order := make([]int, len(parts))
	fractions := make([]Amount, len(parts))
	var exact, floored Amount
	for i, a := range parts {
		f := a % Cent
		if f < 0 {
			f += Cent
		}
		out[i], fractions[i], order[i] = a-f, f, i
		exact += a
		floored += out[i]
	}
	sort.SliceStable(order, func(a, b int) bool {
		i, j := order[a], order[b]
		if fractions[i] != fractions[j] {
			return fractions[i] > fractions[j]
		}
		return keys[i] < keys[j]
	})
	for _, i := range order[:(ToCent(exact)-floored)/Cent] {
		out[i] += Cent
	}
	return out
}
