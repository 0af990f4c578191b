package run

import (
	"cmp"
	"context"

	"huskline/internal/lot"
)

// Reopened makes a run again that began in a part of the past that a restore had lost, or gives it its owner. What the inventory accepted of it
// may have been heard before.
func Reopened(ctx context.Context, tx OldTx, o lot.RunOpened) error {
	if err := tx.Told(ctx, o); err != nil {
		return err
	}
	s, err := tx.Run(ctx, o.Run)
	if err != nil {
		return err
	}
	begun := s == nil || s.Phase == Refused || s.Phase == Recording
	was := s
	if begun {
		lines, err := tx.Lines(ctx, o.Run, 1)
		if err != nil {
			return err
		}
		s = &State{Run: o.Run, Version: 1, Phase: Open, NextLine: lastLine(lines) + 1}
	}
	s.Stage, s.Line, s.Recipe, s.Owner, s.Start = o.Stage, o.Line, o.Recipe, o.Owner, o.Start
	if was == nil {
		return add(ctx, tx, *s)
	}
	return tx.SaveRun(ctx, *s)
}

// Reended ends a run again, whatever command held it at the earlier moment. A correction set may have been heard before: then it stands as the
// set says.
func Reended(ctx context.Context, tx OldTx, c lot.RunCompleted) error {
	s, err := tx.Run(ctx, c.Run)
	if err != nil {
		return err
	}
	if s == nil {
		return unknown(c.Run)
	}
	newest, err := tx.NewestVersion(ctx, c.Run)
	if err != nil {
		return err
	}
	if newest = max(newest, s.Version); c.Version == newest {
		s.again(c)
		return tx.SaveRun(ctx, *s)
	}
	p, err := tx.Lines(ctx, c.Run, newest)
	if err != nil {
		return err
	}
	have, err := tx.Look(ctx, Want{Items: itemsOut(p), At: c.End, Lots: lotsIn(p)})
	if err != nil {
		return err
	}
	in, out, err := sums(p, have)
	if err != nil {
		return err
	}
	c.Version, c.Input, c.Output = newest, lot.Quantity(in), lot.Quantity(out)
	if out > in {
		c.GainReason = cmp.Or(c.GainReason, s.GainReason, "as corrected")
	}
	s.again(c)
	return tx.SaveRun(ctx, *s)
}

// Recorrected puts a run right again, whatever command held it at the earlier moment.
func Recorrected(ctx context.Context, tx OldTx, c lot.RunCorrected) error {
	if err := tx.Told(ctx, c); err != nil {
		return err
	}
	s, err := tx.Run(ctx, c.Completed.Run)
	if err != nil {
		return err
	}
	if s == nil {
		return unknown(c.Completed.Run)
	}
	s.Stage, s.Line, s.Recipe, s.Start, s.End = c.Opened.Stage, c.Opened.Line, c.Opened.Recipe, c.Opened.Start, c.Completed.End
	if c.Completed.Version >= s.Version { // else a later set was heard before, which says the rest
		s.Owner = c.Opened.Owner
		s.again(c.Completed)
	}
	return tx.SaveRun(ctx, *s)
}

func (s *State) again(c lot.RunCompleted) {
	s.Version, s.End, s.Input, s.Output, s.GainReason = c.Version, c.End, c.Input, c.Output, c.GainReason
	s.Phase, s.HeldBy = Complete, ""
}
