package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
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
