// Package run is lots through a stage: a run recorded whole, or opened, fed, filled and completed, and corrected afterwards. What goes in and
// comes out is the inventory's to accept, so each use-case has two halves. The first judges what production can judge, reserves the run and
// says what the inventory is to be asked; the second records what it accepted, or takes the reservation back.
//
//	              ┌─ refused: the code is free again
//	Recording ────┤
//	              └─ accepted ──▶ Complete ◀──▶ Correcting
//	Open ──▶ Completing ──accepted──▶ Complete
//	  ▲           │
//	  └─ refused ─┘
package run

import (
	"context"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/production/internal/charge"
)

// Phase is how far a run has come.
type Phase string

// The phases. Recording, Completing and Correcting wait for the inventory; Refused is a run that it would not record, whose code is free.
const (
	Recording  Phase = "recording"
	Refused    Phase = "refused"
	Open       Phase = "open"
	Completing Phase = "completing"
	Complete   Phase = "complete"
	Correcting Phase = "correcting"
)

// State is a run as it stands.
type State struct {
	Run        lot.RunID
	Stage      string
	Line       string // of the plant
	Recipe     string
	Owner      lot.PartyID // empty: the company, or not yet known
	Start      time.Time
	End        time.Time // zero while it is open
	Version    int64
	Phase      Phase
	HeldBy     string       // the command that waits for the inventory
	Input      lot.Quantity // micropounds, of the newest version, once complete
	Output     lot.Quantity
	GainReason string
	NextLine   int64 // of an open run: the number of the next dump or fill
}

// Item is what is known of an item.
type Item struct {
	Measure lot.Measure
	Unit    weight.Mass  // of one piece; 0 where it is kept by weight, or counts for nothing as packaging does
	Price   *money.Price // split-off price above zero in force at the time asked for; nil: none
}

// Lot is what is known of a lot.
type Lot struct {
	ID      lot.ID
	Item    lot.ItemID
	Measure lot.Measure
	Unit    weight.Mass // of one piece, as of Item
	Owner   lot.PartyID
}

// Known is what is known here of the others' things.
type Known interface {
	// Now is the one time of all that the transaction writes.
	Now() time.Time
	// Look finds what is known, in one go; what is not known is left out.
	Look(ctx context.Context, w Want) (Have, error)
}

// Want names what is to be looked up; what is empty is not.
type Want struct {
	Run   lot.RunID // it is locked until the end of the transaction
	Stage string
	Items []lot.ItemID
	At    time.Time // of the prices
	Lots  []lot.ID
}

// Have is what was found.
type Have struct {
	Run   *State // nil: there is none
	Stage bool
	Items map[lot.ItemID]Item
	Lots  map[lot.ID]Lot
}

// Tx is what runs need of a transaction.
type Tx interface {
	Known
	charge.Tx
	// Run finds a run and locks it until the end of the transaction; nil where there is none.
	Run(ctx context.Context, id lot.RunID) (*State, error)
	// AddRun writes a new run with its charges, in the place of refused ones too. It tells what is taken, the run's code or the first of the
	// charges' ids; then all is given up.
	AddRun(ctx context.Context, s State, charges ...charge.State) (Taken, error)
	// FinishRun is SaveRun for a run whose charges a command has reserved: they are posted with it, and listed by id.
	FinishRun(ctx context.Context, s State, p lot.RunPosted, command string) ([]charge.State, error)
	// SaveRun writes a run that has changed, and adds lines of a posting to their version; lines that are there already stay as they are.
	SaveRun(ctx context.Context, s State, lines ...lot.RunPosted) error
	// HeldRuns finds the runs that a command has reserved, by code, and locks them.
	HeldRuns(ctx context.Context, command string) ([]State, error)
	// NextCode counts the runs of a year that were given a code here, from 0.
	NextCode(ctx context.Context, year int) (int64, error)
	// SaveLines adds lines of a posting to their version; lines that are there already stay as they are.
	SaveLines(ctx context.Context, p lot.RunPosted) error
	// Lines is what the inventory has accepted of a version of a run so far, also where the run is not known here.
	Lines(ctx context.Context, id lot.RunID, version int64) (lot.RunPosted, error)
}

// OldTx is what runs that are taken back after a restore need of a transaction.
type OldTx interface {
	Tx
	// NewestVersion is the highest version of which the inventory has accepted lines; 0 where there are none.
	NewestVersion(ctx context.Context, id lot.RunID) (int64, error)
	// Told strikes an event off what is still to be said.
	Told(ctx context.Context, body lot.Body) error
}

// Taken is what stands in the way of a new run; the zero Taken: nothing.
type Taken struct {
	Run    bool
	Charge string
}

// Movement is what the inventory is asked for.
type Movement struct {
	At     time.Time
	Line   string // of the plant
	Claims map[lot.ID]string
	Posted lot.RunPosted
	Set    *lot.Corrected // in place of Posted: a correction set
}

// Totals are the pounds of a run, as the inventory added them up; goods kept by count at the weight of a piece, packaging at nothing.
type Totals struct{ In, Out lot.Quantity }

// Input is goods to be taken in.
type Input struct {
	Lot         lot.ID
	Quantity    lot.Quantity
	Place       lot.PlaceID
	DumpedFrom  time.Time // zero: the run's start
	DumpedTo    time.Time
	MoisturePPM int64  // below 0 where unknown
	Container   string // dumped; empty: from no container in particular
}

// Output is goods given.
type Output struct {
	Lot         lot.ID
	Claimant    string // empty: the movement
	Item        lot.ItemID
	Quantity    lot.Quantity
	Role        lot.Role
	Place       lot.PlaceID
	FilledFrom  time.Time
	FilledTo    time.Time // zero: the run's end
	MoisturePPM int64
	Container   string // filled; empty: loose
}

// Facts is a whole run.
type Facts struct {
	Run           lot.RunID // empty: production gives a code
	Stage         string
	Line          string
	Start, End    time.Time
	Recipe        string
	Inputs        []Input
	Outputs       []Output
	Contributions []lot.Contribution
	GainReason    string
	Charges       []lot.ChargePosted
}

// Opened is the run as it began.
func (s State) Opened() lot.RunOpened {
	return lot.RunOpened{Run: s.Run, Stage: s.Stage, Line: s.Line, Start: s.Start, Owner: s.Owner, Recipe: s.Recipe}
}

// Completed is the run as it ended, false while it has not.
func (s State) Completed() (lot.RunCompleted, bool) {
	return lot.RunCompleted{
		Run: s.Run, Version: s.Version, End: s.End, Input: s.Input, Output: s.Output, Unaccounted: s.Input - s.Output, GainReason: s.GainReason,
	}, s.Phase == Complete || s.Phase == Correcting
}

// View is a run with its lines of the newest version and its charges, to be shown.
type View struct {
	State
	Lines   lot.RunPosted
	Charges []charge.State
}

// Posted is the run's newest version as one posting.
func (v View) Posted() lot.RunPosted {
	p := v.Lines
	_, final := v.Completed()
	p.Stage, p.Owner, p.Final, p.GainReason = v.Stage, v.Owner, final, v.GainReason
	return p
}
