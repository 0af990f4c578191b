package weighing

import (
	"fmt"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/scale"
)

// Marks are the rules that a stored reading broke, a bit for each. The bits stand in the database: none is ever used for another rule.
type Marks int32

// The marks.
const (
	MarkTimeDoubtful Marks = 1 << iota
	MarkUnderMinimum
	MarkWeighedBefore
	MarkUnitDiffers
)

// Names are the marks by the names of their rules, in the order of the table.
func (m Marks) Names() []string {
	var out []string
	for _, r := range liveRules {
		if r.mark&m != 0 {
			out = append(out, r.Name)
		}
	}
	return out
}

// weighed is a reading on the scale it came from.
type weighed struct {
	*Row
	scale *scale.Scale
	at    time.Time // when it was weighed, or came where its own time is doubtful
	now   time.Time
}

// liveRule is a rule for readings at a live door; broken says how it is broken, "" where it is kept. A figure that is not known breaks none.
type liveRule struct {
	scale.Rule
	mark   Marks // of a rule that marks
	broken func(w weighed) string
}

const (
	handbook    = "NIST Handbook 44, Scales Code (section 2.20)"
	nothingRead = "no edition was read"
)

// liveRules are judged in this order; the first that refuses ends it. Readings of records are held to none of them but the first.
var liveRules = []liveRule{
	{scale.Rule{
		Name: "time_doubtful", Stage: scale.AtReading, Says: "The sender's clock agrees with the service's, and the reading is neither of the future nor long past. " +
			"Inside the limit it is stored with the offset of the clock, beyond it with this mark, never lost.",
		Figure: "5 minutes either way; 10 years late", Effect: scale.Mark, Basis: scale.Own,
	}, MarkTimeDoubtful, timeDoubtful},
	{scale.Rule{
		Name: "scale_out_of_service", Stage: scale.AtReading, Says: "The scale was in service when the reading was weighed.", Effect: scale.Refuse, Basis: scale.Own,
	}, 0, outOfService},
	{scale.Rule{
		Name: "seal_expired", Stage: scale.AtReading, Says: "The scale's seal held when the reading was weighed.", Effect: scale.Refuse, Basis: scale.Own,
	}, 0, sealExpired},
	{scale.Rule{
		Name: "in_motion", Stage: scale.AtReading, Says: "The load was at rest: a weight in motion is no weight.", Effect: scale.Refuse,
		Source: handbook + ", S.2.5", Edition: nothingRead, Basis: scale.Memory,
	}, 0, inMotion},
	{scale.Rule{
		Name: "high_resolution", Stage: scale.AtReading, Says: "The scale showed its division and no finer digits: those are for tests.", Effect: scale.Refuse,
		Basis: scale.Own,
	}, 0, highResolution},
	{scale.Rule{
		Name: "range_wrong", Stage: scale.AtReading, Says: "The range that the scale said it was in is one of its ranges and reaches the load.", Effect: scale.Refuse,
		Basis: scale.Own,
	}, 0, rangeWrong},
	{scale.Rule{
		Name: "unit_differs", Stage: scale.AtReading, Says: "A reading is in the unit that its scale is registered to count in: common practice, no source. It is " +
			"converted by its own unit.", Effect: scale.Mark, Basis: scale.Own,
	}, MarkUnitDiffers, unitDiffers},
	{scale.Rule{
		Name: "above_capacity", Stage: scale.AtReading, Says: "No scale shows a reading above this part of its capacity.", Figure: "105 % of capacity",
		Effect: scale.Refuse, Source: handbook + ", S.1.7", Edition: "an engineering forum's quotation", Basis: scale.Read,
	}, 0, aboveCapacity},
	{scale.Rule{
		Name: "off_division", Stage: scale.AtReading, Says: "A reading is a whole number of divisions of the range it stands in.", Figure: "a multiple of the division",
		Effect: scale.Refuse, Basis: scale.Own,
	}, 0, offDivision},
	{scale.Rule{
		Name: "under_minimum", Stage: scale.AtReading, Says: "A load is not under the smallest that the scale is meant for. Nothing on the scale is no load.",
		Figure: "as registered, else class III 20 divisions, class III L 50 divisions", Effect: scale.Mark, Source: handbook + ", UR.3.1, table 8",
		Edition: nothingRead, Basis: scale.Memory,
	}, MarkUnderMinimum, underMinimum},
	{scale.Rule{
		Name: "weighed_before_failure", Stage: scale.AtReading, Says: "The scale has not failed a check since the reading was weighed: one that comes only " +
			"after the failure is in no list of what to correct.", Effect: scale.Mark, Basis: scale.Own,
	}, MarkWeighedBefore, weighedBefore},
}

// Rules are the rules for readings at a live door, in the order in which they are judged.
func Rules() []scale.Rule {
	out := make([]scale.Rule, len(liveRules))
	for i, r := range liveRules {
		out[i] = r.Rule
	}
	return out
}

// measure holds a reading to the rules of its scale. One from records is only asked whether its time can be.
func (p *posting) measure(row Row, index int, s *scale.Scale) candidate {
	c := candidate{Row: row, index: index}
	if !p.batch.Historic {
		c.Offset = p.offset(row.Time)
	}
	if p.batch.Historic {
		if row.Time.After(p.now.Add(form.Ahead)) {
			c.Marks = MarkTimeDoubtful
		}
		return c
	}
	c.Marks, c.barred = weighed{Row: &c.Row, scale: s, at: row.Time, now: p.now}.judged()
	return c
}

// judged holds a weight to the table: the marks that it gets, and the rule that refuses it.
func (w weighed) judged() (marks Marks, barred error) {
	for i := range liveRules {
		rule := &liveRules[i]
		why := rule.broken(w)
		switch {
		case why == "":
		case rule.Effect == scale.Mark:
			marks |= rule.mark
			if rule.mark == MarkTimeDoubtful {
				w.at = w.now
			}
		default:
			return marks, fault.Precondition(rule.Name, "scale %s: %s", w.Scale, why)
		}
	}
	return marks, nil
}

// Keyed holds a weight that a person keys in off the indicator of a scale to the rules for a reading of it: refused by the same ones, and marked by the
// same ones.
func Keyed(on scale.Scale, r Stored, now time.Time) (Marks, error) {
	return weighed{Row: &Row{Reading: r.Reading, Mass: r.Mass}, scale: &on, at: r.Time, now: now}.judged()
}

// leastOffset is what two clocks of which nobody speaks may differ by.
const leastOffset = time.Second

// offset is what the sender's clock is ahead: as it told, or what the reading's own time is ahead of the service's clock where that is more, since the
// sender may pass on what another device dated. That a reading is of the past tells nothing: it may have waited.
func (p *posting) offset(at time.Time) time.Duration {
	var off time.Duration
	if p.batch.Clock != nil {
		off = *p.batch.Clock
	}
	if ahead := at.Sub(p.now); ahead > off.Abs() {
		off = ahead
	}
	if off.Abs() < leastOffset {
		return 0
	}
	return off.Truncate(time.Microsecond)
}

// longPast is how late a reading may come before its time is doubted: longer than any queue waits, and less than the clock of a device is off that
// has lost it, which begins again decades ago.
const longPast = 10 * 365 * 24 * time.Hour

func timeDoubtful(w weighed) string {
	if w.Offset.Abs() > form.Ahead || w.now.Sub(w.Time) > longPast {
		return "its time is doubtful"
	}
	return ""
}

func outOfService(w weighed) string {
	switch s := w.scale; {
	case s.InService || !s.OutSince.IsZero() && w.at.Before(s.OutSince):
		return ""
	case s.OutSince.IsZero():
		return "it is not in service"
	default:
		return "it is out of service since " + stamp(s.OutSince) + ", the reading is of " + stamp(w.at)
	}
}

func sealExpired(w weighed) string {
	if w.scale.Sealed.IsZero() || !w.at.After(w.scale.Sealed) {
		return ""
	}
	return "its seal held until " + stamp(w.scale.Sealed) + ", the reading is of " + stamp(w.at)
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func inMotion(w weighed) string {
	if w.Status.InMotion {
		return "the load was in motion"
	}
	return ""
}

func highResolution(w weighed) string {
	if w.Status.HighResolution {
		return "it showed finer digits than its division, which are for tests"
	}
	return ""
}

// rangeOf is the range that the scale said, else the one that the load stands in.
func (w weighed) rangeOf() scale.Range {
	if n := int(w.Status.Range); n >= 1 && n <= len(w.scale.Ranges) {
		return w.scale.Ranges[n-1]
	}
	return w.scale.In(w.Mass)
}

func rangeWrong(w weighed) string {
	n, all := int(w.Status.Range), len(w.scale.Ranges)
	switch {
	case n == 0 || all == 0 && (n == 1 || w.scale.Division == 0):
		return ""
	case n > max(all, 1):
		return fmt.Sprintf("range %d: it has %d", n, max(all, 1))
	case n < all && w.Mass > w.scale.Ranges[n-1].Top:
		return fmt.Sprintf("%s lb: range %d ends at %s lb", w.Mass, n, w.scale.Ranges[n-1].Top)
	}
	return ""
}

func unitDiffers(w weighed) string {
	if w.scale.Unit == "" || weight.Unit(w.Unit) == w.scale.Unit {
		return ""
	}
	return fmt.Sprintf("it counts in %s, the reading is in %s", w.scale.Unit, w.Unit)
}

// aboveCapacity leaves a twentieth above the capacity for what is put on too much.
func aboveCapacity(w weighed) string {
	const twentieth = 20
	if c := w.scale.Capacity; c != 0 && w.Mass-c > c/twentieth {
		return fmt.Sprintf("%s lb is above 105 %% of its capacity, %s lb", w.Mass, c)
	}
	return ""
}

func offDivision(w weighed) string {
	d := w.rangeOf().Division
	if d == 0 || scale.OnStep(w.Mass, d, weight.Unit(w.Unit)) {
		return ""
	}
	return fmt.Sprintf("%s lb is no multiple of its division, %s lb", w.Mass, d)
}

func underMinimum(w weighed) string {
	if w.Mass > 0 && w.Mass < w.scale.Least() {
		return fmt.Sprintf("%s lb is under the smallest load it is meant for, %s lb", w.Mass, w.scale.Least())
	}
	return ""
}

// weighedBefore is asked of readings that the rule of service let pass.
func weighedBefore(w weighed) string {
	if w.scale.Failed && !w.scale.InService {
		return "it failed a check after the reading was weighed"
	}
	return ""
}
