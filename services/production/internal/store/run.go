package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"huskline/internal/lot"
	"huskline/internal/seal"
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

// typedRun are the values of runColumns, each with its column's type.
const typedRun = `$1::text, $2::text, $3::text, $4::text, $5::text, $6::timestamptz, $7::timestamptz, $8::bigint, $9::text, $10::text, $11::bigint,
	$12::bigint, $13::text, $14::bigint`

var saveRun = `update runs set stage = $2, line = $3, recipe = $4, owner = $5, started = $6, ended = $7, version = $8, phase = $9, held_by = $10,
	input = $11, output = $12, gain_reason = $13, next_line = $14, seal = ` + seal.Of(typedRun) + ` where run = $1`

var addRun = seal.Insert("runs", runColumns, "select "+typedRun) + `
	on conflict (run) do update set stage = excluded.stage, line = excluded.line, recipe = excluded.recipe, owner = excluded.owner,
		started = excluded.started, ended = excluded.ended, version = excluded.version, phase = excluded.phase, held_by = excluded.held_by,
		input = excluded.input, output = excluded.output, gain_reason = excluded.gain_reason, next_line = excluded.next_line, seal = excluded.seal
	where runs.phase = 'refused'`

// AddRun writes a new run with its charges; those that were refused make room for them. It tells what another has, also where it was reserved
// side by side.
func (t Tx) AddRun(ctx context.Context, s run.State, charges ...charge.State) (taken run.Taken, err error) {
	b := &pgx.Batch{}
	b.Queue(addRun, runValues(s)...).Exec(func(tag pgconn.CommandTag) error {
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
	b.Queue(saveRun, runValues(s)...)
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

var (
	addLines = seal.Insert("run_lines",
		"run, version, is_output, line, lot, item, measure, quantity, role, place, happened, began, finished, moisture_ppm, container",
		`select $1::text, $2::bigint, u.* from unnest($3::boolean[], $4::bigint[], $5::text[], $6::text[], $7::smallint[], $8::bigint[], $9::smallint[],
			$10::text[], $11::timestamptz[], $12::timestamptz[], $13::timestamptz[], $14::bigint[], $15::text[]) as u`) + ` on conflict do nothing`
	addContributions = seal.Insert("run_contributions", "run, version, input, output, quantity",
		`select $1::text, $2::bigint, u.* from unnest($3::text[], $4::text[], $5::bigint[]) as u`) + ` on conflict do nothing`
)

// lineColumns are the columns of run_lines, for one statement.
type lineColumns struct {
	isOutput                    []bool
	line, quantity, moisture    []int64
	lot, item, place, container []string
	measure, role               []int16
	happened                    []time.Time
	began, finished             []*time.Time
}

func (c *lineColumns) add(isOutput bool, l lot.RunOutput) {
	c.isOutput, c.line, c.lot, c.item = append(c.isOutput, isOutput), append(c.line, l.Line), append(c.lot, string(l.Lot)), append(c.item, string(l.Item))
	c.measure, c.quantity, c.role = append(c.measure, int16(l.Measure)), append(c.quantity, int64(l.Quantity)), append(c.role, int16(l.Role))
	c.place, c.happened, c.began = append(c.place, string(l.Place)), append(c.happened, l.At), append(c.began, orNull(l.FilledFrom))
	c.finished, c.moisture = append(c.finished, orNull(l.FilledTo)), append(c.moisture, int64(l.MoisturePPM))
	c.container = append(c.container, l.Container)
}

func queueLines(b *pgx.Batch, p lot.RunPosted) {
	var c lineColumns
	for _, in := range p.Inputs {
		c.add(false, lot.RunOutput{
			Line: in.Line, Lot: in.Lot, Quantity: in.Quantity, Place: in.Place, At: in.At, FilledFrom: in.DumpedFrom, FilledTo: in.DumpedTo,
			MoisturePPM: in.MoisturePPM, Container: in.Container,
		})
	}
	for _, out := range p.Outputs {
		c.add(true, out)
	}
	if len(c.line) > 0 {
		b.Queue(addLines, p.Run, p.Version, c.isOutput, c.line, c.lot, c.item, c.measure, c.quantity, c.role, c.place, c.happened, c.began, c.finished,
			c.moisture, c.container)
	}
	var inputs, outputs []string
	var quantities []int64
	for _, of := range p.Contributions {
		inputs, outputs, quantities = append(inputs, string(of.Input)), append(outputs, string(of.Output)), append(quantities, int64(of.Quantity))
	}
	if len(inputs) > 0 {
		b.Queue(addContributions, p.Run, p.Version, inputs, outputs, quantities)
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
