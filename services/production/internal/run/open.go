package run

import (
	"context"
	"fmt"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Opening is a run that begins.
type Opening struct {
	Run    lot.RunID // empty: production gives a code
	Stage  string
	Line   string
	Start  time.Time
	Recipe string
}

// Begin opens a run. The inventory hears of it with its first dump or fill.
func Begin(ctx context.Context, tx Tx, o Opening) (lot.RunID, []lot.Event, error) {
	if o.Start.IsZero() {
		return "", nil, fault.Invalid("effective_missing", "run %s: its start is asked for", o.Run)
	}
	id, err := code(ctx, tx, o.Run, o.Start.Year())
	if err != nil {
		return "", nil, err
	}
	have, err := tx.Look(ctx, Want{Run: id, Stage: o.Stage})
	if err != nil {
		return "", nil, err
	}
	if err := free(id, have.Run); err != nil {
		return "", nil, err
	}
	if !have.Stage {
		return "", nil, noStage(id, o.Stage)
	}
	if err := notAhead(fmt.Sprintf("run %s: its start", id), o.Start, tx.Now()); err != nil {
		return "", nil, err
	}
	s := State{Run: id, Stage: o.Stage, Line: o.Line, Recipe: o.Recipe, Start: o.Start, Version: 1, Phase: Open, NextLine: 1}
	return id, []lot.Event{{Effective: s.Start, Body: s.Opened()}}, add(ctx, tx, s)
}

// Dump takes goods into an open run; when the dumping began is asked for.
func Dump(ctx context.Context, tx Tx, id lot.RunID, in Input) (Movement, error) {
	s, err := open(ctx, tx, id)
	if err != nil {
		return Movement{}, err
	}
	if in.DumpedFrom.IsZero() {
		return Movement{}, fault.Invalid("effective_missing", "run %s, input %s: when dumping began is asked for", id, in.Lot)
	}
	line, err := window{run: id, start: s.Start, now: tx.Now()}.input(in)
	if err != nil {
		return Movement{}, err
	}
	if err := notOwn(ctx, tx, s, in.Lot); err != nil {
		return Movement{}, err
	}
	line.Line = s.NextLine
	p := lot.RunPosted{Run: id, Version: s.Version, Stage: s.Stage, Inputs: []lot.RunInput{line}}
	return Movement{At: line.At, Line: s.Line, Posted: p}, take(ctx, tx, s)
}

// Fill gives a container of an open run; when it was full is asked for.
func Fill(ctx context.Context, tx Tx, id lot.RunID, out Output) (Movement, error) {
	s, err := open(ctx, tx, id)
	if err != nil {
		return Movement{}, err
	}
	if out.FilledTo.IsZero() {
		return Movement{}, fault.Invalid("effective_missing", "run %s, output %s: when it was full is asked for", id, out.Lot)
	}
	have, err := tx.Look(ctx, Want{Items: []lot.ItemID{out.Item}, At: out.FilledTo})
	if err != nil {
		return Movement{}, err
	}
	line, err := window{run: id, start: s.Start, now: tx.Now()}.output(out, have.Items)
	if err != nil {
		return Movement{}, err
	}
	line.Line = s.NextLine
	p := lot.RunPosted{Run: id, Version: s.Version, Stage: s.Stage, Outputs: []lot.RunOutput{line}}
	before, err := tx.Lines(ctx, id, s.Version)
	if err != nil {
		return Movement{}, err
	}
	if err := distinct(merged(before, p)); err != nil {
		return Movement{}, err
	}
	return Movement{At: line.At, Line: s.Line, Claims: claims([]Output{out}), Posted: p}, take(ctx, tx, s)
}

// Added records a dump or a fill that the inventory accepted. The inventory has said the event.
func Added(ctx context.Context, tx Tx, p lot.RunPosted) error { return tx.SaveLines(ctx, p) }

// Completion is the end of an open run.
type Completion struct {
	Run           lot.RunID
	End           time.Time
	Contributions []lot.Contribution
	GainReason    string
}

// End judges an open run as a whole and reserves it for a command until the inventory has closed it.
func End(ctx context.Context, tx Tx, command string, c Completion) (Movement, error) {
	s, err := open(ctx, tx, c.Run)
	if err != nil {
		return Movement{}, err
	}
	if err := span(c.Run, s.Start, c.End, tx.Now()); err != nil {
		return Movement{}, err
	}
	p := lot.RunPosted{
		Run: c.Run, Version: s.Version, Stage: s.Stage, Contributions: c.Contributions, Final: true, GainReason: c.GainReason,
	}
	lines, err := tx.Lines(ctx, c.Run, s.Version)
	if err != nil {
		return Movement{}, err
	}
	all := merged(lines, p)
	if err := ended(all, window{run: c.Run, start: s.Start, end: c.End, now: tx.Now()}); err != nil {
		return Movement{}, err
	}
	have, err := tx.Look(ctx, Want{Items: itemsOut(all), At: c.End, Lots: lotsIn(all)})
	if err != nil {
		return Movement{}, err
	}
	if err := sound(all, have); err != nil {
		return Movement{}, err
	}
	s.Phase, s.HeldBy, s.End = Completing, command, c.End
	return Movement{At: c.End, Line: s.Line, Posted: p}, tx.SaveRun(ctx, *s)
}

// Ended records the end of a run that the inventory has closed.
func Ended(ctx context.Context, tx Tx, command string, posted lot.RunPosted, t Totals) (lot.RunCompleted, []lot.Event, error) {
	s, err := held(ctx, tx, posted.Run, command)
	if err != nil {
		return lot.RunCompleted{}, nil, err
	}
	return complete(ctx, tx, s, posted, t)
}

// Chargeable tells whether runs are there to be charged, at a time that is not ahead of the clock.
func Chargeable(ctx context.Context, tx Tx, ids []lot.RunID, at time.Time) error {
	if err := notAhead("charge: its time", at, tx.Now()); err != nil {
		return err
	}
	ids = slices.Sorted(slices.Values(ids))
	for _, id := range ids {
		s, err := tx.Run(ctx, id)
		if err != nil {
			return err
		}
		if s == nil || s.Phase == Refused || s.Phase == Recording {
			return unknown(id)
		}
	}
	return nil
}

func unknown(id lot.RunID) error {
	return fault.NotFound("run_unknown", "run %s: there is none of this code", id)
}

// open is a run that takes dumps and fills.
func open(ctx context.Context, tx Tx, id lot.RunID) (*State, error) {
	s, err := tx.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	if s == nil || s.Phase == Refused || s.Phase == Recording {
		return nil, unknown(id)
	}
	switch s.Phase {
	case Open:
		return s, nil
	case Completing:
		return nil, fault.Unavailable("run_busy", "run %s: it is being completed, the inventory has not answered yet", id)
	}
	return nil, fault.Precondition("run_complete", "run %s: it ended at %s; a correction changes it", id, stamp(s.End))
}

// take uses the run's next line number up.
func take(ctx context.Context, tx Tx, s *State) error {
	s.NextLine++
	return tx.SaveRun(ctx, *s)
}

func notOwn(ctx context.Context, tx Tx, s *State, id lot.ID) error {
	lines, err := tx.Lines(ctx, s.Run, s.Version)
	if err != nil {
		return err
	}
	return distinct(lot.RunPosted{Run: s.Run, Inputs: []lot.RunInput{{Lot: id}}, Outputs: lines.Outputs})
}

// merged is what a version has with one more posting.
func merged(before, p lot.RunPosted) lot.RunPosted {
	p.Inputs = append(before.Inputs, p.Inputs...)
	p.Outputs = append(before.Outputs, p.Outputs...)
	return p
}

// ended wants every line of an open run to lie before its end.
func ended(p lot.RunPosted, w window) error {
	for _, in := range p.Inputs {
		if err := w.ordered("dump_outside_run", "input "+string(in.Lot), in.At, in.DumpedTo); err != nil {
			return err
		}
	}
	for _, out := range p.Outputs {
		if err := w.ordered("fill_outside_run", "output "+string(out.Lot), out.FilledFrom, out.At); err != nil {
			return err
		}
	}
	return nil
}
