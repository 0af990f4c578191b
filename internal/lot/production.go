package lot

import (
	"time"

	"huskline/internal/money"
)

// RunOpened is a run that began.
type RunOpened struct {
	Run    RunID
	Stage  string
	Line   string // of the plant: "sort-line"
	Start  time.Time
	Owner  PartyID // empty: the company
	Recipe string
}

// RunCompleted is a run that ended, with its mass balance. Consumers compare it with what they hold.
type RunCompleted struct {
	Run         RunID
	Version     int64
	End         time.Time
	Input       Quantity // by weight
	Output      Quantity
	Unaccounted Quantity // input less output; below zero is a recorded gain
	GainReason  string
}

// RunCorrected is a completed run as it should have been recorded: its whole new version.
type RunCorrected struct {
	Completed RunCompleted
	Opened    RunOpened
	Reason    string
}

// ChargeKind says what a charge pays for.
type ChargeKind int

// The kinds of charge.
const (
	Labour ChargeKind = iota + 1
	Machine
	OtherCharge
)

// ChargePosted is conversion cost of one run, or of several: then it is split by pounds charged.
type ChargePosted struct {
	Charge          string
	Runs            []RunID
	ChargeKind      ChargeKind
	HoursMillionths int64       // 0 where the amount was given
	Rate            money.Price // per hour
	Amount          money.Amount
	Replaces        string // an earlier charge that this one stands in place of
}

// Kind names the event type.
func (RunOpened) Kind() string { return "run-opened" }

// Kind names the event type.
func (RunCompleted) Kind() string { return "run-completed" }

// Kind names the event type.
func (RunCorrected) Kind() string { return "run-corrected" }

// Kind names the event type.
func (ChargePosted) Kind() string { return "charge-posted" }
