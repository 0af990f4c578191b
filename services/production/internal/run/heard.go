package run

import (
	"context"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Heard takes note of a posting that the inventory tells of: whose the run is, and whether it says of the run what is held here. A difference is
// an error. A run that is not known here, or that waits for the answer to its own command, is passed over. Whose a run is comes out when goods
// go in, which may be after it was opened: then its opening is said once more, with the owner.
func Heard(ctx context.Context, tx Tx, p lot.RunPosted) ([]lot.Event, error) {
	s, err := tx.Run(ctx, p.Run)
	if err != nil || s == nil {
		return nil, err
	}
	var events []lot.Event
	if p.Version >= s.Version && s.Owner != p.Owner {
		s.Owner = p.Owner
		if err := tx.SaveRun(ctx, *s); err != nil {
			return nil, err
		}
		if s.Phase != Recording && s.Phase != Refused {
			events = append(events, lot.Event{Effective: s.Start, Body: s.Opened()})
		}
	}
	return events, compared(ctx, tx, p)
}

// compared refuses a posting whose lines differ from those held here under their numbers.
func compared(ctx context.Context, tx Tx, p lot.RunPosted) error {
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
	for _, in := range p.Inputs {
		if ours, ok := inputs[in.Line]; ok && (ours.Lot != in.Lot || ours.Quantity != in.Quantity) {
			return differs(p.Run, "input", in.Line)
		}
	}
	for _, out := range p.Outputs {
		if ours, ok := outputs[out.Line]; ok && (ours.Lot != out.Lot || ours.Quantity != out.Quantity || ours.Item != out.Item) {
			return differs(p.Run, "output", out.Line)
		}
	}
	return nil
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
		if s == nil || s.HeldBy == set.Correction {
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
		have, err := tx.Look(ctx, Want{Lots: lotsIn(p)})
		if err != nil {
			return nil, err
		}
		in, out, err := sums(p, have.Lots)
		if err != nil {
			return nil, err
		}
		s.Version, s.Owner, s.GainReason = p.Version, p.Owner, p.GainReason
		s.Input, s.Output = lot.Quantity(in), lot.Quantity(out)
		if err := tx.SaveRun(ctx, *s, p); err != nil {
			return nil, err
		}
		if done, ok := s.Completed(); ok {
			events = append(events, lot.Event{Effective: s.End, Body: lot.RunCorrected{Opened: s.Opened(), Completed: done, Reason: set.Reason}})
		}
	}
	return events, nil
}
