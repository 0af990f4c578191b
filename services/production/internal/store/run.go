package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"huskline/internal/lot"
	"huskline/services/production/internal/charge"
	"huskline/services/production/internal/run"
)

const runColumns = `run, stage, line, recipe, owner, started, ended, version, phase, held_by, input, output, gain_reason, next_line`

func scanRun(row pgx.CollectableRow) (run.State, error) {
	var s run.State
	var ended *time.Time
	err := row.Scan(&s.Run, &s.Stage, &s.Line, &s.Recipe, &s.Owner, &s.Start, &ended, &s.Version, &s.Phase, &s.HeldBy, &s.Input, &s.Output,
		&s.GainReason, &s.NextLine)
	s.Start, s.End = s.Start.UTC(), orZero(ended)
	return s, err
}

const runSQL = `select ` + runColumns + ` from runs where run = $1 for update`

// Run finds a run and locks it; nil where there is none.
func (t Tx) Run(ctx context.Context, id lot.RunID) (*run.State, error) {
	rows, err := t.tx.Query(ctx, runSQL, id)
	if err != nil {
		return nil, fmt.Errorf("look up run %s: %w", id, err)
	}
	s, err := oneRun(rows)
	if err != nil {
		return nil, fmt.Errorf("look up run %s: %w", id, err)
	}
	return s, nil
}

func oneRun(rows pgx.Rows) (*run.State, error) {
	s, err := pgx.CollectExactlyOneRow(rows, scanRun)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	return &s, err
}

// HeldRuns finds the runs that a command has reserved, by code, and locks them.
func (t Tx) HeldRuns(ctx context.Context, command string) ([]run.State, error) {
	rows, err := t.tx.Query(ctx, `select `+runColumns+` from runs where held_by = $1 and held_by <> '' order by run for update`, command)
	if err != nil {
		return nil, fmt.Errorf("look up runs held by %s: %w", command, err)
	}
	return pgx.CollectRows(rows, scanRun)
}

// AddRun writes a new run with its charges; those that were refused make room for them. It tells what another has, also where it was reserved
// side by side.
func (t Tx) AddRun(ctx context.Context, s run.State, charges ...charge.State) (taken run.Taken, err error) {
	const sql = `insert into runs (` + runColumns + `) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
		on conflict (run) do update set stage = excluded.stage, line = excluded.line, recipe = excluded.recipe, owner = excluded.owner,
			started = excluded.started, ended = excluded.ended, version = excluded.version, phase = excluded.phase, held_by = excluded.held_by,
			input = excluded.input, output = excluded.output, gain_reason = excluded.gain_reason, next_line = excluded.next_line
		where runs.phase = 'refused'`
	b := &pgx.Batch{}
	b.Queue(sql, runValues(s)...).Exec(func(tag pgconn.CommandTag) error {
		taken.Run = tag.RowsAffected() == 0
		return nil
	})
	queueCharges(b, charges, &taken.Charge)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return run.Taken{}, fmt.Errorf("add run %s: %w", s.Run, err)
	}
	return taken, nil
}

// SaveRun writes a run that has changed, and adds lines of a posting to their version.
func (t Tx) SaveRun(ctx context.Context, s run.State, lines ...lot.RunPosted) error {
	b := &pgx.Batch{}
	queueRun(b, s, lines...)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("save run %s: %w", s.Run, err)
	}
	return nil
}

// FinishRun is SaveRun with the charges that a command has reserved, which are posted and listed by id.
func (t Tx) FinishRun(ctx context.Context, s run.State, p lot.RunPosted, command string) (posted []charge.State, err error) {
	b := &pgx.Batch{}
	queueRun(b, s, p)
	queueSettle(b, command, charge.Posted, &posted)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return nil, fmt.Errorf("finish run %s: %w", s.Run, err)
	}
	return posted, nil
}

func queueRun(b *pgx.Batch, s run.State, lines ...lot.RunPosted) {
	const sql = `update runs set stage = $2, line = $3, recipe = $4, owner = $5, started = $6, ended = $7, version = $8, phase = $9, held_by = $10,
		input = $11, output = $12, gain_reason = $13, next_line = $14 where run = $1`
	b.Queue(sql, runValues(s)...)
	for _, p := range lines {
		queueLines(b, p)
	}
}

func runValues(s run.State) []any {
	return []any{
		s.Run, s.Stage, s.Line, s.Recipe, s.Owner, s.Start, orNull(s.End), s.Version, s.Phase, s.HeldBy, s.Input, s.Output, s.GainReason, s.NextLine,
	}
}

// NextCode counts the runs of a year that were given a code here, from 0.
func (t Tx) NextCode(ctx context.Context, year int) (n int64, err error) {
	const sql = `insert into run_codes (year, next_n) values ($1, 1)
		on conflict (year) do update set next_n = run_codes.next_n + 1 returning next_n - 1`
	if err := t.tx.QueryRow(ctx, sql, year).Scan(&n); err != nil {
		return 0, fmt.Errorf("count runs of %d: %w", year, err)
	}
	return n, nil
}

// SaveLines adds lines of a posting to their version; lines that are there already stay.
func (t Tx) SaveLines(ctx context.Context, p lot.RunPosted) error {
	b := &pgx.Batch{}
	queueLines(b, p)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("save lines of run %s: %w", p.Run, err)
	}
	return nil
}

func queueLines(b *pgx.Batch, p lot.RunPosted) {
	const line = `insert into run_lines (run, version, is_output, line, lot, item, measure, quantity, role, place, happened, began, finished, moisture_ppm,
			container)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15) on conflict do nothing`
	const contribution = `insert into run_contributions (run, version, input, output, quantity) values ($1, $2, $3, $4, $5) on conflict do nothing`
	for _, in := range p.Inputs {
		b.Queue(line, p.Run, p.Version, false, in.Line, in.Lot, "", 0, in.Quantity, 0, in.Place, in.At, orNull(in.DumpedFrom), orNull(in.DumpedTo),
			in.MoisturePPM, in.Container)
	}
	for _, out := range p.Outputs {
		b.Queue(line, p.Run, p.Version, true, out.Line, out.Lot, out.Item, out.Measure, out.Quantity, out.Role, out.Place, out.At,
			orNull(out.FilledFrom), orNull(out.FilledTo), out.MoisturePPM, out.Container)
	}
	for _, c := range p.Contributions {
		b.Queue(contribution, p.Run, p.Version, c.Input, c.Output, c.Quantity)
	}
}

// Lines is what a version of a run took in and gave so far.
func (t Tx) Lines(ctx context.Context, id lot.RunID, version int64) (lot.RunPosted, error) {
	return lines(ctx, t.tx, id, version)
}

// NewestVersion is the highest version of which the inventory has accepted lines; 0 where there are none.
func (t Tx) NewestVersion(ctx context.Context, id lot.RunID) (version int64, err error) {
	const sql = `select coalesce(max(version), 0) from run_lines where run = $1`
	if err := t.tx.QueryRow(ctx, sql, id).Scan(&version); err != nil {
		return 0, fmt.Errorf("look up versions of run %s: %w", id, err)
	}
	return version, nil
}

func lines(ctx context.Context, tx pgx.Tx, id lot.RunID, version int64) (lot.RunPosted, error) {
	p := lot.RunPosted{Run: id, Version: version}
	const sql = `select is_output, line, lot, item, measure, quantity, role, place, happened, began, finished, moisture_ppm, container
		from run_lines where run = $1 and version = $2 order by is_output, line`
	const contributions = `select input, output, quantity from run_contributions where run = $1 and version = $2 order by input, output`
	b := &pgx.Batch{}
	b.Queue(sql, id, version).Query(func(rows pgx.Rows) error { return readLines(rows, &p) })
	b.Queue(contributions, id, version).Query(func(rows pgx.Rows) (err error) {
		p.Contributions, err = pgx.CollectRows(rows, pgx.RowToStructByPos[lot.Contribution])
		return err
	})
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return p, fmt.Errorf("look up lines of run %s: %w", id, err)
	}
	return p, nil
}

func readLines(rows pgx.Rows, p *lot.RunPosted) error {
	var out lot.RunOutput
	var isOutput bool
	var began, finished *time.Time
	fields := []any{
		&isOutput, &out.Line, &out.Lot, &out.Item, &out.Measure, &out.Quantity, &out.Role, &out.Place, &out.At, &began, &finished, &out.MoisturePPM,
		&out.Container,
	}
	_, err := pgx.ForEachRow(rows, fields, func() error {
		out.At, out.FilledFrom, out.FilledTo = out.At.UTC(), orZero(began), orZero(finished)
		if isOutput {
			p.Outputs = append(p.Outputs, out)
			return nil
		}
		p.Inputs = append(p.Inputs, lot.RunInput{
			Line: out.Line, Lot: out.Lot, Quantity: out.Quantity, Place: out.Place, At: out.At, DumpedFrom: out.FilledFrom, DumpedTo: out.FilledTo,
			MoisturePPM: out.MoisturePPM, Container: out.Container,
		})
		return nil
	})
	return err
}
