package scale

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"huskline/internal/weight"
)

// The accuracy classes by their markings.
const (
	ClassI    = "I"
	ClassII   = "II"
	ClassIII  = "III"
	ClassIIIL = "III L"
	ClassIIII = "IIII"
)

// Classes are the markings, finest first.
func Classes() []string { return []string{ClassI, ClassII, ClassIII, ClassIIIL, ClassIIII} }

func unknownClass(s Scale) string {
	if s.Class == "" || slices.Contains(Classes(), s.Class) {
		return ""
	}
	return fmt.Sprintf("accuracy class %q: it is one of %s", s.Class, strings.Join(Classes(), ", "))
}

// classRow is how many divisions a class may have, for divisions of a unit from one to another.
type classRow struct {
	class       string
	unit        weight.Unit
	from, to    string // of the division; to empty: no end
	least, most int64  // divisions; most 0: no end
	basis       Basis
}

// classRows are NIST Handbook 44, Scales Code, table 3, as two pages reproduce it. For class II from 1 to 50 mg they differ, 100 and 20,000 at least;
// the wider is taken. For class III L in kilograms one prints 500 to 2,000, which is taken for a misprint of the row in pounds. These two are
// not confirmed and told apart.
func classRows() []classRow {
	const g = weight.KilogramUnit
	return []classRow{
		{ClassI, g, "0.000001", "", 50_000, 0, Read},
		{ClassII, g, "0.000001", "0.00005", 100, 100_000, Memory},
		{ClassII, g, "0.0001", "", 5_000, 100_000, Read},
		{ClassIII, g, "0.0001", "0.002", 100, 10_000, Read},
		{ClassIII, g, "0.005", "", 500, 10_000, Read},
		{ClassIII, weight.PoundUnit, "0.0002", "0.005", 100, 10_000, Read},
		{ClassIII, weight.PoundUnit, "0.01", "", 500, 10_000, Read},
		{ClassIII, weight.OunceUnit, "0.005", "0.125", 100, 10_000, Read},
		{ClassIII, weight.OunceUnit, "0.25", "", 500, 10_000, Read},
		{ClassIIIL, weight.PoundUnit, "5", "", 2_000, 10_000, Read},
		{ClassIIIL, g, "2", "", 2_000, 10_000, Memory},
		{ClassIIII, g, "0.0001", "", 100, 1_200, Read},
		{ClassIIII, weight.PoundUnit, "0.01", "", 100, 1_200, Read},
		{ClassIIII, weight.OunceUnit, "0.25", "", 100, 1_200, Read},
	}
}

func classFigures(basis Basis) string {
	var out []string
	for _, r := range classRows() {
		if r.basis != basis {
			continue
		}
		division := r.from + " " + string(r.unit) + " and more"
		if r.to != "" {
			division = r.from + " to " + r.to + " " + string(r.unit)
		}
		count := "at least " + strconv.FormatInt(r.least, 10)
		if r.most > 0 {
			count = strconv.FormatInt(r.least, 10) + " to " + strconv.FormatInt(r.most, 10)
		}
		out = append(out, r.class+", "+division+": "+count)
	}
	return strings.Join(out, "; ")
}

// classBroken holds each range against the rows of the class that are known in one way. Where the unit is not known, one unit in which it fits is
// enough.
func classBroken(s Scale, basis Basis) string {
	if s.Class == "" || s.Capacity == 0 {
		return ""
	}
	for _, r := range s.ranges() {
		why := ""
		for _, unit := range StepUnits(r.Division, s.Unit) {
			if why = rangeBroken(s.Class, unit, r, basis); why == "" {
				break
			}
		}
		if why != "" {
			return why
		}
	}
	return ""
}

// rangeBroken says how a range breaks its class in a unit. A unit that the class has no row for breaks nothing; short tons go by pounds.
func rangeBroken(class string, unit weight.Unit, r Range, basis Basis) string {
	if unit == weight.ShortTonUnit {
		unit = weight.PoundUnit
	}
	known := false
	for _, row := range classRows() {
		if row.class != class || row.unit != unit {
			continue
		}
		known = true
		if r.Division < massOf(row.from, unit) || row.to != "" && r.Division > massOf(row.to, unit) {
			continue
		}
		if row.basis != basis {
			return ""
		}
		return row.broken(r)
	}
	if !known || basis != Read {
		return ""
	}
	return fmt.Sprintf("class %s has no division of %s lb", class, r.Division)
}

// broken compares load with count x division, since a division that is not exact in micropounds would move a quotient.
func (row classRow) broken(r Range) string {
	low, high := row.least*int64(r.Division), row.most*int64(r.Division)
	if int64(r.Top)+slack(row.unit, r.Division, row.least) < low {
		return fmt.Sprintf("%s lb / %s lb are under %d divisions, the least of class %s", r.Top, r.Division, row.least, row.class)
	}
	if row.most > 0 && int64(r.Top)-slack(row.unit, r.Division, row.most) > high {
		return fmt.Sprintf("%s lb / %s lb are over %d divisions, the most of class %s", r.Top, r.Division, row.most, row.class)
	}
	return ""
}

// massOf is a figure of a table, whose form the tests have judged.
func massOf(digits string, unit weight.Unit) weight.Mass {
	m, err := weight.FromReading(digits, unit)
	if err != nil {
		return 0
	}
	return m
}
