package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/services/production/internal/charge"
)

const chargeColumns = `charge, kind, hours_millionths, rate, amount, replaces, replaced_by, effective, phase, held_by, runs`

func scanCharge(row pgx.CollectableRow) (charge.State, error) {
	var s charge.State
	var runs []string
	err := row.Scan(&s.Charge, &s.ChargeKind, &s.HoursMillionths, &s.Rate, &s.Amount, &s.Replaces, &s.ReplacedBy, &s.Effective, &s.Phase, &s.HeldBy, &runs)
	for _, id := range runs {
		s.Runs = append(s.Runs, lot.RunID(id))
	}
	s.Effective = s.Effective.UTC()
	return s, err
}

func charges(ctx context.Context, tx pgx.Tx, what, sql string, arg any) ([]charge.State, error) {
	rows, err := tx.Query(ctx, sql, arg)
	if err != nil {
		return nil, fmt.Errorf("look up %s %v: %w", what, arg, err)
	}
	list, err := pgx.CollectRows(rows, scanCharge)
	if err != nil {
		return nil, fmt.Errorf("look up %s %v: %w", what, arg, err)
	}
	return list, nil
}

// Charge finds a charge and locks it; nil where there is none.
func (t Tx) Charge(ctx context.Context, id string) (*charge.State, error) {
	list, err := charges(ctx, t.tx, "charge", `select `+chargeColumns+` from charges where charge = $1 for update`, id)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	return &list[0], nil
}

// AddCharge writes a new charge; one that was refused makes room for it. False: another has the id.
func (t Tx) AddCharge(ctx context.Context, s charge.State) (bool, error) {
	const sql = `insert into charges (` + chargeColumns + `) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)
		on conflict (charge) do update set kind = excluded.kind, hours_millionths = excluded.hours_millionths, rate = excluded.rate,
			amount = excluded.amount, replaces = excluded.replaces, replaced_by = excluded.replaced_by, effective = excluded.effective,
			phase = excluded.phase, held_by = excluded.held_by, runs = excluded.runs
		where charges.phase = 'refused'`
	tag, err := t.tx.Exec(ctx, sql, s.Charge, s.ChargeKind, s.HoursMillionths, s.Rate, s.Amount, s.Replaces, s.ReplacedBy, s.Effective, s.Phase,
		s.HeldBy, texts(s.Runs))
	if err != nil {
		return false, fmt.Errorf("add charge %s: %w", s.Charge, err)
	}
	return tag.RowsAffected() == 1, nil
}

// SaveCharge writes how far a charge has come and what stands in place of it; the rest of it never changes.
func (t Tx) SaveCharge(ctx context.Context, s charge.State) error {
	if _, err := t.tx.Exec(ctx, `update charges set phase = $2, replaced_by = $3 where charge = $1`, s.Charge, s.Phase, s.ReplacedBy); err != nil {
		return fmt.Errorf("save charge %s: %w", s.Charge, err)
	}
	return nil
}

// ChargesOf lists the posted charges that name a run, by id.
func (t Tx) ChargesOf(ctx context.Context, id lot.RunID) ([]charge.State, error) {
	return charges(ctx, t.tx, "charges of run",
		`select `+chargeColumns+` from charges where runs @> array[$1]::text[] and phase = 'posted' order by charge`, id)
}

// ReservedBy lists the charges that a command has reserved, by id.
func (t Tx) ReservedBy(ctx context.Context, command string) ([]charge.State, error) {
	return charges(ctx, t.tx, "charges reserved by command",
		`select `+chargeColumns+` from charges where held_by = $1 and phase = 'reserved' order by charge`, command)
}
