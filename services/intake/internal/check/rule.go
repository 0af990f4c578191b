package check

import (
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/reckon"
)

const (
	handbook    = "NIST Handbook 44, Scales Code (section 2.20)"
	nothingRead = "no edition was read"
)

// Rules are the rules for checks with test weights. The tolerances are those that the calculator holds.
func Rules() []scale.Rule {
	var out []scale.Rule
	for _, class := range scale.Classes() {
		r := scale.Rule{
			Name: "tolerance_class_" + tokenOf(class), Stage: scale.AtCheck, Figure: reckon.ToleranceFigures(class), Effect: scale.Fail,
			Says:   "Class " + class + ": the maintenance tolerance in divisions, by the load that is on the scale in divisions, either way.",
			Source: handbook + ", table 6", Edition: nothingRead, Basis: scale.Memory,
		}
		if class == scale.ClassIII {
			r.Edition, r.Basis = "a scale maker's charts (1999) and a reader's copy of the 2007 edition", scale.Read
		}
		out = append(out, r)
	}
	return append(out,
		scale.Rule{
			Name: "tolerance_acceptance", Stage: scale.AtCheck, Says: "The acceptance tolerance is half of the maintenance tolerance.", Figure: "1/2", Effect: scale.Fail,
			Source: handbook + ", table 6", Edition: "follows from what was read of class III", Basis: scale.Read,
		},
		scale.Rule{
			Name: "applied_load", Stage: scale.AtCheck, Says: "An error is judged in divisions of the load that is on the scale, not of its capacity.", Effect: scale.Fail,
			Source: handbook, Edition: "a metrology forum's quotation of the 2007 edition", Basis: scale.Read,
		},
		scale.Rule{
			Name: "acceptance_required", Stage: scale.AtCheck, Says: "A scale that was repaired after it failed a check is held to the acceptance tolerance.",
			Effect: scale.Refuse, Source: "NIST Handbook 44, General Code", Edition: nothingRead, Basis: scale.Memory,
		},
		scale.Rule{
			Name: "test_load_short", Stage: scale.AtCheck, Says: "A full test reaches this part of the capacity. A daily check may do with less and says so.",
			Figure: "capacity to 300 lb: 100 %; to 3,000 lb: 75 %; to 40,000 lb: 50 %; above: 25 % (150, 1,500, 20,000 kg)", Effect: scale.Mark,
			Source: handbook + ", table 4", Edition: "a scale technician's manual of 2014", Basis: scale.Read,
		},
	)
}

// tokenOf is a class as a part of a name.
func tokenOf(class string) string {
	switch class {
	case scale.ClassI:
		return "1"
	case scale.ClassII:
		return "2"
	case scale.ClassIII:
		return "3"
	case scale.ClassIIIL:
		return "3l"
	}
	return "4"
}
