// Package money is the exact money of the cost ledger: whole millionths of the currency unit, with prices per pound and the two
// roundings that the books know.
package money

import (
	"math"
	"math/big"

	"huskline/internal/fault"
	"huskline/internal/weight"
)

// Amount is money in millionths of the currency unit.
type Amount int64

// Unit is one unit of the currency (a dollar); Cent its hundredth.
const (
	Unit Amount = 1_000_000
	Cent Amount = 10_000
)

// Price is money in millionths of the currency unit per pound (or per piece, for an item kept by count).
type Price int64

const places = 6

// Parse reads an amount in plain decimal notation with at most six decimals.
func Parse(text string) (Amount, error) {
	n, err := weight.ParseDecimal(text, places)
	return Amount(n), err
}

// ParsePrice reads a price in plain decimal notation with at most six decimals.
func ParsePrice(text string) (Price, error) {
	n, err := weight.ParseDecimal(text, places)
	return Price(n), err
}

// Line is quantity x price rounded half up to the millionth: what a charge, credit or purchase line carries in the cost ledger.
func Line(m weight.Mass, p Price) (Amount, error) {
	return product(int64(m), int64(p), int64(weight.Pound), 1)
}

// CentLine is quantity x price rounded half up to the cent: a line of a document that a person is paid or billed by.
func CentLine(m weight.Mass, p Price) (Amount, error) {
	return product(int64(m), int64(p), int64(weight.Pound), int64(Cent))
}

// Pieces is a count x price per piece, rounded half up to the cent.
func Pieces(n int64, p Price) (Amount, error) { return product(n, int64(p), 1, int64(Cent)) }

// Hours is hours (in millionths) x a rate per hour, rounded half up to the millionth: a labour or machine charge.
func Hours(millionths int64, rate Price) (Amount, error) {
	return product(millionths, int64(rate), 1_000_000, 1)
}

// ToCent rounds an amount half up (away from zero at a tie) to the cent.
func ToCent(a Amount) Amount {
	got, err := product(int64(a), 1, 1, int64(Cent))
	if err != nil {
		return a
	}
	return got
}

// product is a x b / den, rounded half away from zero to a multiple of step.
func product(a, b, den, step int64) (Amount, error) {
	num := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
	whole := new(big.Int).Mul(big.NewInt(den), big.NewInt(step))
	q, r := new(big.Int).QuoRem(new(big.Int).Abs(num), whole, new(big.Int))
	if r.Lsh(r, 1).Cmp(whole) >= 0 {
		q.Add(q, big.NewInt(1))
	}
	q.Mul(q, big.NewInt(step))
	if num.Sign() < 0 {
		q.Neg(q)
	}
	if !q.IsInt64() {
		return 0, fault.Invalid("money_out_of_range", "money: %d x %d is beyond what the ledger holds", a, b)
	}
	return Amount(q.Int64()), nil
}

// Add is a + b, or an error where the sum leaves the range.
func Add(a, b Amount) (Amount, error) {
	if b > 0 && a > math.MaxInt64-b || b < 0 && a < math.MinInt64-b {
		return 0, fault.Invalid("money_out_of_range", "money %s + %s is out of range", a, b)
	}
	return a + b, nil
}

// String prints an amount with at least two decimals.
func (a Amount) String() string { return weight.FormatDecimal(int64(a), places, 2) }

// Cents prints an amount rounded half up to two decimals.
func (a Amount) Cents() string { return weight.FormatDecimal(int64(ToCent(a))/int64(Cent), 2, 2) }

// String prints a price with at least four decimals, as buying prices are written.
func (p Price) String() string { return weight.FormatDecimal(int64(p), places, 4) }

// PerPound is amount / quantity as a decimal with six places, half up: a unit cost to print, never to reckon with. An empty
// quantity has no unit cost.
func PerPound(a Amount, m weight.Mass) (Price, bool) {
	if m == 0 {
		return 0, false
	}
	den := int64(m)
	n := int64(a)
	if den < 0 {
		n, den = -n, -den
	}
	got, err := product(n, int64(weight.Pound), den, 1)
	return Price(got), err == nil
}
