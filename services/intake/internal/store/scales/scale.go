// Package scales keeps the tables of scales, of their checks with test weights, and of what few readings have: a part of the store.
package scales

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"huskline/internal/weight"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/internal/weighing"
)

// Part is one transaction as far as scales go.
type Part struct {
	tx pgx.Tx
	at time.Time
}

// New wraps a transaction; at is the one time of recording of all its rows.
func New(tx pgx.Tx, at time.Time) *Part { return &Part{tx, at} }

// Named finds scales by code, as a domain needs them.
func (t *Part) Named(ctx context.Context, codes []string) (map[string]scale.Scale, error) {
	found, err := t.Find(ctx, codes)
	named := make(map[string]scale.Scale, len(found))
	for code, k := range found {
		named[code] = k.Scale
	}
	return named, err
}

// send runs a batch in one round trip.
func (t *Part) send(ctx context.Context, what string, b *pgx.Batch) error {
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// maybe is a time as the driver takes it: null where it is zero.
func maybe(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// given is a time as the driver gave it: zero where it was null.
func given(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

// SaveScale adds a version of a scale, which stands from now on. Whether its latest check failed stays as it is.
func (t *Part) SaveScale(ctx context.Context, s scale.Scale) error {
	const save = `with s as (insert into scales (scale, version, class, capacity, division, place, in_service, sealed, unit, range_tops, range_divisions,
				minimum, hour_days, hour_opens, hour_closes, zone, silence, out_since)
			values ($1, 1, $2, $3, $4, $5, $6, $7, $9, $10, $11, $12, $13, $14, $15, $16, $17, case when not $6 then $8::timestamptz end)
			on conflict (scale) do update set version = scales.version + 1, class = excluded.class,
			capacity = excluded.capacity, division = excluded.division, place = excluded.place, in_service = excluded.in_service,
			sealed = excluded.sealed, unit = excluded.unit, range_tops = excluded.range_tops, range_divisions = excluded.range_divisions,
			minimum = excluded.minimum, hour_days = excluded.hour_days, hour_opens = excluded.hour_opens, hour_closes = excluded.hour_closes,
			zone = excluded.zone, silence = excluded.silence,
			out_since = case when excluded.in_service then null when scales.in_service then excluded.out_since else scales.out_since end
			returning scale_id, version, failed_check),
		f as (insert into scale_feeds (scale_id, watermark, lines, stored, conflicts) select scale_id, 0, 0, 0, 0 from s on conflict do nothing)
		insert into scale_versions (scale_id, version, class, capacity, division, place, in_service, sealed, recorded, unit, range_tops, range_divisions,
			minimum, hour_days, hour_opens, hour_closes, zone, silence, failed_check)
		select scale_id, version, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, failed_check from s`
	c := scaleColumnsOf(s)
	_, err := t.tx.Exec(ctx, save, s.Code, s.Class, int64(s.Capacity), int64(s.Division), s.Place, s.InService, maybe(s.Sealed), t.at, string(s.Unit),
		c.tops, c.divisions, int64(s.Minimum), c.days, c.opens, c.closes, s.Zone, int64(s.Silence/time.Second))
	if err != nil {
		return fmt.Errorf("save scale %s: %w", s.Code, err)
	}
	return nil
}

// ScaleFailed tells whether the latest check of a scale failed, and locks the scale until the end of the transaction.
func (t *Part) ScaleFailed(ctx context.Context, code string) (failed bool, err error) {
	err = t.tx.QueryRow(ctx, `select failed_check <> '' from scales where scale = $1 for update`, code).Scan(&failed)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return false, fmt.Errorf("look at scale %s: %w", code, err)
	}
	return failed, nil
}

// scaleColumns is what the driver gives and takes of a scale in other types than its own.
type scaleColumns struct {
	unit                string
	tops, divisions     []int64
	days, opens, closes []int16
	silence             int64
	sealed, outSince    *time.Time
	failedCheck         string
}

func scaleColumnsOf(s scale.Scale) scaleColumns {
	c := scaleColumns{tops: []int64{}, divisions: []int64{}, days: []int16{}, opens: []int16{}, closes: []int16{}}
	for _, r := range s.Ranges {
		c.tops, c.divisions = append(c.tops, int64(r.Top)), append(c.divisions, int64(r.Division))
	}
	for _, h := range s.Hours {
		c.days = append(c.days, int16(h.Day))
		c.opens, c.closes = append(c.opens, int16(h.Opens/time.Minute)), append(c.closes, int16(h.Closes/time.Minute))
	}
	return c
}

// columnsOfScale are the columns that into reads, in its order; s is the table.
const columnsOfScale = `s.scale, s.class, s.capacity, s.division, s.place, s.in_service, s.sealed, s.unit, s.range_tops, s.range_divisions, s.minimum,
	s.hour_days, s.hour_opens, s.hour_closes, s.zone, s.silence, s.out_since, s.failed_check`

// into is where the columns of a scale are read to, in the order of columnsOfScale; give fills in the rest.
func (c *scaleColumns) into(s *scale.Scale) []any {
	return []any{
		&s.Code, &s.Class, &s.Capacity, &s.Division, &s.Place, &s.InService, &c.sealed, &c.unit, &c.tops, &c.divisions, &s.Minimum,
		&c.days, &c.opens, &c.closes, &s.Zone, &c.silence, &c.outSince, &c.failedCheck,
	}
}

func (c *scaleColumns) give(s *scale.Scale) {
	s.Sealed, s.OutSince, s.Failed, s.Unit = given(c.sealed), given(c.outSince), c.failedCheck != "", weight.Unit(c.unit)
	s.Silence, s.Ranges, s.Hours = time.Duration(c.silence)*time.Second, nil, nil
	for i, top := range c.tops {
		s.Ranges = append(s.Ranges, scale.Range{Top: weight.Mass(top), Division: weight.Mass(c.divisions[i])})
	}
	for i, day := range c.days {
		s.Hours = append(s.Hours, scale.Hours{
			Day: time.Weekday(day), Opens: time.Duration(c.opens[i]) * time.Minute, Closes: time.Duration(c.closes[i]) * time.Minute,
		})
	}
}

// ScaleStates lists scales by code after one, with the state of their feeds, at most limit.
func (t *Part) ScaleStates(ctx context.Context, after string, limit int) ([]scale.State, error) {
	const list = `select ` + columnsOfScale + `, f.watermark, f.stored, f.conflicts, f.highest, f.newest, f.heard, f.late_micros, f.offset_micros, f.refused,
			f.hour, f.in_hour, f.hour_before, x.times, x.sequences, x.reasons, x.messages
		from scales s join scale_feeds f using (scale_id) left join scale_faults x using (scale_id) where s.scale > $1 order by s.scale limit $2`
	rows, err := t.tx.Query(ctx, list, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list scales: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (s scale.State, err error) {
		var c scaleColumns
		var h healthColumns
		err = row.Scan(append(append(c.into(&s.Scale), &s.Watermark, &s.Stored, &s.Conflicts), h.into(&s.Health)...)...)
		c.give(&s.Scale)
		h.give(&s.Health)
		return s, err
	})
}

// Find finds scales by code; those not known are left out.
func (t *Part) Find(ctx context.Context, codes []string) (map[string]weighing.Known, error) {
	const find = `select ` + columnsOfScale + `, s.scale_id from scales s where s.scale = any($1)`
	found := make(map[string]weighing.Known, len(codes))
	rows, err := t.tx.Query(ctx, find, codes)
	if err != nil {
		return nil, fmt.Errorf("find scales: %w", err)
	}
	known, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (k weighing.Known, err error) {
		var c scaleColumns
		err = row.Scan(append(c.into(&k.Scale), &k.ID)...)
		c.give(&k.Scale)
		return k, err
	})
	if err != nil {
		return nil, fmt.Errorf("find scales: %w", err)
	}
	for _, k := range known {
		found[k.Code] = k
	}
	return found, nil
}

// Note keeps what few readings have, once for each content.
func (t *Part) Note(ctx context.Context, rows []weighing.Row) error {
	const insert = `insert into reading_notes (scale_id, sequence, hash, in_motion, high_resolution, center_of_zero, range, marks, offset_micros)
		select * from unnest($1::integer[], $2::bigint[], $3::uuid[], $4::boolean[], $5::boolean[], $6::boolean[], $7::integer[], $8::integer[], $9::bigint[])
		on conflict do nothing`
	n := len(rows)
	scaleIDs, sequences, hashes := make([]int32, n), make([]int64, n), make([]pgtype.UUID, n)
	motion, fine, zero := make([]bool, n), make([]bool, n), make([]bool, n)
	ranges, marks, offsets := make([]int32, n), make([]int32, n), make([]int64, n)
	for i := range rows {
		r := &rows[i]
		scaleIDs[i], sequences[i], hashes[i] = r.ScaleID, r.Sequence, pgtype.UUID{Bytes: r.Hash, Valid: true}
		motion[i], fine[i], zero[i], ranges[i] = r.Status.InMotion, r.Status.HighResolution, r.Status.CenterOfZero, r.Status.Range
		marks[i], offsets[i] = int32(r.Marks), r.Offset.Microseconds()
	}
	if _, err := t.tx.Exec(ctx, insert, scaleIDs, sequences, hashes, motion, fine, zero, ranges, marks, offsets); err != nil {
		return fmt.Errorf("keep the marks of readings: %w", err)
	}
	return nil
}
