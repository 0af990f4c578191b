package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	"huskline/services/intake/internal/visit"
)

// keyedWeights reads keyed weights with what was found of them. The reading that a keyed weight is was matched by a person, or has the indicator's
// ticket number as its sequence, unless a person matched it with another keyed weight.
const keyedWeights = `select k.fact, coalesce(s.keyed, 0), coalesce(nullif(u.visit, 0), rv.visit, 0), coalesce(nullif(u.lot, ''), d.lot, ''),
		coalesce(r.sequence, 0), m.keyed is null, coalesce(r.micropounds, 0)
	from keyed_weights k join keyed_uses u using (keyed)
	left join keyed_weights s on s.supersedes = k.keyed
	left join keyed_matches m on m.keyed = k.keyed
	left join scales c on c.scale = k.scale
	left join lateral (select sequence, micropounds from readings where scale_id = c.scale_id
		and sequence = coalesce(m.sequence, case when k.ticket ~ '^[1-9][0-9]{0,17}$' then k.ticket::bigint end)
		and (m.keyed is not null or not exists (select from keyed_matches o where o.scale = k.scale and o.sequence = readings.sequence)) limit 1) r on true
	left join visit_readings rv on rv.scale = k.scale and rv.sequence = r.sequence
	left join lateral (select w.lot from received_weighings w where w.scale collate "C" = k.scale and w.sequence = r.sequence and w.sequence <> 0
		and rv.visit is null and ` + listedIn + ` limit 1) d on true `

// listedIn tells of a weighing (w) that a delivery that stands lists it. That of a visit is told by the visit.
const listedIn = `w.keyed = 0 and exists (select from received e join received_versions v using (lot, version)
	where e.lot = w.lot and e.version = w.version and not v.voided)`

// lockUses makes commands that use weights of a scale wait for each other until the end of the transaction, so that each sees what the one before
// used: a weight may go by its reading's name and by its keyed weight's, which no single row stands for. The scales are those of readings and of
// keyed weights, taken in one order.
func (t *Tx) lockUses(ctx context.Context, readings []visit.ReadingKey, keyed []int64) error {
	if len(readings) == 0 && len(keyed) == 0 {
		return nil
	}
	scales := make([]string, len(readings))
	for i, r := range readings {
		scales[i] = r.Scale
	}
	const lock = `select count(pg_advisory_xact_lock(hashtextextended('uses of ' || s.scale, 0))) from (
		select scale collate "C" as scale from unnest($1::text[]) as u(scale) union select scale from keyed_weights where keyed = any($2) order by scale) s`
	if _, err := t.tx.Exec(ctx, lock, scales, keyed); err != nil {
		return fmt.Errorf("lock the weights of scales: %w", err)
	}
	return nil
}

// lockKeyed finds keyed weights and locks them until the end of the transaction.
func (t *Tx) lockKeyed(ctx context.Context, numbers []int64) (map[int64]visit.Keyed, error) {
	found := make(map[int64]visit.Keyed, len(numbers))
	if len(numbers) == 0 {
		return found, nil
	}
	if _, err := t.tx.Exec(ctx, `select keyed from keyed_uses where keyed = any($1) order by keyed for update`, numbers); err != nil {
		return nil, fmt.Errorf("lock keyed weights: %w", err)
	}
	all, err := t.keyed(ctx, keyedWeights+`where k.keyed = any($1) order by k.keyed`, numbers)
	for _, k := range all {
		found[k.Keyed] = k
	}
	return found, err
}

func (t *Tx) keyed(ctx context.Context, list string, args ...any) ([]visit.Keyed, error) {
	rows, err := t.tx.Query(ctx, list, args...)
	if err != nil {
		return nil, fmt.Errorf("read keyed weights: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (k visit.Keyed, err error) {
		var fact []byte
		if err := row.Scan(&fact, &k.SupersededBy, &k.Used.Visit, &k.Used.Lot, &k.Sequence, &k.ByNumber, &k.Reading); err != nil {
			return k, err
		}
		k.ByNumber = k.ByNumber && k.Sequence != 0
		k.WeightKeyed, err = readFact(fact, lotwire.ParseWeightKeyed)
		return k, err
	})
}

// KeyedPage lists keyed weights by number after one, only those that stand and for which no reading was found where asked, at most limit.
func (t *Tx) KeyedPage(ctx context.Context, after int64, unmatchedOnly bool, limit int) ([]visit.Keyed, error) {
	return t.keyed(ctx, keyedWeights+`where k.keyed > $1 and (not $2 or s.keyed is null and r.sequence is null) order by k.keyed limit $3`, after, unmatchedOnly, limit)
}

// SaveKeyed adds a keyed weight.
func (t *Tx) SaveKeyed(ctx context.Context, k lot.WeightKeyed) error {
	fact, err := written(lotwire.WeightKeyed(k))
	if err != nil {
		return err
	}
	b := &pgx.Batch{}
	queueNumber(b, "keyed", k.Keyed)
	b.Queue(`insert into keyed_weights (keyed, scale, ticket, supersedes, fact, recorded) values ($1, $2, $3, $4, $5, $6)`, k.Keyed, k.Scale, k.Ticket,
		k.Supersedes, fact, t.at)
	b.Queue(`insert into keyed_uses (keyed, visit, lot) values ($1, 0, '')`, k.Keyed)
	err = t.tx.SendBatch(ctx, b).Close()
	switch {
	case postgres.IsUniqueViolation(err, "keyed_weights_ticket"):
		return fault.Conflict("ticket_keyed", "scale %s, ticket %s: a weight was keyed in under this ticket; one that was mistyped is superseded by naming it", k.Scale,
			k.Ticket)
	case postgres.IsUniqueViolation(err, "keyed_weights_once"):
		return fault.Conflict("keyed_superseded", "keyed weight %d: another stands in place of it", k.Supersedes)
	case err != nil:
		return fmt.Errorf("record keyed weight %d: %w", k.Keyed, err)
	}
	return nil
}

// SaveMatch adds a match.
func (t *Tx) SaveMatch(ctx context.Context, m lot.WeightMatched) error {
	fact, err := written(lotwire.WeightMatched(m))
	if err != nil {
		return err
	}
	const insert = `insert into keyed_matches (keyed, scale, sequence, fact, recorded) values ($1, $2, $3, $4, $5)`
	_, err = t.tx.Exec(ctx, insert, m.Keyed, m.Scale, m.Sequence, fact, t.at)
	switch {
	case postgres.IsUniqueViolation(err, "keyed_matches_reading"):
		return fault.Conflict("reading_matched", "scale %s, sequence %d: the reading is matched with another keyed weight", m.Scale, m.Sequence)
	case postgres.IsUniqueViolation(err, "keyed_matches_pk"):
		return fault.Conflict("keyed_matched", "keyed weight %d: it is matched with another reading", m.Keyed)
	case err != nil:
		return fmt.Errorf("match keyed weight %d: %w", m.Keyed, err)
	}
	return nil
}

// queueUsed finds where readings were used: as themselves in a visit or in a delivery that lists them, or as the keyed weight that they are. A number
// that no reading is stored under names no weight that could be used twice.
func queueUsed(b *pgx.Batch, keys []visit.ReadingKey, into map[visit.ReadingKey]visit.Use) {
	const find = `select u.scale, u.sequence, coalesce(r.visit, case when d.lot is null then k.visit end, 0), coalesce(d.lot, k.lot, ''),
			case when r.visit is null and d.lot is null then k.keyed else 0 end
		from unnest($1::text[], $2::bigint[]) as u(scale, sequence)
		left join lateral (select visit from visit_readings where scale = u.scale and sequence = u.sequence limit 1) r on true
		left join lateral (select w.lot from received_weighings w where w.scale collate "C" = u.scale and w.sequence = u.sequence and w.sequence <> 0
			and r.visit is null and ` + listedIn + `
			and exists (select from scales c join readings q using (scale_id) where c.scale = u.scale and q.sequence = u.sequence) limit 1) d on true
		left join lateral (select x.keyed, x.visit, x.lot from (
				select keyed from keyed_matches where scale = u.scale and sequence = u.sequence
				union all
				select keyed from keyed_weights where scale = u.scale and ticket = u.sequence::text) w
			join keyed_uses x using (keyed) where x.visit <> 0 or x.lot <> '' limit 1) k on true
		where r.visit is not null or d.lot is not null or k.keyed is not null`
	scales, sequences := make([]string, len(keys)), make([]int64, len(keys))
	for i, k := range keys {
		scales[i], sequences[i] = k.Scale, k.Sequence
	}
	b.Queue(find, scales, sequences).Query(func(rows pgx.Rows) error {
		var k visit.ReadingKey
		var use visit.Use
		_, err := pgx.ForEachRow(rows, []any{&k.Scale, &k.Sequence, &use.Visit, &use.Lot, &use.Keyed}, func() error { into[k] = use; return nil })
		return err
	})
}

// KeyedPage lists keyed weights by number after one, only those that stand and for which no reading was found where asked, at most limit.
func (r *Reader) KeyedPage(ctx context.Context, after int64, unmatchedOnly bool, limit int) ([]visit.Keyed, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]visit.Keyed, error) {
		return tx.KeyedPage(ctx, after, unmatchedOnly, limit)
	})
}
