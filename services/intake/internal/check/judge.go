package check

import (
	"fmt"

	"huskline/internal/exact"
	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/reckon"
)

// kinds are the kinds of check by the names that the calculator has for them.
func (k Kind) name() string {
	if k == Acceptance {
		return reckon.Acceptance
	}
	return reckon.Maintenance
}

// judge holds every load to the tolerance of its scale, in divisions of the load that is on it.
func judge(c Check, s scale.Scale) (Judged, error) {
	j := Judged{Check: c, Passed: true}
	if s.Class == "" || s.Division == 0 {
		return j, fault.Precondition("scale_figures_missing", "scale %s: a check needs its class and division, register them first", c.Scale)
	}
	unit, err := weight.ParseUnit(c.Unit)
	if err != nil {
		return j, err
	}
	if s.Unit != "" && s.Unit != unit {
		return j, fault.Invalid("unit_wrong", "scale %s: it counts in %s, the check is in %s", c.Scale, s.Unit, unit)
	}
	largest := exact.Number{}
	for i, load := range c.Loads {
		r, applied, err := judgeLoad(load, c.Kind, unit, s)
		if err != nil {
			return j, fmt.Errorf("load %d: %w", i+1, err)
		}
		j.Results = append(j.Results, r)
		j.Passed = j.Passed && r.Passed
		if applied.Cmp(largest) > 0 {
			largest = applied
		}
	}
	if capacity, known := inUnit(s.Capacity, unit); known {
		j.Short = largest.Cmp(reckon.LeastTestLoad(capacity, unit == weight.KilogramUnit)) < 0
	}
	return j, nil
}

func judgeLoad(load Load, kind Kind, unit weight.Unit, s scale.Scale) (Result, exact.Number, error) {
	if len(load.Applied) > maxDigits || len(load.Indicated) > maxDigits {
		return Result{}, exact.Number{}, fault.Invalid("number_too_large", "applied %q, indicated %q: at most %d digits are allowed", load.Applied, load.Indicated, maxDigits)
	}
	mass, err := weight.FromReading(load.Applied, unit)
	if err != nil {
		return Result{}, exact.Number{}, err
	}
	if mass < 0 || s.Capacity > 0 && mass > s.Capacity {
		return Result{}, exact.Number{}, fault.Invalid("test_load_out_of_range", "applied %s: it is not below zero nor above the capacity, %s lb", load.Applied, s.Capacity)
	}
	if _, err := weight.FromReading(load.Indicated, unit); err != nil {
		return Result{}, exact.Number{}, err
	}
	division := s.In(mass).Division
	step, ok := scale.Step(division, unit)
	if !ok {
		return Result{}, exact.Number{}, fault.Invalid("unit_wrong", "scale %s: its division of %s lb is no step in %s", s.Code, division, unit)
	}
	figures, err := parse(load.Applied, load.Indicated, step)
	if err != nil {
		return Result{}, exact.Number{}, err
	}
	applied, indicated := figures[0], figures[1]
	tolerance, err := reckon.ScaleTolerance(reckon.ScaleToleranceInput{Class: s.Class, DivisionLb: figures[2], LoadLb: applied, Kind: kind.name()})
	if err != nil {
		return Result{}, exact.Number{}, err
	}
	off := indicated.Sub(applied)
	size := off
	if size.Sign() < 0 {
		size = size.Neg()
	}
	return Result{
		Load: load, Error: off.String(), Tolerance: tolerance.ToleranceLb.String(), Divisions: tolerance.ToleranceDivisions.String(),
		Passed: size.Cmp(tolerance.ToleranceLb.Number()) <= 0,
	}, applied, nil
}

func parse(texts ...string) ([]exact.Number, error) {
	out := make([]exact.Number, len(texts))
	for i, text := range texts {
		var err error
		if out[i], err = exact.Parse(text); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// inUnit is a capacity in pounds, or in kilograms where the check is in them; to the nearest ten thousandth, which the bands of loads do not tell.
func inUnit(capacity weight.Mass, unit weight.Unit) (exact.Number, bool) {
	const places = 6
	if capacity == 0 || unit != weight.PoundUnit && unit != weight.KilogramUnit {
		return exact.Number{}, false
	}
	n := exact.Scaled(int64(capacity), places)
	if unit == weight.KilogramUnit {
		n = n.Mul(exact.Scaled(kilogramsPerPound, kilogramPlaces)).Trimmed(nearest).Number()
	}
	return n, true
}

// 1 lb = 0.45359237 kg exactly (NIST Handbook 44, appendix C).
const (
	kilogramsPerPound = 45_359_237
	kilogramPlaces    = 8
	nearest           = 4
)
