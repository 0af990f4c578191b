package run

import (
	"context"
	"fmt"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/production/internal/charge"
)

// letter begins the codes of runs that production gives: R, two digits of the year, a number, a check character.
const letter = 'R'

// Record judges a whole run, reserves its code and its charges for a command, and says what the inventory is to be asked.
func Record(ctx context.Context, tx Tx, command string, f Facts) (Movement, error) {
	var err error
	if f.Run, err = code(ctx, tx, f.Run, f.Start.Year()); err != nil {
		return Movement{}, err
	}
	have, err := tx.Look(ctx, f.want())
	if err != nil {
		return Movement{}, err
	}
	if err := free(f.Run, have.Run); err != nil {
		return Movement{}, err
	}
	posted, err := whole(tx, f, have, 1)
	if err != nil {
		return Movement{}, err
	}
	charges, err := charge.ForRun(f.Run, f.Charges)
	if err != nil {
		return Movement{}, err
	}
	s := State{
		Run: f.Run, Stage: f.Stage, Line: f.Line, Recipe: f.Recipe, Start: f.Start, End: f.End, Version: 1, Phase: Recording, HeldBy: command,
		GainReason: f.GainReason, Owner: ownerOf(posted, have),
	}
	if err := add(ctx, tx, s, charge.ReservedFor(command, f.End, charges)...); err != nil {
		return Movement{}, err
	}
	return Movement{At: f.End, Line: f.Line, Claims: claims(f.Outputs), Posted: posted}, nil
}

// Recorded records a whole run that the inventory accepted: opened, its charges, completed.
func Recorded(ctx context.Context, tx Tx, command string, posted lot.RunPosted, t Totals) (lot.RunCompleted, []lot.Event, error) {
	s, err := held(ctx, tx, posted.Run, command)
	if err != nil {
		return lot.RunCompleted{}, nil, err
	}
	s.end(posted, t)
	charges, err := tx.FinishRun(ctx, *s, posted, command)
	if err != nil {
		return lot.RunCompleted{}, nil, err
	}
	done, _ := s.Completed()
	events := append([]lot.Event{{Effective: s.Start, Body: s.Opened()}}, charge.Said(charges)...)
	return done, append(events, lot.Event{Effective: s.End, Body: done}), nil
}

// Undo takes back what a command has reserved, once the inventory has refused: a new run's code is free again, a run to be completed stays open,
// one to be corrected stays as it was.
func Undo(ctx context.Context, tx Tx, command string) error {
	runs, err := tx.HeldRuns(ctx, command)
	if err != nil {
		return err
	}
	for _, s := range runs {
		s.HeldBy = ""
		switch s.Phase {
		case Recording:
			s.Phase = Refused
		case Completing:
			s.Phase, s.End = Open, time.Time{}
		case Correcting:
			s.Phase = Complete
		}
		if err := tx.SaveRun(ctx, s); err != nil {
			return err
		}
	}
	return charge.Undo(ctx, tx, command)
}

// complete records the end of a run of which posted is the last posting.
func complete(ctx context.Context, tx Tx, s *State, posted lot.RunPosted, t Totals) (lot.RunCompleted, []lot.Event, error) {
	s.end(posted, t)
	if err := tx.SaveRun(ctx, *s, posted); err != nil {
		return lot.RunCompleted{}, nil, err
	}
	done, _ := s.Completed()
	return done, []lot.Event{{Effective: s.End, Body: done}}, nil
}

func (s *State) end(posted lot.RunPosted, t Totals) {
	s.Phase, s.HeldBy, s.Version, s.GainReason = Complete, "", posted.Version, posted.GainReason
	s.Input, s.Output = t.In, t.Out
}

// held is the run that a command has reserved. There is nobody else who could have changed it.
func held(ctx context.Context, tx Tx, id lot.RunID, command string) (*State, error) {
	s, err := tx.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	if s == nil || s.HeldBy != command {
		return nil, fault.Bug("run %s is not reserved by command %s any more", id, command)
	}
	return s, nil
}

// code is the run's code as given, which must not be misread, or the next one of ours that no run has: after a restore the count is behind, and
// the inventory may know of runs that are not known here.
func code(ctx context.Context, tx Tx, given lot.RunID, year int) (lot.RunID, error) {
	if given != "" {
		if _, err := lot.ParseID(string(given)); err != nil {
			return "", fmt.Errorf("run %s: %w", given, err)
		}
		return given, nil
	}
	for {
		n, err := tx.NextCode(ctx, year)
		if err != nil {
			return "", err
		}
		id, err := lot.NewCode(letter, year, n)
		if err != nil {
			return "", err
		}
		s, err := tx.Run(ctx, lot.RunID(id))
		if err != nil {
			return "", err
		}
		known, err := tx.Lines(ctx, lot.RunID(id), 1)
		if err != nil {
			return "", err
		}
		if s == nil && len(known.Inputs)+len(known.Outputs) == 0 {
			return lot.RunID(id), nil
		}
	}
}

func free(id lot.RunID, s *State) error {
	switch {
	case s == nil || s.Phase == Refused:
		return nil
	case s.Phase == Recording:
		return fault.Conflict("run_known", "run %s: another command is recording a run of this code", id)
	}
	return fault.Conflict("run_known", "run %s: there is one of this code already; to change it, correct it", id)
}

// add reserves a run's code; another command may have been first since free looked.
func add(ctx context.Context, tx Tx, s State, charges ...charge.State) error {
	taken, err := tx.AddRun(ctx, s, charges...)
	switch {
	case err != nil:
		return err
	case taken.Run:
		return fault.Conflict("run_known", "run %s: another command has just taken this code", s.Run)
	case taken.Charge != "":
		return charge.Known(taken.Charge)
	}
	return nil
}

func claims(outputs []Output) map[lot.ID]string {
	out := map[lot.ID]string{}
	for _, o := range outputs {
		if o.Claimant != "" {
			out[o.Lot] = o.Claimant
		}
	}
	return out
}

// ownerOf is whose the inputs are, as far as it is known here; the inventory sees to it that they are one owner's, and tells it.
func ownerOf(p lot.RunPosted, have Have) lot.PartyID {
	for _, in := range p.Inputs {
		if owner := have.Lots[in.Lot].Owner; owner != "" {
			return owner
		}
	}
	return ""
}
