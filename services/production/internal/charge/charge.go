// Package charge is conversion cost as it is put on runs: labour, machine hours, anything else. One charge may name several runs; cost splits
// it by pounds charged.
package charge

import (
	"context"
	"fmt"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
)

// Phase is how far a charge has come.
type Phase string

// A charge that comes with a run is reserved while the inventory is asked; refused frees its id.
const (
	Reserved Phase = "reserved"
	Posted   Phase = "posted"
	Refused  Phase = "refused"
)

// State is a charge as it stands.
type State struct {
	lot.ChargePosted
	Effective  time.Time
	Phase      Phase
	HeldBy     string // the command that reserved or posted it
	ReplacedBy string // the charge that stands in place of it, posted or reserved; empty where none
}

// Tx is what charges need of a transaction.
type Tx interface {
	// Charge finds a charge and locks it until the end of the transaction; nil where there is none.
	Charge(ctx context.Context, id string) (*State, error)
	// AddCharges writes new charges, in the place of refused ones too. It names the first whose id is taken; then all is given up.
	AddCharges(ctx context.Context, s ...State) (taken string, err error)
	// SaveCharge writes what stands in place of a charge.
	SaveCharge(ctx context.Context, s State) error
	// ChargesOf lists the posted charges that name a run, by id; replaced ones too.
	ChargesOf(ctx context.Context, run lot.RunID) ([]State, error)
	// Settle moves the charges that a command has reserved to another phase, and lists them by id.
	Settle(ctx context.Context, command string, to Phase) ([]State, error)
}

// OldTx is what charges that are taken back after a restore need of a transaction.
type OldTx interface {
	Tx
	// PutCharge writes a charge, in the place of one of its id too.
	PutCharge(ctx context.Context, s State) error
}

// maxAmount is the most that one charge may put on runs, a billion dollars: thousands of charges at the bound still add up in 64 bits.
const maxAmount money.Amount = 1_000_000_000_000_000

// Settle gives a charge its amount: hours x rate, or the amount as it was given.
func Settle(c lot.ChargePosted) (lot.ChargePosted, error) {
	switch {
	case c.ChargeKind < lot.Labour || c.ChargeKind > lot.OtherCharge:
		return c, fault.Invalid("charge_kind_missing", "charge %s: its kind is missing: labour, machine or other", c.Charge)
	case c.HoursMillionths < 0 || c.Rate < 0 || c.Amount < 0:
		return c, fault.Invalid("charge_negative", "charge %s: hours, rate and amount may not be below zero", c.Charge)
	case c.Amount > maxAmount:
		return c, tooMuch(c.Charge, c.Amount)
	case c.HoursMillionths == 0 && c.Rate == 0:
		return c, nil
	case c.ChargeKind == lot.OtherCharge:
		return c, fault.Invalid("charge_hours", "charge %s: hours and rate are for labour and machine, a charge of kind other is an amount", c.Charge)
	}
	amount, err := money.Hours(c.HoursMillionths, c.Rate)
	if err != nil {
		return c, fmt.Errorf("charge %s: %w", c.Charge, err)
	}
	if amount > maxAmount {
		return c, tooMuch(c.Charge, amount)
	}
	if c.Amount != 0 && c.Amount != amount {
		return c, fault.Invalid("charge_amount", "charge %s: hours x rate is %s, the amount given is %s: leave one of them out", c.Charge, amount, c.Amount)
	}
	c.Amount = amount
	return c, nil
}

func tooMuch(id string, a money.Amount) error {
	return fault.Invalid("amount_out_of_range", "charge %s: its amount %s is above %s, the most that one charge may be", id, a, maxAmount)
}

var kindNames = map[lot.ChargeKind]string{lot.Labour: "labour", lot.Machine: "machine", lot.OtherCharge: "other"}

// ForRun makes the charges that come with a run its own: named after it where they have no id (RUN/labour, RUN/machine, RUN/other, the second
// of a kind RUN/labour-2), for this run alone, each with its amount.
func ForRun(run lot.RunID, charges []lot.ChargePosted) ([]lot.ChargePosted, error) {
	out, seen := slices.Clone(charges), map[string]bool{}
	for i, c := range out {
		if len(c.Runs) > 1 || len(c.Runs) == 1 && c.Runs[0] != run {
			return nil, fault.Invalid("charge_runs", "charge %q comes with run %s and names other runs: post it by itself", c.Charge, run)
		}
		if c.Replaces != "" {
			return nil, fault.Invalid("charge_replaces", "charge %q comes with run %s and names another that it replaces: post it by itself", c.Charge, run)
		}
		c.Runs = []lot.RunID{run}
		if c.Charge == "" {
			base := string(run) + "/" + kindNames[c.ChargeKind]
			c.Charge = base
			for n := 2; seen[c.Charge]; n++ {
				c.Charge = fmt.Sprintf("%s-%d", base, n)
			}
		}
		if seen[c.Charge] {
			return nil, fault.Invalid("charge_repeated", "run %s: two charges are called %s", run, c.Charge)
		}
		seen[c.Charge] = true
		var err error
		if out[i], err = Settle(c); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// ReservedFor is charges as they stand while a command waits for the inventory.
func ReservedFor(command string, at time.Time, charges []lot.ChargePosted) []State {
	states := make([]State, len(charges))
	for i, c := range charges {
		states[i] = State{ChargePosted: c, Effective: at, Phase: Reserved, HeldBy: command}
	}
	return states
}

// Known is the refusal of a charge whose id another has.
func Known(id string) error {
	return fault.Conflict("charge_known", "charge %s: there is one of this id already", id)
}

// Reserve keeps the ids of charges for a command until the inventory has answered.
func Reserve(ctx context.Context, tx Tx, command string, at time.Time, charges []lot.ChargePosted) error {
	if err := add(ctx, tx, ReservedFor(command, at, charges)...); err != nil {
		return err
	}
	for _, c := range charges {
		if err := replace(ctx, tx, c.Replaces, c.Charge); err != nil {
			return err
		}
	}
	return nil
}

// Correct reserves the charges of a corrected run in place of its own ones, which are those that name it alone; each in place of one of its
// kind where there is one. One of its own that has no counterpart any more is replaced by one of nothing. Without charges it keeps its own. The
// new ones are called after the run's new version, since an id is used once.
func Correct(ctx context.Context, tx Tx, command string, change Change) error {
	if len(change.Charges) == 0 {
		return nil
	}
	now, err := ForRun(change.Run, change.Charges)
	if err != nil {
		return err
	}
	known, err := tx.ChargesOf(ctx, change.Run)
	if err != nil {
		return err
	}
	old := slices.DeleteFunc(known, func(s State) bool { return len(s.Runs) > 1 || s.ReplacedBy != "" })
	var charges []lot.ChargePosted
	for _, sameKind := range []bool{true, false} {
		for i, c := range now {
			at := slices.IndexFunc(old, func(s State) bool { return !sameKind || s.ChargeKind == c.ChargeKind })
			if c.Charge == "" || at < 0 {
				continue
			}
			c.Replaces = old[at].Charge
			charges, now[i].Charge, old = append(charges, c), "", slices.Delete(old, at, at+1)
		}
	}
	for _, c := range now {
		if c.Charge != "" && c.Amount != 0 {
			charges = append(charges, c)
		}
	}
	for _, s := range old {
		charges = append(charges, lot.ChargePosted{Charge: s.Charge, Runs: []lot.RunID{change.Run}, ChargeKind: s.ChargeKind, Replaces: s.Charge})
	}
	for i := range charges {
		charges[i].Charge = fmt.Sprintf("%s/%d", charges[i].Charge, change.Version)
	}
	return Reserve(ctx, tx, command, change.At, charges)
}

// Change is the charges of a run's new version; none: it keeps those it has.
type Change struct {
	Run     lot.RunID
	Version int64
	At      time.Time
	Charges []lot.ChargePosted
}

func add(ctx context.Context, tx Tx, states ...State) error {
	taken, err := tx.AddCharges(ctx, states...)
	if err == nil && taken != "" {
		return Known(taken)
	}
	return err
}

// replace notes that a charge stands in place of another, which may happen once.
func replace(ctx context.Context, tx Tx, old, by string) error {
	if old == "" {
		return nil
	}
	s, err := tx.Charge(ctx, old)
	switch {
	case err != nil:
		return err
	case s == nil || s.Phase != Posted:
		return fault.NotFound("charge_unknown", "charge %s: it is to stand in place of %s, which is not there", by, old)
	case s.ReplacedBy != "":
		return fault.Conflict("charge_replaced", "charge %s: it is to stand in place of %s, in whose place %s stands already", by, old, s.ReplacedBy)
	}
	s.ReplacedBy = by
	return tx.SaveCharge(ctx, *s)
}

// Settled posts what a command has reserved and says it.
func Settled(ctx context.Context, tx Tx, command string) ([]lot.Event, error) {
	held, err := tx.Settle(ctx, command, Posted)
	if err != nil {
		return nil, err
	}
	return Said(held), nil
}

// Said is charges as they are told.
func Said(posted []State) []lot.Event {
	events := make([]lot.Event, len(posted))
	for i, s := range posted {
		events[i] = lot.Event{Effective: s.Effective, Body: s.ChargePosted}
	}
	return events
}

// Undo frees what a command has reserved.
func Undo(ctx context.Context, tx Tx, command string) error {
	held, err := tx.Settle(ctx, command, Refused)
	if err != nil {
		return err
	}
	for _, s := range held {
		if s.Replaces == "" {
			continue
		}
		old, err := tx.Charge(ctx, s.Replaces)
		if err != nil {
			return err
		}
		old.ReplacedBy = ""
		if err := tx.SaveCharge(ctx, *old); err != nil {
			return err
		}
	}
	return nil
}

// Post records a charge by itself. Its runs must be there, which the caller has seen to; an empty id means the command's.
func Post(ctx context.Context, tx Tx, command string, at time.Time, c lot.ChargePosted) (lot.ChargePosted, []lot.Event, error) {
	if c.Charge == "" {
		c.Charge = command
	}
	if len(c.Runs) == 0 {
		return c, nil, fault.Invalid("charge_runs", "charge %s: it names no run", c.Charge)
	}
	c.Runs = slices.Sorted(slices.Values(c.Runs))
	for i, id := range c.Runs[1:] {
		if c.Runs[i] == id {
			return c, nil, fault.Invalid("charge_runs", "charge %s: it names run %s twice; each run is named once, the charge is split by pounds", c.Charge, id)
		}
	}
	c, err := Settle(c)
	if err != nil {
		return c, nil, err
	}
	if err := add(ctx, tx, State{ChargePosted: c, Effective: at, Phase: Posted, HeldBy: command}); err != nil {
		return c, nil, err
	}
	if err := replace(ctx, tx, c.Replaces, c.Charge); err != nil {
		return c, nil, err
	}
	return c, []lot.Event{{Effective: at, Body: c}}, nil
}

// Retold posts a charge again that was posted in a part of the past that a restore had lost, whatever command held it at the earlier moment.
func Retold(ctx context.Context, tx OldTx, at time.Time, c lot.ChargePosted) error {
	s := State{ChargePosted: c, Effective: at, Phase: Posted}
	old, err := tx.Charge(ctx, c.Charge)
	if err != nil {
		return err
	}
	if old != nil && old.Phase != Refused {
		s.HeldBy, s.ReplacedBy = old.HeldBy, old.ReplacedBy
	}
	if err := tx.PutCharge(ctx, s); err != nil || c.Replaces == "" {
		return err
	}
	replaced, err := tx.Charge(ctx, c.Replaces)
	if err != nil || replaced == nil {
		return err
	}
	replaced.ReplacedBy = c.Charge
	return tx.SaveCharge(ctx, *replaced)
}
