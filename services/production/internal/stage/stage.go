// Package stage is what is done to lots in a run: clean, shell, sort and so on. A stage is data: a plant adds its own.
package stage

import (
	"context"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Stage is one of them.
type Stage struct {
	Code string // as runs name it: "clean"
	Name string // for people; empty: the code
}

// Tx is what registering needs of a transaction.
type Tx interface {
	SaveStage(ctx context.Context, s Stage) error
}

// OldTx is what a stage that was registered in a lost part of the past needs of a transaction.
type OldTx interface {
	Tx
	// KeepStage adds a stage under its code, unless it is there.
	KeepStage(ctx context.Context, code string) error
}

// Register adds a stage or changes it. Other services have no use for stages, so it says no event.
func Register(ctx context.Context, tx Tx, s Stage) ([]lot.Event, error) {
	if s.Code == "" {
		return nil, fault.Invalid("stage_missing", "a stage needs a code")
	}
	if s.Name == "" {
		s.Name = s.Code
	}
	return nil, tx.SaveStage(ctx, s)
}
