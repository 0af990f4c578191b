// Package scale keeps the weighing devices and the rules that they are registered by. Huskline supports the sealed scale and the weighmaster and
// replaces neither.
package scale

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
)

// Statement is what every list of rules and every paper about a scale says.
const Statement = "Huskline supports the sealed scale and the weighmaster and replaces neither."

// Scale is a weighing device as it stands.
type Scale struct {
	Code      string
	Class     string      // by its marking; empty where unknown
	Capacity  weight.Mass // largest load; 0 where unknown: then it has no limit here
	Division  weight.Mass // the smallest; 0 where unknown
	Place     string
	InService bool
	OutSince  time.Time     // since when it is out of service; zero where it is in service, or out for longer than is known
	Failed    bool          // its latest check failed
	Sealed    time.Time     // until when the seal holds; zero where unknown
	Unit      weight.Unit   // it counts in; empty where unknown
	Ranges    []Range       // smallest first, where the maker gives several divisions; else none
	Minimum   weight.Mass   // smallest load it is meant for; 0: what its class recommends
	Hours     []Hours       // when it is worked with; none: not known
	Zone      string        // of the hours
	Silence   time.Duration // inside the hours that is an alarm; 0: none is
}

// Range is a part of the capacity with a division of its own.
type Range struct{ Top, Division weight.Mass }

// Hours is a time of a weekday, by the scale's zone.
type Hours struct {
	Day           time.Weekday
	Opens, Closes time.Duration // of the day's length; at most 24 hours
}

// Limitless tells whether nothing is known that a reading could be measured by.
func (s Scale) Limitless() bool { return s.Capacity == 0 && s.Division == 0 }

// In is the range a load stands in: the first that reaches it, the last for what lies above. The range of a scale with one division is all of it.
func (s Scale) In(load weight.Mass) Range {
	for _, r := range s.Ranges {
		if load <= r.Top {
			return r
		}
	}
	if n := len(s.Ranges); n > 0 {
		return s.Ranges[n-1]
	}
	return Range{s.Capacity, s.Division}
}

// The recommended minimum loads in divisions (NIST Handbook 44, Scales Code UR.3.1, table 8; from memory).
const (
	leastIII  = 20
	leastIIIL = 50
)

// Least is the smallest load the scale is meant for: as registered, else what its class recommends; 0 where neither is known.
func (s Scale) Least() weight.Mass {
	switch {
	case s.Minimum > 0:
		return s.Minimum
	case s.Class == ClassIII:
		return leastIII * s.Division
	case s.Class == ClassIIIL:
		return leastIIIL * s.Division
	}
	return 0
}

// State is a scale with the state of its feed.
type State struct {
	Scale
	Watermark int64 // highest sequence answered without gap
	Stored    int64
	Conflicts int64
	Health
}

// Tx is what scales need of a transaction.
type Tx interface {
	// SaveScale adds a version of a scale, which stands from now on; the earlier ones are kept.
	SaveScale(ctx context.Context, s Scale) error
	// ScaleFailed tells whether the latest check of a scale failed, and locks the scale until the end of the transaction.
	ScaleFailed(ctx context.Context, code string) (bool, error)
}

// Register adds a scale or changes it from now on. It says no event: what a scale is concerns its own readings alone.
func Register(ctx context.Context, tx Tx, s Scale) error {
	s, err := s.whole()
	if err != nil {
		return err
	}
	if s.Failed, err = tx.ScaleFailed(ctx, s.Code); err != nil {
		return err
	}
	for _, r := range registerRules() {
		if why := r.broken(s); why != "" {
			return fault.Invalid(r.Name, "scale %s: %s", s.Code, why)
		}
	}
	return tx.SaveScale(ctx, s)
}

// whole judges the form and fills in capacity and division from the ranges.
func (s Scale) whole() (Scale, error) {
	if err := form.Code("scale", s.Code); err != nil {
		return s, err
	}
	if s.Unit != "" {
		if _, err := weight.ParseUnit(string(s.Unit)); err != nil {
			return s, err
		}
	}
	if n := len(s.Ranges); n > 0 {
		if s.Capacity == 0 {
			s.Capacity = s.Ranges[n-1].Top
		}
		if s.Division == 0 {
			s.Division = s.Ranges[0].Division
		}
	}
	if s.Capacity < 0 || s.Division < 0 || s.Capacity > 0 && s.Division > s.Capacity {
		return s, fault.Invalid("scale_figures", "scale %s: capacity %s lb, division %s lb: neither is below zero, and no division above the capacity", s.Code,
			s.Capacity, s.Division)
	}
	if s.Minimum < 0 || s.Capacity > 0 && s.Minimum > s.Capacity {
		return s, fault.Invalid("scale_figures", "scale %s: minimum load %s lb: it is not below zero nor above the capacity, %s lb", s.Code, s.Minimum, s.Capacity)
	}
	return s, s.hoursForm()
}

// dayLength is the end of a day, 24:00.
const dayLength = 24 * time.Hour

// maxSilence is a week.
const maxSilence = 7 * dayLength

func (s Scale) hoursForm() error {
	for _, h := range s.Hours {
		if h.Opens < 0 || h.Opens >= h.Closes || h.Closes > dayLength {
			return fault.Invalid("scale_hours", "scale %s: hours of %s from %s to %s: they open before they close, on one day", s.Code, h.Day, h.Opens, h.Closes)
		}
	}
	if s.Silence < 0 || s.Silence > maxSilence {
		return fault.Invalid("scale_silence", "scale %s: silence of %s: it is from 0 to %s", s.Code, s.Silence, maxSilence)
	}
	if len(s.Hours) == 0 && s.Zone == "" {
		return nil
	}
	if _, err := time.LoadLocation(s.Zone); err != nil || s.Zone == "" || s.Zone == "Local" {
		return fault.Invalid("time_zone_unknown", "scale %s: time zone %q: it is an IANA name such as America/Chicago", s.Code, s.Zone)
	}
	return nil
}
