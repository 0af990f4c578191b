package visit

import (
	"cmp"

	"huskline/internal/fault"
	"huskline/services/intake/internal/scale"
)

func (l Line) judge(scales map[string]scale.Scale) error {
	for _, rule := range lineRules {
		if err := rule(l, scales); err != nil {
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
