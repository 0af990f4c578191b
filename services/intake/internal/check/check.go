// Package check keeps the checks of scales with test weights. A check that fails takes its scale out of service and names what the scale weighed since
// it was last found good:
//
//	good check ──▶ readings, deliveries ──▶ failed check ──▶ proposal ──▶ a person approves or rejects it
//	                                             └──▶ out of service ──▶ good check to the acceptance tolerance ──▶ in service
//
// A proposal changes nothing. Huskline supports the sealed scale and the weighmaster and replaces neither.
package check

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/scale"
)

// Kind is which tolerance a check is held to.
type Kind int

// The kinds of check.
const (
	Maintenance Kind = iota + 1
	Acceptance
)

// Load is test weights on a scale and what it showed, in digits of the check's unit.
type Load struct{ Applied, Indicated string }

// Check is a check as it is to be recorded.
type Check struct {
	ID      string // of the command
	Scale   string
	Kind    Kind
	Unit    string
	Loads   []Load
	At      time.Time // when it was done
	By      string    // who did it
	Actor   string    // who recorded it
	Weights string    // which test weights
}

// Result is a load as it was judged, in the unit of the check.
type Result struct {
	Load
	Error     string // indicated less applied
	Tolerance string // either way
	Divisions string // the same in divisions
	Passed    bool
}

// Judged is a check with how it went.
type Judged struct {
	Check
	Results  []Result
	Passed   bool
	Short    bool // the largest load is under what a full test asks for
	Recorded time.Time
	Number   int64 // in the order of recording
}

// State is where a proposal stands.
type State int

// The states.
const (
	Open State = iota + 1
	Approved
	Rejected
)

// Proposal is what a scale weighed while it may have been wrong.
type Proposal struct {
	ID         string // the failed check's
	Scale      string
	Since      time.Time // the last good check before; zero where there was none
	Until      time.Time // the next good check; zero where there was none yet
	Failed     time.Time
	Readings   int64 // when it was raised
	Deliveries int64 // when it was raised
	State      State
	DecidedBy  string
	Decided    time.Time
	Reason     string
	Number     int64 // in the order of raising
}

// Delivery is a delivery that a proposal names.
type Delivery struct {
	Lot     lot.ID
	Version int64
	Later   bool // recorded after the proposal was raised
}

// Decision is what a person decided.
type Decision struct {
	Proposal string
	Approve  bool
	By       string
	Reason   string
}

// Around is what else is known of a scale's checks.
type Around struct {
	LastGood, NextGood time.Time // before and after a time; zero where there is none
	Failed             time.Time // the check that stands failed; zero: none
}

// Tx is what checks need of a transaction.
type Tx interface {
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// Scale finds a scale and locks it until the end of the transaction; nil where there is none.
	Scale(ctx context.Context, code string) (*scale.Scale, error)
	// Around looks at the checks of a scale from a time.
	Around(ctx context.Context, code string, at time.Time) (Around, error)
	// SaveCheck writes a check down and returns it with its number.
	SaveCheck(ctx context.Context, j Judged) (Judged, error)
	// Fail takes a scale out of service from a time on, by a check.
	Fail(ctx context.Context, code, check string, at time.Time) error
	// Clear ends what a failed check did: a scale that was in service when it failed is in service again.
	Clear(ctx context.Context, code string) error
	// Raise writes a proposal down with the deliveries that it names, and counts what it names.
	Raise(ctx context.Context, p Proposal) (Proposal, error)
	// Decide writes a decision down with the deliveries that it is about, and returns the proposal; a second decision is refused.
	Decide(ctx context.Context, d Decision) (Proposal, error)
}

// The longest texts of a check.
const (
	maxBy     = 100
	maxText   = 500
	maxLoads  = 100
	maxDigits = 32
)

// Outcome is what a check led to.
type Outcome struct {
	Judged
	InService bool
	Proposal  *Proposal // nil: nothing is proposed
}

// Record judges a check and keeps it. A scale is what its latest check, by the time it was done, says: an older check that is recorded later changes
// nothing about service, but still names what it puts in doubt.
func Record(ctx context.Context, tx Tx, c Check) (Outcome, error) {
	if err := c.form(tx.Now()); err != nil {
		return Outcome{}, err
	}
	device, err := tx.Scale(ctx, c.Scale)
	if err != nil {
		return Outcome{}, err
	}
	if device == nil {
		return Outcome{}, fault.NotFound("scale_unknown", "scale %s: it is not registered", c.Scale)
	}
	around, err := tx.Around(ctx, c.Scale, c.At)
	if err != nil {
		return Outcome{}, err
	}
	stands := !around.Failed.IsZero() && !c.At.Before(around.Failed)
	if stands && c.Kind != Acceptance {
		return Outcome{}, fault.Precondition("acceptance_required", "scale %s: it failed its check of %s; after a repair it is held to the acceptance tolerance",
			c.Scale, around.Failed.Format(time.RFC3339))
	}
	judged, err := judge(c, *device)
	if err != nil {
		return Outcome{}, err
	}
	if judged, err = tx.SaveCheck(ctx, judged); err != nil {
		return Outcome{}, err
	}
	out := Outcome{Judged: judged, InService: device.InService}
	return out, out.follow(ctx, tx, around, stands)
}

// follow does what a check leads to.
func (o *Outcome) follow(ctx context.Context, tx Tx, around Around, stands bool) error {
	latest := around.NextGood.IsZero() && (around.Failed.IsZero() || stands)
	switch {
	case o.Passed && stands && latest:
		if err := tx.Clear(ctx, o.Scale); err != nil {
			return err
		}
		device, err := tx.Scale(ctx, o.Scale)
		if err == nil {
			o.InService = device.InService
		}
		return err
	case o.Passed || stands:
		return nil // what an earlier failure put in doubt is in doubt already
	}
	if latest {
		if err := tx.Fail(ctx, o.Scale, o.ID, o.At); err != nil {
			return err
		}
		o.InService = false
	}
	raised, err := tx.Raise(ctx, Proposal{
		ID: o.ID, Scale: o.Scale, Since: around.LastGood, Until: around.NextGood, Failed: o.At, State: Open,
	})
	o.Proposal = &raised
	return err
}

func (c Check) form(now time.Time) error {
	if err := form.Moment("check of scale "+c.Scale, c.At, now); err != nil {
		return err
	}
	if err := form.Text("check of scale "+c.Scale+", by", c.By, maxBy); err != nil {
		return err
	}
	if err := form.Text("check of scale "+c.Scale+", weights", c.Weights, maxText); err != nil {
		return err
	}
	if c.Kind != Maintenance && c.Kind != Acceptance {
		return fault.Invalid("check_kind", "check of scale %s: kind %d: it is maintenance or acceptance", c.Scale, c.Kind)
	}
	if n := len(c.Loads); n < 1 || n > maxLoads {
		return fault.Invalid("check_loads", "check of scale %s: %d loads: it has 1 to %d", c.Scale, n, maxLoads)
	}
	return nil
}

// Decide writes a person's decision down. It changes no delivery: what was approved is corrected delivery by delivery.
func Decide(ctx context.Context, tx Tx, d Decision) (Proposal, error) {
	if err := form.Text("decision, reason", d.Reason, maxText); err != nil {
		return Proposal{}, err
	}
	if d.Reason == "" {
		return Proposal{}, fault.Invalid("reason_missing", "proposal %s: a decision has a reason", d.Proposal)
	}
	return tx.Decide(ctx, d)
}
