package visit

import (
	"cmp"

	"huskline/internal/fault"
	"huskline/services/intake/internal/scale"
)

const (
	handbook    = "NIST Handbook 44, Scales Code (section 2.20)"
	nothingRead = "no edition was read"
)

// lineRule is a rule for the two weights of a line.
type lineRule struct {
	scale.Rule
	broken func(l Line, scales map[string]scale.Scale) error
}

// lineRules are judged in this order.
func lineRules() []lineRule {
	return []lineRule{
		{scale.Rule{
			Name: "tare_above_gross", Stage: scale.AtVisit, Says: "A tare is below its gross, so that the net is above zero.", Effect: scale.Refuse, Basis: scale.Own,
		}, nothingBetween},
		{scale.Rule{
			Name: "scale_not_suitable", Stage: scale.AtVisit, Says: "Gross and tare are weighed on the same scale or on an equally suitable one; which is marked. " +
				"Equally suitable is read as the same class and the same division.",
			Effect: scale.Refuse, Source: handbook, Edition: nothingRead, Basis: scale.Memory,
		}, unlikeScales},
		{scale.Rule{
			Name: "below_minimum", Stage: scale.AtVisit, Says: "A net load is not under the smallest load that the scale is meant for.",
			Figure: "as registered, else class III 20 divisions, class III L 50 divisions", Effect: scale.Refuse, Source: handbook + ", UR.3.1, table 8",
			Edition: nothingRead, Basis: scale.Memory,
		}, belowMinimum},
	}
}

// Rules are the rules for visits, as a person can read them: those of lines in the order in which they are judged, then those of what is made of them.
func Rules() []scale.Rule {
	var out []scale.Rule
	for _, r := range lineRules() {
		out = append(out, r.Rule)
	}
	return append(out, scale.Rule{
		Name: "tare_expired", Stage: scale.AtVisit, Says: "A stored tare holds for as many days as the register sets for the vehicle, and is marked as stored, a " +
			"keyed one as keyed.",
		Figure: "at most 366 days", Effect: scale.Refuse, Basis: scale.Own,
	}, scale.Rule{
		Name: "draft_prices_nothing", Stage: scale.AtVisit, Says: "A vehicle weighed one end after the other prices no purchase.", Effect: scale.Refuse,
		Source: handbook + ", UR.3.3", Edition: nothingRead, Basis: scale.Memory,
	})
}

func (l Line) judge(scales map[string]scale.Scale) error {
	for _, rule := range lineRules() {
		if err := rule.broken(l, scales); err != nil {
			return err
		}
	}
	return nil
}

// nothingBetween: a tare is below its gross. Of two weighings the larger is gross, so that only a stored tare can be above.
func nothingBetween(l Line, _ map[string]scale.Scale) error {
	switch {
	case l.Net < 0:
		return fault.Precondition("tare_above_gross", "stored tare %s lb, gross %s lb: a tare is below its gross", l.Tare.Mass, l.Gross.Mass)
	case l.Net == 0:
		return fault.Precondition("net_not_positive", "gross and tare are both %s lb: a net is above zero", l.Gross.Mass)
	}
	return nil
}

// unlikeScales: gross and tare are weighed on the same scale or on an equally suitable one (NIST Handbook 44, 2.20; from memory, not checked against
// the text). Equally suitable is read here as the same accuracy class and the same division; of a scale of which either is not known nobody can
// tell. A tare that was keyed in without a scale is not held to it, and is marked.
func unlikeScales(l Line, scales map[string]scale.Scale) error {
	if !l.OtherScale {
		return nil
	}
	for _, gross := range scalesOf(l.Gross) {
		for _, tare := range scalesOf(l.Tare) {
			a, b := scales[gross], scales[tare]
			if gross == tare || a.Class != "" && a.Class == b.Class && a.Division != 0 && a.Division == b.Division {
				continue
			}
			return fault.Precondition("scale_not_suitable",
				"gross on scale %s (class %s, division %s lb), tare on scale %s (class %s, division %s lb): another scale for the tare has the same class and division",
				gross, cmp.Or(a.Class, "unknown"), a.Division, tare, cmp.Or(b.Class, "unknown"), b.Division)
		}
	}
	return nil
}

// slack is by how much the least net may be above what it is in the scale's unit, in micropounds: a division that is no whole number of micropounds
// was rounded, each of up to 50 by half of one.
const slack = 25

// belowMinimum: on few divisions the error of a division is a large share of the load. What NIST Handbook 44, 2.20, recommends as minimum load, it
// requires of a net load on a vehicle scale (from memory, not checked against the text). A scale of which class or division is not known sets no limit.
func belowMinimum(l Line, scales map[string]scale.Scale) error {
	for _, code := range append(scalesOf(l.Gross), scalesOf(l.Tare)...) {
		if least := scales[code].Least(); l.Net < least-slack {
			return fault.Precondition("below_minimum", "net %s lb on scale %s: it weighs no net load below %s lb, the least it is meant for", l.Net, code, least)
		}
	}
	return nil
}
