package scales

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/services/intake/internal/check"
	"huskline/services/intake/internal/scale"
)

// Reader reads outside commands, each answer of one moment.
type Reader struct {
	db  *postgres.DB
	now func() time.Time
}

// NewReader makes a reader.
func NewReader(db *postgres.DB, now func() time.Time) *Reader { return &Reader{db, now} }

func read[A any](ctx context.Context, r *Reader, fn func(ctx context.Context, tx *Part) (A, error)) (answer A, err error) {
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		answer, err = fn(ctx, New(tx, r.now().UTC()))
		return err
	})
	return answer, err
}

// ScaleStates lists scales by code after one, at most limit.
func (r *Reader) ScaleStates(ctx context.Context, after string, limit int) ([]scale.State, error) {
	return read(ctx, r, func(ctx context.Context, tx *Part) ([]scale.State, error) { return tx.ScaleStates(ctx, after, limit) })
}

// registered refuses a scale that is not registered.
func (t *Part) registered(ctx context.Context, code string) error {
	var there bool
	if err := t.tx.QueryRow(ctx, `select exists (select from scales where scale = $1)`, code).Scan(&there); err != nil {
		return fmt.Errorf("look for scale %s: %w", code, err)
	}
	if !there {
		return fault.NotFound("scale_unknown", "scale %s: it is not registered", code)
	}
	return nil
}

// Checks lists checks, the last recorded first, only of a scale where one is given, before one (0: from the newest), at most limit.
func (r *Reader) Checks(ctx context.Context, code string, before int64, limit int) ([]check.Judged, error) {
	return read(ctx, r, func(ctx context.Context, tx *Part) ([]check.Judged, error) {
		rows, err := tx.Checks(ctx, code, before, limit)
		if err != nil || len(rows) > 0 || code == "" {
			return rows, err
		}
		return nil, tx.registered(ctx, code)
	})
}

// Proposals lists proposals, the last raised first, before one (0: from the newest), at most limit.
func (r *Reader) Proposals(ctx context.Context, openOnly bool, before int64, limit int) ([]check.Proposal, error) {
	return read(ctx, r, func(ctx context.Context, tx *Part) ([]check.Proposal, error) {
		return tx.Proposals(ctx, openOnly, before, limit)
	})
}

// ProposalDeliveries lists the deliveries that a proposal names by lot code after one, at most limit.
func (r *Reader) ProposalDeliveries(ctx context.Context, id, after string, limit int) ([]check.Delivery, error) {
	return read(ctx, r, func(ctx context.Context, tx *Part) ([]check.Delivery, error) {
		return tx.ProposalDeliveries(ctx, id, after, limit)
	})
}

// ProposalReadings lists the readings that a proposal names as ranges after a number, at most limit.
func (r *Reader) ProposalReadings(ctx context.Context, id string, after int64, limit int) ([]lot.SequenceRange, error) {
	return read(ctx, r, func(ctx context.Context, tx *Part) ([]lot.SequenceRange, error) {
		return tx.ProposalReadings(ctx, id, after, limit)
	})
}
