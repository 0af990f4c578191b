package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/stage"
)

// Reads answers from the tables, each time of one moment. It is safe for concurrent use.
type Reads struct{ db *postgres.DB }

// NewReads reads a database.
func NewReads(db *postgres.DB) *Reads { return &Reads{db: db} }

// Stages lists stages by code after one, at most limit.
func (r *Reads) Stages(ctx context.Context, after string, limit int) (list []stage.Stage, err error) {
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select stage, name from stages where stage > $1 order by stage limit $2`, after, limit)
		if err != nil {
			return fmt.Errorf("list stages: %w", err)
		}
		list, err = pgx.CollectRows(rows, pgx.RowToStructByPos[stage.Stage])
		return err
	})
	return list, err
}

// Run shows a run that was opened or recorded.
func (r *Reads) Run(ctx context.Context, id lot.RunID) (run.View, error) {
	const sql = `select ` + runColumns + ` from runs where run = $1 and phase not in ('recording', 'refused')`
	list, err := r.runs(ctx, sql, id)
	if err != nil {
		return run.View{}, err
	}
	if len(list) == 0 {
		return run.View{}, fault.NotFound("run_unknown", "run %s: there is none of this code", id)
	}
	return list[0], nil
}

// Runs lists runs by code after one, at most limit.
func (r *Reads) Runs(ctx context.Context, openOnly bool, after lot.RunID, limit int) ([]run.View, error) {
	const sql = `select ` + runColumns + ` from runs
		where run > $1 and phase not in ('recording', 'refused') and (not $2 or phase in ('open', 'completing')) order by run limit $3`
	return r.runs(ctx, sql, after, openOnly, limit)
}

func (r *Reads) runs(ctx context.Context, sql string, args ...any) (views []run.View, err error) {
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		views = nil
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return fmt.Errorf("list runs: %w", err)
		}
		states, err := pgx.CollectRows(rows, scanRun)
		if err != nil {
			return fmt.Errorf("list runs: %w", err)
		}
		for _, s := range states {
			v := run.View{State: s}
			if v.Lines, err = lines(ctx, tx, s.Run, s.Version); err != nil {
				return err
			}
			if v.Charges, err = New(tx, s.Start).ChargesOf(ctx, s.Run); err != nil {
				return err
			}
			views = append(views, v)
		}
		return nil
	})
	return views, err
}
