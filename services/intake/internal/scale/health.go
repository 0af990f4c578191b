package scale

import "time"

// Health is how a scale's feed does.
type Health struct {
	Highest    int64         // sequence stored
	Newest     time.Time     // of the live readings whose time is not doubtful; zero: there is none
	Heard      time.Time     // when something live came last; zero: never
	Late       time.Duration // how long the newest live reading of the last batch had waited; below zero where its time is ahead
	Offset     *time.Duration
	Refused    int64
	Hour       time.Time // the last hour in which live readings were stored
	InHour     int64     // stored in it
	HourBefore int64     // stored in the hour before it
	Faults     []Fault   // the last few, newest first
}

// Fault is a reading that was refused or is in conflict.
type Fault struct {
	At       time.Time
	Sequence int64
	Reason   string
	Message  string
}

// MaxFaults is how many faults are kept of each scale: enough to see what is wrong with it now.
const MaxFaults = 5

// Missing is how many sequence numbers below the highest are not stored.
func (s State) Missing() int64 { return s.Highest - s.Stored }

// Rate is live readings in the last sixty minutes, the hour before by the part of it that lies in them.
func (s State) Rate(now time.Time) int64 {
	hour := now.UTC().Truncate(time.Hour)
	left := int64(hour.Add(time.Hour).Sub(now) / time.Second)
	const whole = int64(time.Hour / time.Second)
	switch hour.Sub(s.Hour) {
	case 0:
		return s.InHour + s.HourBefore*left/whole
	case time.Hour:
		return s.InHour * left / whole
	}
	return 0
}

// Silent tells whether a scale that is in service has not been heard for too long inside its hours, and since when. The hours before it opened are no
// silence.
func (s State) Silent(now time.Time) (since time.Time, silent bool) {
	opened, working := s.opened(now)
	if !working || s.Silence == 0 || !s.InService {
		return time.Time{}, false
	}
	since = opened
	if s.Heard.After(since) {
		since = s.Heard
	}
	return since, now.Sub(since) > s.Silence
}

// opened is when the hours began that a time lies in. A zone that the machine no longer knows has no hours.
func (s Scale) opened(now time.Time) (at time.Time, working bool) {
	zone, err := time.LoadLocation(s.Zone)
	if err != nil {
		return at, false
	}
	local := now.In(zone)
	for _, h := range s.Hours {
		if h.Day != local.Weekday() {
			continue
		}
		opens, closes := onDay(local, h.Opens), onDay(local, h.Closes)
		if !now.Before(opens) && now.Before(closes) && (!working || opens.Before(at)) {
			at, working = opens, true
		}
	}
	return at, working
}

// onDay is a time of day by the clock on the wall, on days of 23 and 25 hours too.
func onDay(day time.Time, at time.Duration) time.Time {
	return time.Date(day.Year(), day.Month(), day.Day(), int(at/time.Hour), int(at%time.Hour/time.Minute), 0, 0, day.Location())
}
