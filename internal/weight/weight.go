// Package weight is the exact weight of goods: whole micropounds, parsed from and printed as plain decimals, with one
// conversion from what a scale sent.
package weight

import (
	"math"
	"math/big"
	"strings"

	"huskline/internal/fault"
)

// Mass is a weight in micropounds (1e-6 avoirdupois pound). It may be below zero where a difference is meant.
type Mass int64

// Pound is one avoirdupois pound.
const Pound Mass = 1_000_000

// places is how many decimals of a pound a Mass can hold.
const places = 6

// Unit is the unit a reading came in, by its UN/ECE Recommendation 20 code.
type Unit string

// The units a scale may send.
const (
	PoundUnit    Unit = "LBR"
	KilogramUnit Unit = "KGM"
	OunceUnit    Unit = "ONZ"
	ShortTonUnit Unit = "STN"
)

// perUnit is the size of a unit in pounds as numerator and denominator. NIST Handbook 44, appendix C: 1 lb = 0.45359237 kg exactly,
// 16 oz (avoirdupois) = 1 lb, 1 short ton = 2,000 lb.
var perUnit = map[Unit][2]int64{
	PoundUnit:    {1, 1},
	KilogramUnit: {100_000_000, 45_359_237},
	OunceUnit:    {1, 16},
	ShortTonUnit: {2_000, 1},
}

// Code is the code of a unit in one of its usual spellings, for what people write: "lb" is LBR. What is no such spelling stays as it is, for
// ParseUnit to judge.
func Code(text string) string {
	switch strings.ToLower(strings.ReplaceAll(text, " ", "")) {
	case "lb", "lbs", "pound", "pounds":
		return string(PoundUnit)
	case "kg", "kgs", "kilogram", "kilograms":
		return string(KilogramUnit)
	case "oz", "ounce", "ounces":
		return string(OunceUnit)
	case "ston", "shortton", "shorttons":
		return string(ShortTonUnit)
	}
	return text
}

// ParseUnit knows the four unit codes; anything else is refused by name.
func ParseUnit(text string) (Unit, error) {
	u := Unit(text)
	if _, ok := perUnit[u]; !ok {
		return "", fault.Invalid("unit_unknown", "unit %q: only LBR (pound), KGM (kilogram), ONZ (ounce) and STN (short ton) are known (UN/ECE Recommendation 20)", text)
	}
	return u, nil
}

// Parse reads pounds in plain decimal notation with at most six decimals, such as "20505.500" or "-1.035".
func Parse(text string) (Mass, error) {
	n, err := parseDecimal(text, places)
	return Mass(n), err
}

// FromReading converts what a scale sent (plain decimal digits in a unit) to micropounds, once, half to even.
func FromReading(digits string, unit Unit) (Mass, error) {
	ratio, ok := perUnit[unit]
	if !ok {
		return 0, fault.Invalid("unit_unknown", "unit %q: only LBR (pound), KGM (kilogram), ONZ (ounce) and STN (short ton) are known (UN/ECE Recommendation 20)", unit)
	}
	scaled, decimals, err := digitsOf(digits, maxReadingDecimals)
	if err != nil {
		return 0, err
	}
	num := new(big.Int).Mul(scaled, big.NewInt(ratio[0]))
	num.Mul(num, big.NewInt(int64(Pound)))
	den := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil)
	den.Mul(den, big.NewInt(ratio[1]))
	return halfEven(digits, num, den)
}

// maxReadingDecimals bounds what a reading may carry; no scale of the trade shows more.
const maxReadingDecimals = 9

func halfEven(text string, num, den *big.Int) (Mass, error) {
	q, r := new(big.Int).QuoRem(new(big.Int).Abs(num), den, new(big.Int))
	twice := new(big.Int).Lsh(r, 1)
	if c := twice.Cmp(den); c > 0 || c == 0 && q.Bit(0) == 1 {
		q.Add(q, big.NewInt(1))
	}
	if num.Sign() < 0 {
		q.Neg(q)
	}
	if !q.IsInt64() {
		return 0, fault.Invalid("weight_out_of_range", "weight %q: beyond the largest weight, 9,223,372,036,854.775807 lb", text)
	}
	return Mass(q.Int64()), nil
}

// Net is gross less tare. A tare above the gross and a net of zero are refused: nothing would have come in.
func Net(gross, tare Mass) (Mass, error) {
	switch {
	case gross < 0 || tare < 0:
		return 0, fault.Invalid("weight_negative", "gross %s lb, tare %s lb: neither may be below zero", gross, tare)
	case tare > gross:
		return 0, fault.Invalid("tare_above_gross", "tare %s lb is above gross %s lb", tare, gross)
	case tare == gross:
		return 0, fault.Invalid("net_not_positive", "gross %s lb less tare %s lb leaves a net of zero; it must be above zero", gross, tare)
	}
	return gross - tare, nil
}

// Add is a + b, or an error where the sum leaves the range.
func Add(a, b Mass) (Mass, error) {
	if b > 0 && a > math.MaxInt64-b || b < 0 && a < math.MinInt64-b {
		return 0, fault.Invalid("weight_out_of_range", "weight %s lb + %s lb is out of range", a, b)
	}
	return a + b, nil
}

// String prints pounds with at least three decimals and no more than are needed: "500000.000", "0.000001".
func (m Mass) String() string { return formatDecimal(int64(m), places, 3) }

// Decimal prints pounds with exactly the decimals that carry a figure and at least n.
func (m Mass) Decimal(n int) string { return formatDecimal(int64(m), places, n) }
