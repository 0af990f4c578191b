package run

import (
	"cmp"
	"context"
	"slices"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/production/internal/charge"
)

// Correction puts a completed run right, together with what later used its outputs.
type Correction struct {
	Run         Facts
	Reason      string
	LaterRuns   []Facts
	Pours       []lot.Poured
	Adjustments []lot.Adjusted
	Shipments   []lot.Shipped
}

func (c Correction) runs() []Facts { return append([]Facts{c.Run}, c.LaterRuns...) }

// Correct judges the new versions of the runs, reserves them for a command and says the set that the inventory is to judge as a whole.
func Correct(ctx context.Context, tx Tx, command string, c Correction) (Movement, error) {
	m := Movement{At: c.Run.End, Line: c.Run.Line, Claims: map[lot.ID]string{}, Set: &lot.Corrected{
		Correction: command, Reason: c.Reason, Pours: c.Pours, Adjustments: c.Adjustments, Shipments: c.Shipments,
	}}
	runs := c.runs()
	// Runs are locked in the order of their codes, as everywhere.
	slices.SortFunc(runs, func(a, b Facts) int { return cmp.Compare(a.Run, b.Run) })
	for i, f := range runs {
		if i > 0 && runs[i-1].Run == f.Run {
			return m, fault.Invalid("run_repeated", "correction of run %s: run %s is there twice", c.Run.Run, f.Run)
		}
		posted, err := correctOne(ctx, tx, command, f)
		if err != nil {
			return m, err
		}
		m.Set.Runs = append(m.Set.Runs, posted)
		for id, claimant := range claims(f.Outputs) {
			m.Claims[id] = claimant
		}
	}
	return m, nil
}

func correctOne(ctx context.Context, tx Tx, command string, f Facts) (lot.RunPosted, error) {
	have, err := tx.Look(ctx, f.want())
	if err != nil {
		return lot.RunPosted{}, err
	}
	s := have.Run
	if s == nil || s.Phase == Refused || s.Phase == Recording {
		return lot.RunPosted{}, unknown(f.Run)
	}
	switch s.Phase {
	case Open:
		return lot.RunPosted{}, fault.Precondition("run_open", "run %s: it is open; complete it, then correct it", f.Run)
	case Completing, Correcting:
		return lot.RunPosted{}, fault.Unavailable("run_busy", "run %s: another command changes it, the inventory has not answered yet", f.Run)
	}
	posted, err := whole(tx, f, have, s.Version+1)
	if err != nil {
		return posted, err
	}
	s.Phase, s.HeldBy = Correcting, command
	if err := tx.SaveRun(ctx, *s); err != nil {
		return posted, err
	}
	change := charge.Change{Run: f.Run, Version: posted.Version, At: f.End, Charges: f.Charges}
	return posted, charge.Correct(ctx, tx, command, change)
}

// Corrected records the new versions of the runs of a set that the inventory accepted, with the charges that stand in place of theirs.
func Corrected(ctx context.Context, tx Tx, command string, c Correction, set lot.Corrected) (version int64, events []lot.Event, err error) {
	facts := map[lot.RunID]Facts{}
	for _, f := range c.runs() {
		facts[f.Run] = f
	}
	for _, posted := range set.Runs {
		s, err := held(ctx, tx, posted.Run, command)
		if err != nil {
			return 0, nil, err
		}
		f := facts[posted.Run]
		s.Stage, s.Line, s.Recipe, s.Start, s.End = f.Stage, f.Line, f.Recipe, f.Start, f.End
		have, err := tx.Look(ctx, Want{Items: itemsOut(posted), At: s.End, Lots: lotsIn(posted)})
		if err != nil {
			return 0, nil, err
		}
		if first, known := have.Lots[posted.Inputs[0].Lot]; known {
			s.Owner = first.Owner
		}
		in, out, err := sums(posted, have)
		if err != nil {
			return 0, nil, err
		}
		done, _, err := complete(ctx, tx, s, posted, Totals{lot.Quantity(in), lot.Quantity(out)})
		if err != nil {
			return 0, nil, err
		}
		events = append(events, lot.Event{Effective: s.End, Body: lot.RunCorrected{Opened: s.Opened(), Completed: done, Reason: c.Reason}})
		if posted.Run == c.Run.Run {
			version = posted.Version
		}
	}
	charges, err := charge.Settled(ctx, tx, command)
	return version, append(events, charges...), err
}
