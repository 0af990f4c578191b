package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/internal/weighing"
)

// SaveParty adds a version of a party, which stands from now on.
func (t *Tx) SaveParty(ctx context.Context, p lot.PartyChanged) error {
	const save = `with p as (insert into parties (party, version) values ($1, 1)
			on conflict (party) do update set version = parties.version + 1 returning version)
		insert into party_versions (party, version, name, roles, address, phone, recorded) select $1, version, $2, $3, $4, $5, $6 from p`
	roles := make([]int16, len(p.Roles))
	for i, r := range p.Roles {
		roles[i] = int16(r)
	}
	if _, err := t.tx.Exec(ctx, save, p.Party, p.Name, roles, p.Address, p.Phone, t.at); err != nil {
		return fmt.Errorf("save party %s: %w", p.Party, err)
	}
	return nil
}

// Parties lists parties by code after one, at most limit.
func (t *Tx) Parties(ctx context.Context, after string, limit int) ([]lot.PartyChanged, error) {
	const list = `select p.party, v.name, v.roles, v.address, v.phone from parties p join party_versions v using (party, version)
		where p.party > $1 order by p.party limit $2`
	rows, err := t.tx.Query(ctx, list, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list parties: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (p lot.PartyChanged, err error) {
		var roles []int16
		err = row.Scan(&p.Party, &p.Name, &roles, &p.Address, &p.Phone)
		p.Roles = rolesOf(roles)
		return p, err
	})
}

func rolesOf(in []int16) []lot.PartyRole {
	var out []lot.PartyRole
	for _, r := range in {
		out = append(out, lot.PartyRole(r))
	}
	return out
}

// SaveItem adds a version of an item, in force from a time on. What its lots count stays.
func (t *Tx) SaveItem(ctx context.Context, i lot.ItemChanged, from time.Time) error {
	const save = `with i as (insert into items (item, measure, version) values ($1, $2, 1)
			on conflict (item) do update set version = items.version + 1 where items.measure = excluded.measure returning version)
		insert into item_versions (item, version, effective, name, kind, split_off, unit, allergens, recorded)
		select $1, version, $3, $4, $5, $6, $7, $8, $9 from i`
	allergens := i.Allergens
	if allergens == nil {
		allergens = []string{}
	}
	tag, err := t.tx.Exec(ctx, save, i.Item, int16(i.Measure), from, i.Name, int16(i.ItemKind), i.SplitOff, int64(i.Unit), allergens, t.at)
	if err != nil {
		return fmt.Errorf("save item %s: %w", i.Item, err)
	}
	if tag.RowsAffected() == 0 {
		return fault.Precondition("item_measure_fixed", "item %s: whether it is kept by weight or by count cannot change", i.Item)
	}
	return nil
}

// Items lists items by code after one, as they stand now, at most limit.
func (t *Tx) Items(ctx context.Context, after string, limit int) ([]lot.ItemChanged, error) {
	const list = `select i.item, v.name, v.kind, i.measure, v.split_off, v.unit, v.allergens
		from items i, lateral (select name, kind, split_off, unit, allergens from item_versions where item = i.item
			order by effective <= $3 desc, effective desc, version desc limit 1) v
		where i.item > $1 order by i.item limit $2`
	rows, err := t.tx.Query(ctx, list, after, limit, t.at)
	if err != nil {
		return nil, fmt.Errorf("list items: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (i lot.ItemChanged, err error) {
		var kind, measure int16
		err = row.Scan(&i.Item, &i.Name, &kind, &measure, &i.SplitOff, &i.Unit, &i.Allergens)
		i.ItemKind, i.Measure = lot.ItemKind(kind), lot.Measure(measure)
		return i, err
	})
}

// SaveScale adds a version of a scale, which stands from now on.
func (t *Tx) SaveScale(ctx context.Context, s scale.Scale) error {
	const save = `with s as (insert into scales (scale, version, class, capacity, division, place, in_service, sealed)
			values ($1, 1, $2, $3, $4, $5, $6, $7) on conflict (scale) do update set version = scales.version + 1, class = excluded.class,
			capacity = excluded.capacity, division = excluded.division, place = excluded.place, in_service = excluded.in_service,
			sealed = excluded.sealed returning scale_id, version),
		f as (insert into scale_feeds (scale_id, watermark, lines, stored, conflicts) select scale_id, 0, 0, 0, 0 from s on conflict do nothing)
		insert into scale_versions (scale_id, version, class, capacity, division, place, in_service, sealed, recorded)
		select scale_id, version, $2, $3, $4, $5, $6, $7, $8 from s`
	_, err := t.tx.Exec(ctx, save, s.Code, s.Class, int64(s.Capacity), int64(s.Division), s.Place, s.InService, maybe(s.Sealed), t.at)
	if err != nil {
		return fmt.Errorf("save scale %s: %w", s.Code, err)
	}
	return nil
}

// ScaleStates lists scales by code after one, with the state of their feeds, at most limit.
func (t *Tx) ScaleStates(ctx context.Context, after string, limit int) ([]scale.State, error) {
	const list = `select s.scale, s.class, s.capacity, s.division, s.place, s.in_service, s.sealed, f.watermark, f.stored, f.conflicts
		from scales s join scale_feeds f using (scale_id) where s.scale > $1 order by s.scale limit $2`
	rows, err := t.tx.Query(ctx, list, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list scales: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (s scale.State, err error) {
		var sealed *time.Time
		err = row.Scan(&s.Code, &s.Class, &s.Capacity, &s.Division, &s.Place, &s.InService, &sealed, &s.Watermark, &s.Stored, &s.Conflicts)
		s.Sealed = given(sealed)
		return s, err
	})
}

// FeedTotals adds up the feeds.
func (t *Tx) FeedTotals(ctx context.Context) (f weighing.Totals, err error) {
	const sum = `select coalesce(sum(lines), 0)::bigint, coalesce(sum(stored), 0)::bigint, coalesce(sum(conflicts), 0)::bigint,
		count(*) filter (where scale_id > 0) from scale_feeds`
	if err := t.tx.QueryRow(ctx, sum).Scan(&f.Lines, &f.Stored, &f.Conflicts, &f.Scales); err != nil {
		return f, fmt.Errorf("add up the feeds: %w", err)
	}
	return f, nil
}

// absent tells whether a query found nothing.
func absent(err error) bool { return errors.Is(err, pgx.ErrNoRows) }
