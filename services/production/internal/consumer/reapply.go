package consumer

import (
	"context"

	"huskline/internal/lot"
	"huskline/services/production/internal/charge"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/stage"
)

// OwnTx is what an own event that was taken back needs of a transaction.
type OwnTx interface {
	run.OldTx
	charge.OldTx
	stage.OldTx
}

// Reapply makes the effect of an own event again, after the database went back to an earlier moment. Its own rules are not asked: it was
// accepted. The lines of runs are in what the inventory tells. What no event tells is that of the earlier moment: stages that no run was at,
// the names of stages.
func Reapply(ctx context.Context, tx OwnTx, e lot.Recorded) error {
	switch b := e.Body.(type) {
	case lot.RunOpened:
		if err := tx.KeepStage(ctx, b.Stage); err != nil {
			return err
		}
		return run.Reopened(ctx, tx, b)
	case lot.RunCompleted:
		return run.Reended(ctx, tx, b)
	case lot.RunCorrected:
		if err := tx.KeepStage(ctx, b.Opened.Stage); err != nil {
			return err
		}
		return run.Recorrected(ctx, tx, b)
	case lot.ChargePosted:
		return charge.Retold(ctx, tx, e.Effective, b)
	}
	return nil
}
