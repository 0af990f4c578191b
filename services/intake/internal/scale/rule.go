package scale

import (
	"fmt"

	"huskline/internal/weight"
)

// Stage is when a rule is applied.
type Stage int

// The stages.
const (
	AtRegister Stage = iota + 1
	AtReading
	AtCheck
	AtVisit
)

// Effect is what happens to what breaks a rule.
type Effect int

// The effects.
const (
	Refuse Effect = iota + 1
	Mark
	Fail
)

// Basis is how a rule's figure is known.
type Basis int

// The bases: read in a text that gives or reproduces the source; from memory of it; asked for by no source.
const (
	Read Basis = iota + 1
	Memory
	Own
)

// Rule is one row of the table that a person can read. What is judged is judged by the same row.
type Rule struct {
	Name    string // for good: the reason of a refusal, or the name of a mark
	Stage   Stage
	Says    string
	Figure  string
	Effect  Effect
	Source  string
	Edition string // what was read of the source
	Basis   Basis
}

// Where the figures come from.
const (
	handbook     = "NIST Handbook 44, Scales Code (section 2.20)"
	tableCopies  = "table 3 as two pages reproduce it"
	truckNote    = "a truck-scale note of 2011"
	nothingRead  = "no edition was read"
	nothingToSay = ""
)

// registerRule is a rule for a scale that is registered; broken says how it is broken, "" where it is kept. A figure that is not known breaks none.
type registerRule struct {
	Rule
	broken func(s Scale) string
}

func registerRules() []registerRule {
	return []registerRule{
		{Rule{
			"check_failed_stands", AtRegister, "A scale that failed its check comes into service again by a good check alone.", "", Refuse,
			nothingToSay, nothingToSay, Own,
		}, stillFailed},
		{Rule{
			"accuracy_class", AtRegister, "The accuracy class is one of the five.", "I, II, III, III L, IIII", Refuse, handbook + ", table 3", tableCopies, Read,
		}, unknownClass},
		{Rule{
			"scale_ranges", AtRegister, "Ranges rise in load and in division, the first has the scale's division, the last ends at its capacity.", "", Refuse,
			nothingToSay, nothingToSay, Own,
		}, rangesWrong},
		{Rule{
			"division_step", AtRegister, "Every division is 1, 2 or 5 times a power of ten in the unit that the scale counts in.", "1, 2, 5 x 10^k", Refuse,
			handbook + ", S.1.2", nothingRead, Memory,
		}, stepWrong},
		{Rule{
			"division_20_lb", AtRegister, "A division of 20 lb goes up to this capacity; above it the division must be 50 lb.", "200,000 lb", Refuse,
			handbook + ", table 3", truckNote, Read,
		}, twentyPounds},
		{Rule{
			"class_divisions", AtRegister, "The number of divisions, capacity / division in each range, is within the class.", classFigures(Read), Refuse,
			handbook + ", table 3", tableCopies, Read,
		}, func(s Scale) string { return classBroken(s, Read) }},
		{Rule{
			"class_divisions_unconfirmed", AtRegister, "The same, for the rows that two pages print differently or as it seems wrongly.", classFigures(Memory), Refuse,
			handbook + ", table 3", nothingRead, Memory,
		}, func(s Scale) string { return classBroken(s, Memory) }},
	}
}

// Rules are the rules for scales that are registered, in the order in which they are judged.
func Rules() []Rule {
	judged := registerRules()
	out := make([]Rule, len(judged))
	for i, r := range judged {
		out[i] = r.Rule
	}
	return out
}

func stillFailed(s Scale) string {
	if s.Failed && s.InService {
		return "it failed its latest check; a good check to the acceptance tolerance puts it in service again"
	}
	return ""
}

func rangesWrong(s Scale) string {
	if len(s.Ranges) == 0 {
		return ""
	}
	var last Range
	for i, r := range s.Ranges {
		if r.Top <= last.Top || r.Division <= last.Division || r.Division > r.Top {
			return fmt.Sprintf("range %d up to %s lb with a division of %s lb: each range goes higher and has a larger division than the one before", i+1, r.Top, r.Division)
		}
		last = r
	}
	if s.Division != s.Ranges[0].Division || s.Capacity != last.Top {
		return fmt.Sprintf("capacity %s lb, division %s lb: the last range ends at %s lb, the first has a division of %s lb", s.Capacity, s.Division, last.Top,
			s.Ranges[0].Division)
	}
	return ""
}

// ranges is the scale's ranges, one where it has one division, none where no division is known.
func (s Scale) ranges() []Range {
	switch {
	case len(s.Ranges) > 0:
		return s.Ranges
	case s.Division > 0:
		return []Range{{s.Capacity, s.Division}}
	}
	return nil
}

func stepWrong(s Scale) string {
	for _, r := range s.ranges() {
		if len(StepUnits(r.Division, s.Unit)) == 0 {
			return fmt.Sprintf("division %s lb: in %s it is not 1, 2 or 5 times a power of ten", r.Division, unitWords(s.Unit))
		}
	}
	return ""
}

func unitWords(u weight.Unit) string {
	if u == "" {
		return "LBR, KGM and ONZ"
	}
	return string(u)
}

// A division of 20 lb gives the 10,000 divisions that class III L allows at 200,000 lb.
const (
	twenty     = 20 * weight.Pound
	mostTwenty = 200_000 * weight.Pound
)

func twentyPounds(s Scale) string {
	for _, r := range s.ranges() {
		if r.Division == twenty && r.Top > mostTwenty {
			return fmt.Sprintf("capacity %s lb with a division of 20 lb: it goes up to 200,000 lb, above that the division must be 50 lb", r.Top)
		}
	}
	return ""
}
