package scale

import (
	"strings"

	"huskline/internal/weight"
)

// The powers of ten of divisions that are looked at: from a thousandth of a gram in kilograms to ten thousand pounds.
const (
	lowestPower  = -6
	highestPower = 4
)

// Step writes a division in a unit, where it is 1, 2 or 5 times a power of ten in it. Divisions are kept in micropounds, rounded; a step is known
// again by what its digits are rounded to.
func Step(division weight.Mass, unit weight.Unit) (digits string, ok bool) {
	if division <= 0 {
		return "", false
	}
	for power := lowestPower; power <= highestPower; power++ {
		for _, lead := range []string{"1", "2", "5"} {
			text := lead + strings.Repeat("0", max(power, 0))
			if power < 0 {
				text = "0." + strings.Repeat("0", -power-1) + lead
			}
			if massOf(text, unit) == division {
				return text, true
			}
		}
	}
	return "", false
}

// StepUnits are the units in which a division is a step: the given one, or those that scales count in where none is given. Short tons are not among
// them: 4 lb would be a step of 0.002.
func StepUnits(division weight.Mass, unit weight.Unit) []weight.Unit {
	units := []weight.Unit{unit}
	if unit == "" {
		units = []weight.Unit{weight.PoundUnit, weight.KilogramUnit, weight.OunceUnit}
	}
	var out []weight.Unit
	for _, u := range units {
		if _, ok := Step(division, u); ok {
			out = append(out, u)
		}
	}
	return out
}

// exactOunces is what a division in micropounds is a multiple of where it is a step in ounces that micropounds hold exactly; half of one is not.
const exactOunces = 125

// slack is how far n divisions in micropounds may be off n divisions in the unit: division and load were each rounded to a micropound where the
// unit is not a whole number of them, so that a multiple may be off by half of one for each division, and by one.
func slack(unit weight.Unit, division weight.Mass, n int64) int64 {
	if unit == weight.KilogramUnit || unit == weight.OunceUnit && division%exactOunces != 0 {
		return n/2 + 1
	}
	return 0
}

// OnStep tells whether a load that was sent in a unit is a whole number of divisions.
func OnStep(load, division weight.Mass, unit weight.Unit) bool {
	n, rest := load/division, load%division
	if rest > division/2 {
		n, rest = n+1, division-rest
	}
	return rest == 0 || int64(rest) <= slack(unit, division, int64(n))
}
