package exact

import (
	"encoding/json"
	"math/big"
	"strings"
)

// ratioDecimals is how finely unit costs and ratios are printed. They are for reading and are never reckoned with.
const ratioDecimals = 6

// Decimal is a figure as it leaves a calculator: already rounded, and printed with a set number of decimals.
type Decimal struct {
	value  Number
	places int
}

// Number is the printed value, to reckon on with.
func (d Decimal) Number() Number { return d.value }

// String prints the value; there is no minus zero.
func (d Decimal) String() string { return d.value.rat().FloatString(d.places) }

// MarshalJSON writes the figure as a string, so that no reader turns it into a binary double.
func (d Decimal) MarshalJSON() ([]byte, error) { return json.Marshal(d.String()) }

// Fixed rounds to a number of decimals, half up (a tie goes away from zero), and prints all of them.
func (n Number) Fixed(places int) Decimal {
	rounded, _ := new(big.Rat).SetString(n.rat().FloatString(places)) // FloatString rounds halves away from zero
	return Decimal{Number{rounded}, places}
}

// Ratio is n with the six decimals of unit costs and ratios.
func (n Number) Ratio() Decimal { return n.Fixed(ratioDecimals) }

// RatioTo is n / m with six decimals, or nothing where m is 0.
func (n Number) RatioTo(m Number) *Decimal {
	if m.Sign() == 0 {
		return nil
	}
	d := n.Quo(m).Ratio()
	return &d
}

// Plain keeps every decimal that n needs and no more; a fraction that never ends is rounded to six.
func (n Number) Plain() Decimal {
	if places, ends := decimalsOf(n.rat().Denom()); ends {
		return Decimal{n, places}
	}
	return n.Ratio().Number().Plain()
}

// Trimmed rounds to at most `places` decimals, half up, and prints no idle zeros.
func (n Number) Trimmed(places int) Decimal { return n.Fixed(places).Number().Plain() }

// decimalsOf tells how many decimals a fraction with this denominator takes, and whether it ends at all: the denominator divides a power of ten.
func decimalsOf(denominator *big.Int) (int, bool) {
	d := new(big.Int).Set(denominator)
	twos, fives := strip(d, 2), strip(d, 5)
	return max(twos, fives), d.IsInt64() && d.Int64() == 1
}

// strip divides d by a prime as often as it goes and counts.
func strip(d *big.Int, prime int64) int {
	p, n := big.NewInt(prime), 0
	for {
		q, r := new(big.Int).QuoRem(d, p, new(big.Int))
		if r.Sign() != 0 {
			return n
		}
		d.Set(q)
		n++
	}
}

// Entry is one member of an Entries.
type Entry struct {
	Key   string
	Value any
}

// Entries is a JSON object whose members keep their order.
type Entries []Entry

// MarshalJSON writes the members in order.
func (e Entries) MarshalJSON() ([]byte, error) {
	var b strings.Builder
	b.WriteByte('{')
	for i, entry := range e {
		if i > 0 {
			b.WriteByte(',')
		}
		key, err := json.Marshal(entry.Key)
		if err != nil {
			return nil, err
		}
		value, err := json.Marshal(entry.Value)
		if err != nil {
			return nil, err
		}
		b.Write(key)
		b.WriteByte(':')
		b.Write(value)
	}
	b.WriteByte('}')
	return []byte(b.String()), nil
}
