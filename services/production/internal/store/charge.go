package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/seal"
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

// addCharges writes charges, each id once, also in the place of those of the same id, under the condition that may follow it.
var addCharges = seal.Insert("charges", chargeColumns,
	`select c, k, h, r, a, s, b, e, p, y, u.runs::text[] from unnest($1::text[], $2::smallint[], $3::bigint[], $4::bigint[], $5::bigint[], $6::text[],
		$7::text[], $8::timestamptz[], $9::text[], $10::text[], $11::text[]) as u(c, k, h, r, a, s, b, e, p, y, runs)`) + `
	on conflict (charge) do update set kind = excluded.kind, hours_millionths = excluded.hours_millionths, rate = excluded.rate,
		amount = excluded.amount, replaces = excluded.replaces, replaced_by = excluded.replaced_by, effective = excluded.effective,
		phase = excluded.phase, held_by = excluded.held_by, runs = excluded.runs, seal = excluded.seal`

// chargeValues are the columns of charges.
func chargeValues(states ...charge.State) []any {
	var ids, replaces, replacedBy, phases, heldBy, runs []string
	var kinds []int16
	var hours, rates, amounts []int64
	var effective []time.Time
	for _, s := range states {
		ids, kinds, hours = append(ids, s.Charge), append(kinds, int16(s.ChargeKind)), append(hours, int64(s.HoursMillionths))
		rates, amounts, replaces = append(rates, int64(s.Rate)), append(amounts, int64(s.Amount)), append(replaces, s.Replaces)
		replacedBy, effective, phases = append(replacedBy, s.ReplacedBy), append(effective, s.Effective), append(phases, string(s.Phase))
		heldBy, runs = append(heldBy, s.HeldBy), append(runs, postgres.TextArray(s.Runs))
	}
	return []any{ids, kinds, hours, rates, amounts, replaces, replacedBy, effective, phases, heldBy, runs}
}

// AddCharges writes new charges; those that were refused make room for them. It names the first whose id another has.
func (t Tx) AddCharges(ctx context.Context, states ...charge.State) (taken string, err error) {
	if len(states) == 0 {
		return "", nil
	}
	b := &pgx.Batch{}
	queueCharges(b, states, &taken)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return "", fmt.Errorf("add charges: %w", err)
	}
	return taken, nil
}

// queueCharges writes charges of which no id stands there already or comes twice, and names the first that does.
func queueCharges(b *pgx.Batch, states []charge.State, taken *string) {
	if len(states) == 0 {
		return
	}
	var once []charge.State
	for _, s := range states {
		if !slices.ContainsFunc(once, func(o charge.State) bool { return o.Charge == s.Charge }) {
			once = append(once, s)
		}
	}
	const sql = ` where charges.phase = 'refused' returning charge`
	b.Queue(addCharges+sql, chargeValues(once...)...).Query(func(rows pgx.Rows) error {
		written, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			return err
		}
		for _, s := range states {
			i := slices.Index(written, s.Charge)
			if i < 0 {
				*taken = s.Charge
				return nil
			}
			written = slices.Delete(written, i, i+1)
		}
		return nil
	})
}

// PutCharge writes a charge, in the place of one of its id too.
func (t Tx) PutCharge(ctx context.Context, s charge.State) error {
	if _, err := t.tx.Exec(ctx, addCharges, chargeValues(s)...); err != nil {
		return fmt.Errorf("put charge %s: %w", s.Charge, err)
	}
	return nil
}

var replaceCharge = `update charges set replaced_by = $2, seal = ` +
	seal.Of("charge, kind, hours_millionths, rate, amount, replaces, $2::text, effective, phase, held_by, runs") + ` where charge = $1`

// SaveCharge writes what stands in place of a charge; the rest of it never changes.
func (t Tx) SaveCharge(ctx context.Context, s charge.State) error {
	if _, err := t.tx.Exec(ctx, replaceCharge, s.Charge, s.ReplacedBy); err != nil {
		return fmt.Errorf("save charge %s: %w", s.Charge, err)
	}
	return nil
}

// ChargesOf lists the posted charges that name a run, by id.
func (t Tx) ChargesOf(ctx context.Context, id lot.RunID) ([]charge.State, error) {
	return charges(ctx, t.tx, "charges of run",
		`select `+chargeColumns+` from charges where runs @> array[$1]::text[] and phase = 'posted' order by charge`, id)
}

var settleSQL = `update charges set phase = $2, seal = ` +
	seal.Of("charge, kind, hours_millionths, rate, amount, replaces, replaced_by, effective, $2::text, held_by, runs") + ` where held_by = $1 and phase = 'reserved' returning ` + chargeColumns

// Settle moves the charges that a command has reserved to another phase, and lists them by id.
func (t Tx) Settle(ctx context.Context, command string, to charge.Phase) (list []charge.State, err error) {
	b := &pgx.Batch{}
	queueSettle(b, command, to, &list)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return nil, fmt.Errorf("settle charges of command %s: %w", command, err)
	}
	return list, nil
}

func queueSettle(b *pgx.Batch, command string, to charge.Phase, into *[]charge.State) {
	b.Queue(settleSQL, command, to).Query(func(rows pgx.Rows) error {
		list, err := pgx.CollectRows(rows, scanCharge)
		slices.SortFunc(list, func(a, b charge.State) int { return cmp.Compare(a.Charge, b.Charge) })
		*into = list
		return err
	})
}
