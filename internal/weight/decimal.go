package weight

import (
	"math/big"
	"strconv"
	"strings"

	"huskline/internal/fault"
)

// digitsOf reads an optional minus sign, digits, and at most `limit` decimals: nothing else, so that a thousands separator, an exponent,
// a plus sign, a full-width digit or a blank is an error and not a guess. It returns the number as an integer and its decimals.
func digitsOf(text string, limit int) (*big.Int, int, error) {
	body := strings.TrimPrefix(text, "-")
	whole, frac, dotted := strings.Cut(body, ".")
	switch {
	case body == "":
		return nil, 0, fault.Invalid("number_empty", "number %q: empty", text)
	case !allDigits(whole) || dotted && !allDigits(frac):
		return nil, 0, fault.Invalid("number_malformed", "number %q: only digits 0-9, one decimal point and a leading minus are allowed", text)
	case len(frac) > limit:
		return nil, 0, fault.Invalid("number_too_fine", "number %q: %d decimals, at most %d are allowed", text, len(frac), limit)
	case len(whole) > 18:
		return nil, 0, fault.Invalid("number_too_large", "number %q: %d digits before the point, at most 18 are allowed", text, len(whole))
	}
	n, _ := new(big.Int).SetString(whole+frac, 10)
	if strings.HasPrefix(text, "-") {
		n.Neg(n)
	}
	return n, len(frac), nil
}

func allDigits(s string) bool {
	if s == "" {
		return false
	}
	for _, r := range s {
		if r < '0' || r > '9' {
			return false
		}
	}
	return true
}

func parseDecimal(text string, decimals int) (int64, error) {
	n, got, err := digitsOf(text, decimals)
	if err != nil {
		return 0, err
	}
	n.Mul(n, new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals-got)), nil))
	if !n.IsInt64() {
		return 0, fault.Invalid("number_too_large", "number %q: beyond what 64 bits hold at %d decimals", text, decimals)
	}
	return n.Int64(), nil
}

func formatDecimal(n int64, decimals, atLeast int) string {
	sign := ""
	u := uint64(n)
	if n < 0 {
		sign, u = "-", -u
	}
	s := strconv.FormatUint(u, 10)
	if len(s) <= decimals {
		s = strings.Repeat("0", decimals-len(s)+1) + s
	}
	whole, frac := s[:len(s)-decimals], s[len(s)-decimals:]
	for len(frac) > atLeast && frac[len(frac)-1] == '0' {
		frac = frac[:len(frac)-1]
	}
	if frac == "" {
		return sign + whole
	}
	return sign + whole + "." + frac
}

// ParseDecimal reads plain decimal notation into an integer of 10^-decimals; money and percentages share the rule with weights.
func ParseDecimal(text string, decimals int) (int64, error) { return parseDecimal(text, decimals) }

// FormatDecimal prints an integer of 10^-decimals with at least `atLeast` decimals and no idle zeros beyond.
func FormatDecimal(n int64, decimals, atLeast int) string { return formatDecimal(n, decimals, atLeast) }
