// Package exact is arithmetic for calculators that people check by hand: rational numbers without rounding inside, one named rounding where a
// figure leaves, totals split so that the parts foot, and a strict reader of JSON that names the path of whatever it refuses.
package exact

import (
	"encoding/json"
	"math/big"
	"strings"

	"huskline/internal/fault"
)

// maxDigits bounds a number that is read: far beyond any weight or price, small enough that no input can make the arithmetic slow.
const maxDigits = 60

// maxJSONDigits is what a JSON number may carry: a binary double holds any 15 significant decimal digits, and a figure with more may have been
// rounded by the program that wrote it.
const maxJSONDigits = 15

// Number is an exact rational number. It never changes; the zero value is 0.
type Number struct{ r *big.Rat }

func (n Number) rat() *big.Rat {
	if n.r == nil {
		return new(big.Rat)
	}
	return n.r
}

// Int is a whole number.
func Int(n int64) Number { return Number{new(big.Rat).SetInt64(n)} }

// Scaled is n x 10^-decimals: Scaled(1_500_000, 6) is 1.5, which is how weights, prices and amounts of the services come in.
func Scaled(n int64, decimals int) Number {
	return Number{new(big.Rat).SetFrac(big.NewInt(n), power(decimals))}
}

func power(decimals int) *big.Int {
	return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil)
}

// Parse reads plain decimal notation: an optional minus, digits, and at most one point with digits on both sides. A thousands separator, an
// exponent, a plus sign or a blank is an error and not a guess.
func Parse(text string) (Number, error) {
	whole, fraction, dotted := strings.Cut(strings.TrimPrefix(text, "-"), ".")
	switch {
	case !digits(whole) || dotted && !digits(fraction):
		return Number{}, fault.Invalid("number_malformed", "number %q: only digits 0-9, one decimal point and a leading minus are allowed", clip(text))
	case len(whole)+len(fraction) > maxDigits:
		return Number{}, fault.Invalid("number_too_large", "number %q: %d digits, at most %d are allowed", clip(text), len(whole)+len(fraction), maxDigits)
	}
	r, _ := new(big.Rat).SetString(text)
	return Number{r}, nil
}

func digits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

func clip(text string) string {
	if len(text) > maxDigits+10 {
		return text[:maxDigits+10] + "…"
	}
	return text
}

// read takes a JSON string, or a JSON number in plain notation that no binary double can have rounded.
func (n *Number) read(raw json.RawMessage, path string) error {
	text := string(raw)
	if raw[0] == '"' {
		if err := json.Unmarshal(raw, &text); err != nil {
			return refusal("input_malformed", path, "%v", err)
		}
	} else if got := len(strings.TrimLeft(strings.NewReplacer("-", "", ".", "").Replace(text), "0")); got > maxJSONDigits {
		return refusal("number_inexact", path, "a JSON number of %d digits may have been rounded, at most %d are taken: write it as a string", got, maxJSONDigits)
	}
	var err error
	if *n, err = Parse(text); err != nil {
		return refusal(fault.ReasonOf(err), path, "%w", err)
	}
	return nil
}

// Add is n + m.
func (n Number) Add(m Number) Number { return Number{new(big.Rat).Add(n.rat(), m.rat())} }

// Sub is n - m.
func (n Number) Sub(m Number) Number { return Number{new(big.Rat).Sub(n.rat(), m.rat())} }

// Mul is n x m.
func (n Number) Mul(m Number) Number { return Number{new(big.Rat).Mul(n.rat(), m.rat())} }

// Quo is n / m. The caller has made sure that m is not 0.
func (n Number) Quo(m Number) Number { return Number{new(big.Rat).Quo(n.rat(), m.rat())} }

// Neg is -n.
func (n Number) Neg() Number { return Number{new(big.Rat).Neg(n.rat())} }

// Pct is n hundredths, the fraction that a percentage stands for.
func (n Number) Pct() Number { return n.Quo(Int(100)) }

// Cmp is below 0, 0 or above 0 as n is less than, equal to or more than m.
func (n Number) Cmp(m Number) int { return n.rat().Cmp(m.rat()) }

// Sign is -1, 0 or 1.
func (n Number) Sign() int { return n.rat().Sign() }

// IsInt tells whether n is a whole number.
func (n Number) IsInt() bool { return n.rat().IsInt() }

// Ceil is the smallest whole number that is not below n.
func (n Number) Ceil() Number {
	return Number{new(big.Rat).SetInt(n.Neg().floor())}.Neg()
}

// floor is the largest whole number that is not above n.
func (n Number) floor() *big.Int {
	return new(big.Int).Div(n.rat().Num(), n.rat().Denom()) // Div of a positive divisor rounds toward minus infinity
}

// Sum adds numbers up; none give 0.
func Sum(numbers ...Number) Number {
	total := Number{}
	for _, n := range numbers {
		total = total.Add(n)
	}
	return total
}

// String prints n in plain decimal notation with the decimals that it needs; one that never ends is cut to six, half up.
func (n Number) String() string { return n.Plain().String() }
