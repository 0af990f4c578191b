package run

import (
	"context"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Heard takes note of a posting that the inventory tells of: what was accepted, whose the run is, and whether it says of the run what is held
// here. A difference is an error. Of a run that is not known here, or that waits for the answer to its own command, what was accepted is kept.
// Whose a run is comes out when goods go in, which may be after it was opened: then its opening is said once more, with the owner.
func Heard(ctx context.Context, tx Tx, p lot.RunPosted) ([]lot.Event, error) {
	s, err := tx.Run(ctx, p.Run)
	if err != nil {
		return nil, err
	}
	if err := accepted(ctx, tx, p); err != nil || s == nil {
		return nil, err
	}
	next := max(s.NextLine, lastLine(p)+1)
	if s.Phase != Open {
		next = s.NextLine
	}
	if (p.Version < s.Version || s.Owner == p.Owner) && next == s.NextLine {
		return nil, nil
	}
	var events []lot.Event
	owner := s.Owner
	if p.Version >= s.Version {
		s.Owner = p.Owner
	}
	s.NextLine = next
	if s.Owner != owner && s.Phase != Recording && s.Phase != Refused {
		events = append(events, lot.Event{Effective: s.Start, Body: s.Opened()})
	}
	return events, tx.SaveRun(ctx, *s)
}

// accepted keeps the lines of a posting, and refuses it where they differ from those held here under their numbers.
func accepted(ctx context.Context, tx Tx, p lot.RunPosted) error {
	held, err := tx.Lines(ctx, p.Run, p.Version)
	if err != nil {
		return err
	}
	inputs, outputs := map[int64]lot.RunInput{}, map[int64]lot.RunOutput{}
	for _, in := range held.Inputs {
		inputs[in.Line] = in
	}
	for _, out := range held.Outputs {
		outputs[out.Line] = out
	}
	all := len(held.Contributions) >= len(p.Contributions)
	for _, in := range p.Inputs {
		ours, ok := inputs[in.Line]
		if ok && (ours.Lot != in.Lot || ours.Quantity != in.Quantity) {
			return differs(p.Run, "input", in.Line)
		}
		all = all && ok
	}
	for _, out := range p.Outputs {
		ours, ok := outputs[out.Line]
		if ok && (ours.Lot != out.Lot || ours.Quantity != out.Quantity || ours.Item != out.Item) {
			return differs(p.Run, "output", out.Line)
		}
		all = all && ok
	}
	if all {
		return nil
	}
	return tx.SaveLines(ctx, p)
}

func lastLine(p lot.RunPosted) (last int64) {
	for _, in := range p.Inputs {
		last = max(last, in.Line)
	}
	for _, out := range p.Outputs {
		last = max(last, out.Line)
	}
	return last
}

func differs(id lot.RunID, side string, line int64) error {
	return fault.Conflict("run_differs", "run %s, %s %d: the inventory tells another than was asked of it", id, side, line)
}

// SetHeard writes the new versions of runs that were corrected with something that another service owns, and says them. It cannot refuse: the
// inventory has accepted the set. A set of our own is left to its command, which waits for the answer.
func SetHeard(ctx context.Context, tx Tx, set lot.Corrected) ([]lot.Event, error) {
	var events []lot.Event
	for _, p := range set.Runs {
		s, err := tx.Run(ctx, p.Run)
		if err != nil {
			return nil, err
		}
		if s != nil && s.HeldBy == set.Correction {
			continue
		}
		if s == nil {
			if err := accepted(ctx, tx, p); err != nil {
				return nil, err
			}
			continue
		}
		if p.Version <= s.Version {
			said, err := Heard(ctx, tx, p)
			if err != nil {
				return nil, err
			}
			events = append(events, said...)
			continue
		}
		said, err := newVersion(ctx, tx, s, p, set.Reason)
		if err != nil {
			return nil, err
		}
		events = append(events, said...)
	}
	return events, nil
}

// newVersion writes a run as it stands in a set.
func newVersion(ctx context.Context, tx Tx, s *State, p lot.RunPosted, reason string) ([]lot.Event, error) {
	have, err := tx.Look(ctx, Want{Items: itemsOut(p), At: s.End, Lots: lotsIn(p)})
	if err != nil {
		return nil, err
	}
	in, out, err := sums(p, have)
	if err != nil {
		return nil, err
	}
	s.Version, s.Owner, s.GainReason = p.Version, p.Owner, p.GainReason
	s.Input, s.Output = lot.Quantity(in), lot.Quantity(out)
	if err := tx.SaveRun(ctx, *s, p); err != nil {
		return nil, err
	}
	done, ok := s.Completed()
	if !ok {
		return nil, nil
	}
	return []lot.Event{{Effective: s.End, Body: lot.RunCorrected{Opened: s.Opened(), Completed: done, Reason: reason}}}, nil
}
