package reckon

import (
	"fmt"
	"slices"
	"strings"

	"huskline/internal/exact"
)

// The kinds of test that a scale is held to.
const (
	Maintenance = "maintenance"
	Acceptance  = "acceptance" // new, repaired after a rejection, or new in service: half of maintenance
)

// ScaleToleranceInput is a scale and a load on it.
type ScaleToleranceInput struct {
	Class      string       `json:"class"`
	DivisionLb exact.Number `json:"division_lb"`
	LoadLb     exact.Number `json:"load_lb"`
	Kind       string       `json:"kind"`
}

// ScaleToleranceOutput is what a scale may be off at the load, either way.
type ScaleToleranceOutput struct {
	DivisionsOfLoad    exact.Decimal `json:"divisions_of_load"`
	ToleranceDivisions exact.Decimal `json:"tolerance_divisions"`
	ToleranceLb        exact.Decimal `json:"tolerance_lb"`
}

// toleranceBand is a maintenance tolerance up to a load, both in divisions; the last band has no end.
type toleranceBand struct{ upTo, divisions int64 }

// Classes of scales.
const (
	classI    = "I"
	classII   = "II"
	classIII  = "III"
	classIIIL = "III L"
	classIIII = "IIII"
)

func scaleClasses() []string { return []string{classI, classII, classIII, classIIIL, classIIII} }

// stepIIIL is the load in divisions that gives a class III L scale one more division of tolerance, begun ones counted.
const stepIIIL = 500

// toleranceBands are NIST Handbook 44, section 2.20, table 6. Class III is confirmed by a scale maker's charts (1999) and a reader's copy of the
// 2007 edition; the other classes are not confirmed by reading.
func toleranceBands() map[string][]toleranceBand {
	return map[string][]toleranceBand{
		classI:    {{50_000, 1}, {200_000, 2}, {unlimited, 3}},
		classII:   {{5_000, 1}, {20_000, 2}, {unlimited, 3}},
		classIII:  {{500, 1}, {2_000, 2}, {4_000, 3}, {unlimited, 5}},
		classIIII: {{50, 1}, {200, 2}, {400, 3}, {unlimited, 5}},
	}
}

// ScaleTolerance is the tolerance in divisions of the load that is on the scale, not of its capacity.
func ScaleTolerance(in ScaleToleranceInput) (ScaleToleranceOutput, error) {
	if err := exact.First(
		exact.OneOf("class", in.Class, scaleClasses()...),
		exact.Positive("division_lb", in.DivisionLb),
		exact.NotNegative("load_lb", in.LoadLb),
		exact.OneOf("kind", in.Kind, Maintenance, Acceptance),
	); err != nil {
		return ScaleToleranceOutput{}, err
	}
	load := in.LoadLb.Quo(in.DivisionLb)
	tolerance := maintenance(in.Class, load)
	if in.Kind == Acceptance {
		tolerance = tolerance.Quo(exact.Int(2))
	}
	return ScaleToleranceOutput{load.Plain(), tolerance.Plain(), tolerance.Mul(in.DivisionLb).Plain()}, nil
}

// maintenance is in divisions; a load between two whole ones belongs to the band that begins with the next.
func maintenance(class string, load exact.Number) exact.Number {
	if class == classIIIL {
		if load.Sign() == 0 {
			return exact.Int(1)
		}
		return load.Quo(exact.Int(stepIIIL)).Ceil()
	}
	bands := toleranceBands()[class]
	i := slices.IndexFunc(bands, func(b toleranceBand) bool { return b.upTo == unlimited || load.Cmp(exact.Int(b.upTo)) <= 0 })
	return exact.Int(bands[i].divisions)
}

// ToleranceFigures writes the maintenance tolerances of a class as people read them; "" for a class that there is none of.
func ToleranceFigures(class string) string {
	if class == classIIIL {
		return fmt.Sprintf("1 division for each %d divisions of the load or part of them", stepIIIL)
	}
	var out []string
	from := int64(0)
	for _, b := range toleranceBands()[class] {
		load := fmt.Sprintf("%d to %d", from, b.upTo)
		if b.upTo == unlimited {
			load = fmt.Sprintf("%d and more", from)
		}
		out = append(out, fmt.Sprintf("%s: %d", load, b.divisions))
		from = b.upTo + 1
	}
	return strings.Join(out, "; ")
}

// testLoadBand is the part of its capacity, in percent, that a scale is to be tested with.
type testLoadBand struct{ upTo, percent int64 }

// LeastTestLoad is the load that a full test of a scale reaches, in the unit of its capacity: kilograms, or pounds (NIST Handbook 44, section 2.20,
// table 4, as a scale technician's manual of 2014 reproduces it). A daily check may do with less.
func LeastTestLoad(capacity exact.Number, kilograms bool) exact.Number {
	bands := []testLoadBand{{300, 100}, {3_000, 75}, {40_000, 50}, {unlimited, 25}}
	if kilograms {
		bands = []testLoadBand{{150, 100}, {1_500, 75}, {20_000, 50}, {unlimited, 25}}
	}
	i := slices.IndexFunc(bands, func(b testLoadBand) bool { return b.upTo == unlimited || capacity.Cmp(exact.Int(b.upTo)) <= 0 })
	return capacity.Mul(exact.Int(bands[i].percent).Pct())
}
