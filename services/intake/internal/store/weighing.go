package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"huskline/services/intake/internal/store/scales"
	"huskline/services/intake/internal/weighing"
)

// Scales finds scales by code, given in order. Those not known are registered without limits where asked.
func (t *Tx) Scales(ctx context.Context, codes []string, register bool) (map[string]weighing.Known, error) {
	found, err := t.Find(ctx, codes)
	if err != nil || !register || len(found) == len(codes) {
		return found, err
	}
	const insert = `with s as (insert into scales (scale, version, class, capacity, division, place, in_service)
			select c, 1, '', 0, 0, '', true from unnest($1::text[]) with ordinality as u(c, n) order by n on conflict (scale) do nothing returning scale_id),
		f as (insert into scale_feeds (scale_id, watermark, lines, stored, conflicts) select scale_id, 0, 0, 0, 0 from s)
		insert into scale_versions (scale_id, version, class, capacity, division, place, in_service, recorded)
		select scale_id, 1, '', 0, 0, '', true, $2 from s`
	var missing []string
	for _, c := range codes {
		if _, ok := found[c]; !ok {
			missing = append(missing, c)
		}
	}
	if _, err := t.tx.Exec(ctx, insert, missing, t.at); err != nil {
		return nil, fmt.Errorf("register scales: %w", err)
	}
	return t.Find(ctx, codes)
}

// columns is rows as the driver takes them, column by column.
type columns struct {
	scaleIDs    []int32
	sequences   []int64
	times       []time.Time
	digits      []string
	units       []string
	kinds       []int16
	references  []string
	micropounds []int64
	hashes      []pgtype.UUID
}

func columnsOf(rows []weighing.Row) columns {
	n := len(rows)
	c := columns{
		scaleIDs: make([]int32, n), sequences: make([]int64, n), times: make([]time.Time, n), digits: make([]string, n), units: make([]string, n),
		kinds: make([]int16, n), references: make([]string, n), micropounds: make([]int64, n), hashes: make([]pgtype.UUID, n),
	}
	for i := range rows {
		r := &rows[i]
		c.scaleIDs[i], c.sequences[i], c.times[i], c.digits[i], c.units[i] = r.ScaleID, r.Sequence, r.Time, r.Digits, r.Unit
		c.kinds[i], c.references[i], c.micropounds[i], c.hashes[i] = int16(r.Kind), r.Reference, int64(r.Mass), pgtype.UUID{Bytes: r.Hash, Valid: true}
	}
	return c
}

func (c columns) args(rest ...any) []any {
	return append([]any{c.scaleIDs, c.sequences, c.times, c.digits, c.units, c.kinds, c.references, c.micropounds, c.hashes}, rest...)
}

// Insert stores rows whose key is free and returns the keys that were. Two writers of the same keys wait for each other in the order of keys.
func (t *Tx) Insert(ctx context.Context, rows []weighing.Row, historic bool) ([]weighing.Key, error) {
	const insert = `insert into readings (scale_id, sequence, time, digits, unit, kind, reference, micropounds, hash, historic, recorded)
		select u.*, $10, $11 from unnest($1::integer[], $2::bigint[], $3::timestamptz[], $4::text[], $5::text[], $6::smallint[], $7::text[],
			$8::bigint[], $9::uuid[]) as u on conflict (scale_id, sequence) do nothing returning scale_id, sequence`
	if len(rows) == 0 {
		return nil, nil
	}
	got, err := t.tx.Query(ctx, insert, columnsOf(rows).args(historic, t.at)...)
	if err != nil {
		return nil, fmt.Errorf("store readings: %w", err)
	}
	keys := make([]weighing.Key, 0, len(rows))
	var k weighing.Key
	if _, err := pgx.ForEachRow(got, []any{&k.ScaleID, &k.Sequence}, func() error { keys = append(keys, k); return nil }); err != nil {
		return nil, fmt.Errorf("store readings: %w", err)
	}
	return keys, nil
}

// Contents is the hashes of what is stored under keys. Each is looked up by itself: a plan made while the table was small must not read it
// whole once it is large.
func (t *Tx) Contents(ctx context.Context, keys []weighing.Key) (map[weighing.Key]weighing.Hash, error) {
	const find = `select u.scale_id, u.sequence, r.hash from unnest($1::integer[], $2::bigint[]) as u(scale_id, sequence)
		cross join lateral (select hash from readings where scale_id = u.scale_id and sequence = u.sequence limit 1) r`
	scaleIDs, sequences := make([]int32, len(keys)), make([]int64, len(keys))
	for i, k := range keys {
		scaleIDs[i], sequences[i] = k.ScaleID, k.Sequence
	}
	rows, err := t.tx.Query(ctx, find, scaleIDs, sequences)
	if err != nil {
		return nil, fmt.Errorf("compare readings: %w", err)
	}
	found := make(map[weighing.Key]weighing.Hash, len(keys))
	var k weighing.Key
	var h pgtype.UUID
	if _, err := pgx.ForEachRow(rows, []any{&k.ScaleID, &k.Sequence, &h}, func() error { found[k] = h.Bytes; return nil }); err != nil {
		return nil, fmt.Errorf("compare readings: %w", err)
	}
	return found, nil
}

// KeepApart keeps rows whose number was taken by another content, each content once, and counts the new ones by scale.
func (t *Tx) KeepApart(ctx context.Context, rows []weighing.Row, historic bool) (map[int32]int64, error) {
	const insert = `insert into readings_conflicts (scale_id, sequence, time, digits, unit, kind, reference, micropounds, hash, historic, recorded)
		select u.*, $10, $11 from unnest($1::integer[], $2::bigint[], $3::timestamptz[], $4::text[], $5::text[], $6::smallint[], $7::text[],
			$8::bigint[], $9::uuid[]) as u on conflict do nothing returning scale_id`
	if len(rows) == 0 {
		return nil, nil
	}
	got, err := t.tx.Query(ctx, insert, columnsOf(rows).args(historic, t.at)...)
	if err != nil {
		return nil, fmt.Errorf("keep readings in conflict: %w", err)
	}
	kept := map[int32]int64{}
	var id int32
	if _, err := pgx.ForEachRow(got, []any{&id}, func() error { kept[id]++; return nil }); err != nil {
		return nil, fmt.Errorf("keep readings in conflict: %w", err)
	}
	return kept, nil
}

// Retold notes a batch that is stored again, and tells whether it was before.
func (t *Tx) Retold(ctx context.Context, command string) (bool, error) {
	tag, err := t.tx.Exec(ctx, `insert into retold_batches (command_id, recorded) values ($1, $2) on conflict do nothing`, command, t.at)
	if err != nil {
		return false, fmt.Errorf("store batch %s again: %w", command, err)
	}
	return tag.RowsAffected() == 0, nil
}

// advanceFeed raises the watermark step by step: over a range of the batch, which is known to be stored, in one step, over what others stored in
// steps of one; so a number is passed once in the life of a scale, and a gap costs one look.
const advanceFeed = `with recursive mine as (select * from unnest($5::bigint[], $6::bigint[]) as u(first, last)),
	step(n) as (
		select watermark from scale_feeds where scale_id = $1
		union all
		select coalesce((select last from mine where first <= s.n + 1 and last > s.n limit 1),
			(select sequence from readings where scale_id = $1 and sequence = s.n + 1))
		from step s where s.n is not null)
	update scale_feeds set watermark = (select max(n) from step), lines = lines + $2, stored = stored + $3, conflicts = conflicts + $4,
		highest = greatest(highest, $7), refused = refused + $8, heard = greatest(heard, $9), newest = greatest(newest, $10),
		late_micros = coalesce($11, late_micros), offset_micros = coalesce($12, offset_micros),
		in_hour = case when $13 = 0 then in_hour when hour >= $14 then in_hour + $13 else $13 end,
		hour_before = case when $13 = 0 or hour >= $14 then hour_before when hour = $14 - interval '1 hour' then in_hour else 0 end,
		hour = case when $13 = 0 then hour else greatest(hour, $14) end
	where scale_id = $1 returning watermark`

// health is what a batch tells of how a feed does, as the driver takes it from $8 on; null is nothing told.
func (t *Tx) health(h weighing.Health) []any {
	var heard, newest *time.Time
	var late, offset *int64
	if h.Heard {
		heard = &t.at
	}
	if newest = maybe(h.Newest); newest != nil {
		late = new(t.at.Sub(h.Newest).Microseconds())
	}
	if h.Offset != nil {
		offset = new(h.Offset.Microseconds())
	}
	return []any{h.Refused, heard, newest, late, offset, h.Live, t.at.Truncate(time.Hour)}
}

// Advance adds to the state of each scale's feed, given in the order of their numbers, and raises its watermark. Each feed is locked before what
// is stored is looked at, so that of two writers the later sees what the earlier stored.
func (t *Tx) Advance(ctx context.Context, progress []weighing.Progress) (map[int32]int64, error) {
	ids := make([]int32, len(progress))
	for i, p := range progress {
		ids[i] = p.ScaleID
	}
	b := &pgx.Batch{}
	b.Queue(`select scale_id from scale_feeds where scale_id = any($1) order by scale_id for update`, ids)
	marks := make(map[int32]int64, len(progress))
	for _, p := range progress {
		first, last := make([]int64, len(p.Answered)), make([]int64, len(p.Answered))
		for i, r := range p.Answered {
			first[i], last[i] = r.First, r.Last
		}
		args := append([]any{p.ScaleID, p.Lines, p.Stored, p.Conflicts, first, last, p.Highest}, t.health(p.Health)...)
		b.Queue(advanceFeed, args...).QueryRow(func(row pgx.Row) error {
			var mark int64
			err := row.Scan(&mark)
			marks[p.ScaleID] = mark
			return err
		})
		if len(p.Health.Faults) > 0 {
			scales.QueueFaults(b, p.ScaleID, p.Health.Faults)
		}
	}
	return marks, t.send(ctx, "advance the feeds", b)
}

// Readings lists what is stored of a scale by sequence, with the readings in conflict beside, or those alone.
func (t *Tx) Readings(ctx context.Context, l weighing.List) ([]weighing.Listed, error) {
	const list = `select r.sequence, r.time, r.digits, r.unit, r.kind, r.reference, r.micropounds, r.recorded, r.historic, r.conflict, r.hash,
			coalesce(n.in_motion, false), coalesce(n.high_resolution, false), coalesce(n.center_of_zero, false), coalesce(n.range, 0),
			coalesce(n.marks, 0), coalesce(n.offset_micros, 0)
		from (select r.*
			from (
				select sequence, time, digits, unit, kind, reference, micropounds, recorded, historic, false as conflict, hash, scale_id from readings
					where not $2
				union all
				select sequence, time, digits, unit, kind, reference, micropounds, recorded, historic, true, hash, scale_id from readings_conflicts) r
			where r.scale_id = (select scale_id from scales where scale = $1) and r.sequence >= $3
				and (r.sequence, r.conflict, r.hash) > ($3, $4, $5)
			order by r.sequence, r.conflict, r.hash limit $6) r
		left join lateral (select in_motion, high_resolution, center_of_zero, range, marks, offset_micros from reading_notes
			where scale_id = r.scale_id and sequence = r.sequence and hash = r.hash limit 1) n on true
		order by r.sequence, r.conflict, r.hash`
	rows, err := t.tx.Query(ctx, list, l.Scale, l.ConflictsOnly, l.After.Sequence, l.After.Conflict, pgtype.UUID{Bytes: l.After.Hash, Valid: true}, l.Limit)
	if err != nil {
		return nil, fmt.Errorf("list readings of %s: %w", l.Scale, err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (s weighing.Listed, err error) {
		var kind int16
		var marks int32
		var offset int64
		var h pgtype.UUID
		err = row.Scan(&s.Sequence, &s.Time, &s.Digits, &s.Unit, &kind, &s.Reference, &s.Mass, &s.Recorded, &s.Historic, &s.Conflict, &h,
			&s.Status.InMotion, &s.Status.HighResolution, &s.Status.CenterOfZero, &s.Status.Range, &marks, &offset)
		s.Scale, s.Kind, s.Marks, s.Offset = l.Scale, weighing.Kind(kind), weighing.Marks(marks), time.Duration(offset)*time.Microsecond
		s.Place = weighing.Place{Sequence: s.Sequence, Conflict: s.Conflict, Hash: h.Bytes}
		return s, err
	})
}
