package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/seal"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/visit"
	"huskline/services/intake/internal/weighing"
)

// Known looks up what a delivery needs to know, in one round trip.
func (t *Tx) Known(ctx context.Context, w delivery.Want) (delivery.Known, error) {
	known := delivery.Known{
		Scales: map[string]bool{}, Readings: map[delivery.ReadingKey]weighing.Stored{}, Used: map[delivery.ReadingKey]visit.Use{},
	}
	if w.Visit != 0 {
		var err error
		if known.Visit, err = t.Visit(ctx, w.Visit); err != nil {
			return known, err
		}
	}
	if err := t.lockUses(ctx, w.Named, w.Keyed); err != nil {
		return known, err
	}
	if len(w.Keyed) > 0 {
		var err error
		if known.Keyed, err = t.lockKeyed(ctx, w.Keyed); err != nil {
			return known, err
		}
	}
	b := &pgx.Batch{}
	b.Queue(`select exists (select from codes where lot = $1)`, w.Lot).QueryRow(func(row pgx.Row) error { return row.Scan(&known.LotUsed) })
	b.Queue(`select v.roles from parties p join party_versions v using (party, version) where p.party = $1`, w.Party).Query(func(rows pgx.Rows) error {
		roles, err := pgx.CollectRows(rows, pgx.RowTo[[]int16])
		for _, r := range roles {
			known.Roles = rolesOf(r)
		}
		return err
	})
	b.Queue(`select v.kind, i.measure from items i join item_versions v using (item, version) where i.item = $1`, w.Item).Query(func(rows pgx.Rows) error {
		var kind, measure int16
		_, err := pgx.ForEachRow(rows, []any{&kind, &measure}, func() error {
			known.Item = &delivery.Item{Kind: lot.ItemKind(kind), Measure: lot.Measure(measure)}
			return nil
		})
		return err
	})
	if len(w.Scales) > 0 {
		b.Queue(`select scale from scales where scale = any($1)`, w.Scales).Query(func(rows pgx.Rows) error {
			scales, err := pgx.CollectRows(rows, pgx.RowTo[string])
			for _, s := range scales {
				known.Scales[s] = true
			}
			return err
		})
	}
	if len(w.Readings) > 0 {
		queueReadings(b, w.Readings, known.Readings)
	}
	if len(w.Named) > 0 {
		queueUsed(b, w.Named, known.Used)
	}
	return known, t.send(ctx, "look up what a delivery names", b)
}

func queueReadings(b *pgx.Batch, keys []delivery.ReadingKey, into map[delivery.ReadingKey]weighing.Stored) {
	const find = `select s.scale, r.sequence, r.time, r.digits, r.unit, r.kind, r.micropounds from unnest($1::text[], $2::bigint[]) as u(scale, sequence)
		join scales s using (scale) cross join lateral (select sequence, time, digits, unit, kind, micropounds from readings
			where scale_id = s.scale_id and sequence = u.sequence limit 1) r`
	scales, sequences := make([]string, len(keys)), make([]int64, len(keys))
	for i, k := range keys {
		scales[i], sequences[i] = k.Scale, k.Sequence
	}
	b.Queue(find, scales, sequences).Query(func(rows pgx.Rows) error {
		var r weighing.Stored
		var kind int16
		_, err := pgx.ForEachRow(rows, []any{&r.Scale, &r.Sequence, &r.Time, &r.Digits, &r.Unit, &kind, &r.Mass}, func() error {
			r.Kind = weighing.Kind(kind)
			into[delivery.ReadingKey{Scale: r.Scale, Sequence: r.Sequence}] = r
			return nil
		})
		return err
	})
}

var (
	addCode     = seal.Insert("codes", "lot", `select $1::text`)
	addReceived = seal.Insert("received", "lot, version, party, supplier_lot, effective, held_by, bought",
		`select $1::text, $2::bigint, $3::text, $4::text, $5::timestamptz, '', false`)
	changeReceived = `update received set version = $2, party = $3, supplier_lot = $4, held_by = '', seal = ` +
		seal.Of(`lot, $2::bigint, $3::text, $4::text, effective, '', bought`) + ` where lot = $1`
	holdReceived = `update received set held_by = $3, seal = ` + seal.Of(`lot, version, party, supplier_lot, effective, $3::text, bought`) +
		` where lot = $1 and held_by = $2`
	buyReceived = `update received set bought = true, seal = ` + seal.Of(`lot, version, party, supplier_lot, effective, held_by, true`) +
		` where lot = $1`
	addVersion = seal.Insert("received_versions", "lot, version, voided, command_id, reason, pay, facts, recorded",
		`select $1::text, $2::bigint, $3::boolean, $4::text, $5::text, $6::bigint, $7::bytea, $8::timestamptz`)
	addWeighings = seal.Insert("received_weighings", "lot, version, number, kind, scale, sequence, digits, unit, time, micropounds, keyed",
		`select $1::text, $2::bigint, u.* from unnest($3::integer[], $4::smallint[], $5::text[], $6::bigint[], $7::text[], $8::text[], $9::timestamptz[],
			$10::bigint[], $11::bigint[]) as u`)
)

// Bear writes version 1 of a received lot.
func (t *Tx) Bear(ctx context.Context, s delivery.State) error {
	b := &pgx.Batch{}
	b.Queue(addCode, s.Facts.Lot)
	b.Queue(addReceived, s.Facts.Lot, s.Version, s.Facts.Party, s.Facts.SupplierLot, s.Effective)
	if err := t.queueVersion(ctx, b, s); err != nil {
		return err
	}
	return t.send(ctx, "record lot "+string(s.Facts.Lot), b)
}

// SaveVersion writes a later version, which stands from now on, and ends its hold.
func (t *Tx) SaveVersion(ctx context.Context, s delivery.State) error {
	b := &pgx.Batch{}
	b.Queue(changeReceived, s.Facts.Lot, s.Version, s.Facts.Party,
		s.Facts.SupplierLot)
	if err := t.queueVersion(ctx, b, s); err != nil {
		return err
	}
	return t.send(ctx, "record a version of lot "+string(s.Facts.Lot), b)
}

func (t *Tx) queueVersion(ctx context.Context, b *pgx.Batch, s delivery.State) error {
	facts, err := written(lotwire.Received(s.Facts))
	if err != nil {
		return fmt.Errorf("write down lot %s: %w", s.Facts.Lot, err)
	}
	b.Queue(addVersion, s.Facts.Lot, s.Version, s.Voided, s.Command, s.Reason, int64(s.Pay), facts, t.at)
	if err := t.queueUse(ctx, b, s.Facts, s.Voided); err != nil {
		return err
	}
	if len(s.Weighings) == 0 {
		return nil
	}
	n := len(s.Weighings)
	numbers, kinds, sequences, masses, keyed := make([]int32, n), make([]int16, n), make([]int64, n), make([]int64, n), make([]int64, n)
	scales, digits, units, times := make([]string, n), make([]string, n), make([]string, n), make([]*time.Time, n)
	for i, w := range s.Weighings {
		numbers[i], kinds[i], sequences[i], masses[i] = int32(i+1), int16(w.Kind), w.Sequence, int64(w.Mass)
		scales[i], digits[i], units[i], times[i], keyed[i] = w.Scale, w.Digits, w.Unit, maybe(w.Time), w.Keyed
	}
	b.Queue(addWeighings, s.Facts.Lot, s.Version, numbers, kinds, scales, sequences, digits, units, times, masses, keyed)
	return nil
}

// Hold moves the hold on a lot from one command to another, where it is the first one's. A lot that did not come in here is not held.
func (t *Tx) Hold(ctx context.Context, id lot.ID, from, to string) error {
	if _, err := t.tx.Exec(ctx, holdReceived, id, from, to); err != nil {
		return fmt.Errorf("hold lot %s: %w", id, err)
	}
	return nil
}

// Received finds a received lot and locks it until the end of the transaction.
func (t *Tx) Received(ctx context.Context, id lot.ID) (*delivery.State, error) {
	const lock = `select lot from received where lot = $1 for update`
	switch err := t.tx.QueryRow(ctx, lock, id).Scan(new(string)); {
	case absent(err):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("lock lot %s: %w", id, err)
	}
	page, err := t.states(ctx, []string{string(id)})
	if err != nil || len(page) == 0 {
		return nil, err
	}
	return &page[0], nil
}

// states reads received lots with their weighings, by code. Each is looked up by itself: a plan made while the tables were small must not read
// them whole once they are large.
func (t *Tx) states(ctx context.Context, lots []string) ([]delivery.State, error) {
	const find = `select r.effective, r.held_by, r.bought, v.version, v.voided, v.command_id, v.reason, v.pay, v.facts
		from unnest($1::text[]) as u(lot)
		cross join lateral (select lot, version, effective, held_by, bought from received where lot = u.lot limit 1) r
		cross join lateral (select version, voided, command_id, reason, pay, facts from received_versions where lot = r.lot and version = r.version limit 1) v
		order by r.lot`
	rows, err := t.tx.Query(ctx, find, lots)
	if err != nil {
		return nil, fmt.Errorf("read received lots: %w", err)
	}
	page, err := pgx.CollectRows(rows, stateOf)
	if err != nil {
		return nil, fmt.Errorf("read received lots: %w", err)
	}
	at := make(map[lot.ID]int, len(page))
	for i, s := range page {
		at[s.Facts.Lot] = i
	}
	return page, t.weighings(ctx, page, at)
}

// maxWeighings is the most weighings of one lot: the contract's limit of a message.
const maxWeighings = 1000

func (t *Tx) weighings(ctx context.Context, page []delivery.State, at map[lot.ID]int) error {
	const weighings = `select w.lot, w.kind, w.scale, w.sequence, w.digits, w.unit, w.time, w.micropounds, w.keyed
		from unnest($1::text[], $2::bigint[]) as u(lot, version)
		cross join lateral (select lot, number, kind, scale, sequence, digits, unit, time, micropounds, keyed from received_weighings
			where lot = u.lot and version = u.version order by number limit $3) w
		order by w.lot, w.number`
	found, versions := make([]string, len(page)), make([]int64, len(page))
	for i, s := range page {
		found[i], versions[i] = string(s.Facts.Lot), s.Version
	}
	rows, err := t.tx.Query(ctx, weighings, found, versions, maxWeighings)
	if err != nil {
		return fmt.Errorf("read weighings: %w", err)
	}
	var id lot.ID
	var kind int16
	var w delivery.Weighing
	var when *time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &kind, &w.Scale, &w.Sequence, &w.Digits, &w.Unit, &when, &w.Mass, &w.Keyed}, func() error {
		w.Kind, w.Time = weighing.Kind(kind), given(when)
		s := &page[at[id]]
		s.Weighings = append(s.Weighings, w)
		return nil
	})
	return err
}

func stateOf(row pgx.CollectableRow) (s delivery.State, err error) {
	var facts []byte
	if err := row.Scan(&s.Effective, &s.HeldBy, &s.Bought, &s.Version, &s.Voided, &s.Command, &s.Reason, &s.Pay, &facts); err != nil {
		return s, err
	}
	s.Effective = s.Effective.UTC()
	s.Facts, err = readFact(facts, lotwire.ParseReceived)
	return s, err
}

// Deliveries lists received lots by code after one, only of a party where one is given, at most limit.
func (t *Tx) Deliveries(ctx context.Context, party lot.PartyID, after string, limit int) ([]delivery.State, error) {
	const list = `select lot from received where lot > $1 and ($2 = '' or party = $2) order by lot limit $3`
	return t.found(ctx, list, after, party, limit)
}

// Delivery finds a received lot by its code, or by the supplier's own lot number where a party is given; several may have come under one number.
func (t *Tx) Delivery(ctx context.Context, id string, party lot.PartyID) ([]delivery.State, error) {
	if party == "" {
		return t.states(ctx, []string{id})
	}
	return t.found(ctx, `select lot from received where supplier_lot = $1 and party = $2 order by lot`, id, party)
}

func (t *Tx) found(ctx context.Context, list string, args ...any) ([]delivery.State, error) {
	rows, err := t.tx.Query(ctx, list, args...)
	if err != nil {
		return nil, fmt.Errorf("list received lots: %w", err)
	}
	lots, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(lots) == 0 {
		return nil, err
	}
	return t.states(ctx, lots)
}
