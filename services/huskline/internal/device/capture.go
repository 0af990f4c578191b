package device

import (
	"fmt"

	"huskline/internal/weight"
)

// Outcome is what a frame comes to.
type Outcome int

// The outcomes.
const (
	Passed  Outcome = iota // nothing to do
	Settled                // a load is to be kept; said again with each frame until Kept
	Emptied                // the scale was seen empty: the next load is another one
	Named                  // not captured, for the reason given
)

// Verdict is what a frame comes to and why.
type Verdict struct {
	Outcome Outcome
	Reason  string // stable; empty with Settled and Emptied
	Message string // for people; empty where nobody needs to be told
	Alarm   bool   // goods may go uncounted
}

// CaptureConfig says when a load is settled, and where an earlier capturing of the same scale ended.
type CaptureConfig struct {
	Stable    int    // frames alike, still and above the threshold that settle a load
	Threshold string // a decimal number in the scale's own unit
	Armed     bool   // the scale was seen empty since the last load that was kept
	Digits    string // of the last load that was kept; empty: none
	Unit      string
}

// Capture decides which frame is a load to be kept. It is pure: frames in, verdicts out.
type Capture struct {
	cfg   CaptureConfig
	armed bool
	last  Frame // of the load kept last
	run   int   // frames alike and still in a row
	frame Frame // the latest of them
}

// NewCapture makes one.
func NewCapture(cfg CaptureConfig) *Capture {
	return &Capture{cfg: cfg, armed: cfg.Armed, last: Frame{Digits: cfg.Digits, Unit: cfg.Unit}}
}

// statuses are why a frame of a status is no weight.
func statuses() map[byte]Verdict {
	return map[byte]Verdict{
		'O': {Named, "over_capacity", "the scale is over capacity: take load off", true},
		'U': {Named, "under_capacity", "the scale is under capacity", false},
		'E': {Named, "zero_error", "the scale cannot be zeroed", false},
		'I': {Named, "initial_zero_error", "the scale started with a load on it and gives no weight until it is zeroed", true},
		'T': {Named, "tare_error", "the scale cannot be tared", false},
	}
}

// Step takes in the next frame.
func (c *Capture) Step(f Frame) Verdict {
	if v, bad := statuses()[f.Status]; bad {
		c.run = 0
		return v
	}
	switch {
	case f.Mode == 'g' || f.Mode == 'n':
		c.run = 0
		return Verdict{Named, "high_resolution", "the scale sends high resolution, which is for tests only", true}
	case f.Mode == 'T':
		c.run = 0
		return Verdict{Named, "tare_weight", "the scale sends its tare, which nobody asked for", false}
	case f.Motion:
		c.run = 0
		return Verdict{Outcome: Named, Reason: "in_motion"}
	case f.Status == 'Z':
		c.run = 0
		if c.armed {
			return Verdict{}
		}
		c.armed = true
		return Verdict{Outcome: Emptied}
	}
	if c.run > 0 && f == c.frame {
		c.run++
	} else {
		c.frame, c.run = f, 1
	}
	if c.run < c.cfg.Stable {
		return Verdict{Outcome: Named, Reason: "settling"}
	}
	return c.settled(f)
}

// settled judges a weight that stands still.
func (c *Capture) settled(f Frame) Verdict {
	first := c.run == c.cfg.Stable
	say := func(reason, message string, alarm bool) Verdict {
		if !first {
			message = ""
		}
		return Verdict{Named, reason, message, alarm}
	}
	if !above(f, c.cfg.Threshold) {
		return say("below_threshold", fmt.Sprintf("%s %s stands still and is not above the threshold %s: not captured", f.Digits, f.Unit, c.cfg.Threshold), false)
	}
	switch {
	case c.armed:
		return Verdict{Outcome: Settled}
	case f.Digits == c.last.Digits && f.Unit == c.last.Unit:
		return Verdict{Outcome: Passed}
	}
	return say("not_rearmed", fmt.Sprintf("%s %s stands still, and the scale was not empty (center of zero) since the last load: not captured", f.Digits, f.Unit), true)
}

// above compares exactly; both are plain decimals, as was checked.
func above(f Frame, threshold string) bool {
	is, err := weight.FromReading(f.Digits, weight.Unit(f.Unit))
	if err != nil {
		return false
	}
	limit, err := weight.FromReading(threshold, weight.Unit(f.Unit))
	return err == nil && is > limit
}

// Kept says that the load that settled is kept: until the scale is empty no other is.
func (c *Capture) Kept() { c.armed, c.last = false, c.frame }

// Interrupted forgets frames seen: what comes next may be another load.
func (c *Capture) Interrupted() { c.run = 0 }
