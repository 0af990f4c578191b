// Package visit keeps what happens to vehicles on the scale. A visit is a vehicle's stay between its first weighing and its last; hours and
// scales may lie between them. Facts are only added: a weighing that was wrong is superseded by a later one that names it.
//
//	WeighVehicle ──▶ open ──WeighVehicle──▶ closed: one line ──▶ its pounds go into one delivery
//	                  │ └──WeighVehicle (more to come)──▶ open …──▶ closed: a line for each two weights that follow each other
//	                  ├──stored tare──▶ closed: one line
//	                  └──CloseVisit──▶ closed: without a line after a single weighing
//
// A plate proposes (its open visit, its stored tare, the last party); nothing of it is taken unless a person names it.
package visit

import (
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// State is a visit as it stands: its facts, and what was made of them.
type State struct {
	ID        int64
	Plate     string
	Party     lot.PartyID // as last confirmed
	Opened    time.Time
	Weighings []lot.VisitWeighed // all of them, by number
	Closed    *lot.VisitClosed   // nil: it is open
	Tare      *lot.TareStored    // the stored tare that closed it
	Used      map[int64]lot.ID   // lots by line
	Tickets   map[int64]Ticket   // the last one of each line
}

// Ticket is a weigh ticket of a line.
type Ticket struct {
	Series string
	Number int64
	Stands bool // it is neither void nor jammed
}

// Line is the difference of two weights of a visit: goods of one lot.
type Line struct {
	Number        int64 // from 1
	Gross, Tare   Weight
	Net           weight.Mass
	Draft         lot.Draft // one end after the other where that holds of either weight
	OtherScale    bool      // gross and tare were weighed on different scales
	DriverDiffers bool
	StoredTare    bool
	Keyed         bool   // a person keyed in a weight of it
	Lot           lot.ID // that it went into; empty: none yet
}

// Weight is one side of a line.
type Weight struct {
	Weighing    int64 // its number; 0 for a stored tare
	Indications []lot.Indication
	Mass        weight.Mass
	Draft       lot.Draft
	DriverOn    bool
	Weigher     string
	Keyed       bool // a person keyed it in, in whole or in part
}

// Time is when the last part of the weight was weighed.
func (w Weight) Time() time.Time { return latest(w.Indications) }

func latest(shown []lot.Indication) (at time.Time) {
	for _, i := range shown {
		if i.Time.After(at) {
			at = i.Time
		}
	}
	return at
}

// Standing is the weighings that count, each that supersedes another in the place of that one.
func (s State) Standing() []lot.VisitWeighed {
	var out []lot.VisitWeighed
	for _, w := range s.Weighings {
		at := slices.IndexFunc(out, func(o lot.VisitWeighed) bool { return w.Supersedes != 0 && o.Number == w.Supersedes })
		if at < 0 {
			out = append(out, w)
			continue
		}
		out[at] = w
	}
	return out
}

// Lines is what the weighings come to: the difference of each two that follow each other, the larger of which is gross. A single weighing is
// compared with the stored tare, if one was named; otherwise it gives no line.
func (s State) Lines() ([]Line, error) {
	var weights []Weight
	for _, w := range s.Standing() {
		one, err := weightOf(w.Indications)
		if err != nil {
			return nil, err
		}
		one.Weighing, one.Draft, one.DriverOn, one.Weigher = w.Number, w.Draft, w.DriverOn, w.Weigher
		weights = append(weights, one)
	}
	if s.Tare != nil {
		one, err := weightOf(s.Tare.Indications)
		if err != nil {
			return nil, err
		}
		one.Draft, one.DriverOn, one.Weigher, one.Keyed = s.Tare.Draft, s.Tare.DriverOn, s.Tare.By, one.Keyed || s.Tare.Keyed
		weights = append(weights, one)
	}
	var lines []Line
	for i := 1; i < len(weights); i++ {
		l := between(weights[i-1], weights[i])
		l.Number, l.Lot = int64(i), s.Used[int64(i)]
		lines = append(lines, l)
	}
	return lines, nil
}

func weightOf(shown []lot.Indication) (w Weight, err error) {
	w.Indications = shown
	for _, i := range shown {
		if w.Mass, err = weight.Add(w.Mass, i.Mass); err != nil {
			return w, err
		}
		w.Keyed = w.Keyed || i.Keyed != 0
	}
	return w, nil
}

func between(a, b Weight) Line {
	gross, tare := a, b
	if stored := b.Weighing == 0; !stored && b.Mass > a.Mass {
		gross, tare = b, a
	}
	on, off := scalesOf(gross), scalesOf(tare)
	l := Line{
		Gross: gross, Tare: tare, Net: gross.Mass - tare.Mass, Draft: gross.Draft, OtherScale: len(off) > 0 && !slices.Equal(on, off),
		DriverDiffers: gross.DriverOn != tare.DriverOn, StoredTare: tare.Weighing == 0, Keyed: gross.Keyed || tare.Keyed,
	}
	if tare.Draft == lot.EndsDraft {
		l.Draft = lot.EndsDraft
	}
	return l
}

// scalesOf is the scales of a weight, each once, by code; none of a tare that was keyed in without one.
func scalesOf(w Weight) []string {
	var out []string
	for _, i := range w.Indications {
		if i.Scale != "" && !slices.Contains(out, i.Scale) {
			out = append(out, i.Scale)
		}
	}
	slices.Sort(out)
	return out
}

// Take gives the lines of a closed visit that a delivery names, 0 for all, none of which may be another lot's.
func (s State) Take(line int64, of lot.ID) ([]Line, error) {
	lines, err := s.Lines()
	switch {
	case err != nil:
		return nil, err
	case s.Closed == nil:
		return nil, fault.Precondition("visit_open", "visit %d: it is open; the last weighing is not done", s.ID)
	case len(lines) == 0:
		return nil, fault.Precondition("visit_without_line", "visit %d: it was closed without a second weight, so it has no net", s.ID)
	case line > int64(len(lines)):
		return nil, fault.NotFound("visit_line_unknown", "visit %d, line %d: it has %d", s.ID, line, len(lines))
	case line > 0:
		lines = lines[line-1 : line]
	}
	for _, l := range lines {
		if l.Lot != "" && l.Lot != of {
			return nil, fault.Conflict("visit_used", "visit %d, line %d: it went into lot %s; a visit's weighings are used once", s.ID, l.Number, l.Lot)
		}
	}
	return lines, nil
}

// The shortest and longest plates.
const (
	minPlate = 2
	maxPlate = 16
)

// Plate is a plate as it is kept: capital letters and digits; blanks and hyphens, which are read and typed in many ways, do not count.
func Plate(typed string) (string, error) {
	var b strings.Builder
	for _, r := range strings.ToUpper(typed) {
		switch {
		case r == ' ' || r == '-':
		case r >= 'A' && r <= 'Z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		default:
			return "", fault.Invalid("plate_malformed", "plate %q: it has letters A to Z, digits, blanks and hyphens", typed)
		}
	}
	if n := b.Len(); n < minPlate || n > maxPlate {
		return "", fault.Invalid("plate_malformed", "plate %q: %d letters and digits, %d to %d are allowed", typed, n, minPlate, maxPlate)
	}
	return b.String(), nil
}
