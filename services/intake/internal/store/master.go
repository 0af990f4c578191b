package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/seal"
	"huskline/services/intake/internal/weighing"
)

var saveParty = `with p as (` + seal.Insert("parties", "party, version", `select $1::text, 1::bigint`) + `
		on conflict (party) do update set version = parties.version + 1, seal = ` + seal.Of("parties.party, parties.version + 1") + ` returning version) ` +
	seal.Insert("party_versions", "party, version, name, roles, address, phone, recorded",
		`select $1::text, version, $2::text, $3::smallint[], $4::text, $5::text, $6::timestamptz from p`)

// SaveParty adds a version of a party, which stands from now on.
func (t *Tx) SaveParty(ctx context.Context, p lot.PartyChanged) error {
	roles := make([]int16, len(p.Roles))
	for i, r := range p.Roles {
		roles[i] = int16(r)
	}
	if _, err := t.tx.Exec(ctx, saveParty, p.Party, p.Name, roles, p.Address, p.Phone, t.at); err != nil {
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

var saveItem = `with i as (` + seal.Insert("items", "item, measure, version", `select $1::text, $2::smallint, 1::bigint`) + `
		on conflict (item) do update set version = items.version + 1, seal = ` + seal.Of("items.item, items.measure, items.version + 1") + `
		where items.measure = excluded.measure returning version) ` +
	seal.Insert("item_versions", "item, version, effective, name, kind, split_off, unit, allergens, recorded",
		`select $1::text, version, $3::timestamptz, $4::text, $5::smallint, $6::bigint, $7::bigint, $8::text[], $9::timestamptz from i`)

// SaveItem adds a version of an item, in force from a time on. What its lots count stays.
func (t *Tx) SaveItem(ctx context.Context, i lot.ItemChanged, from time.Time) error {
	allergens := i.Allergens
	if allergens == nil {
		allergens = []string{}
	}
	tag, err := t.tx.Exec(ctx, saveItem, i.Item, int16(i.Measure), from, i.Name, int16(i.ItemKind), i.SplitOff, int64(i.Unit), allergens, t.at)
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
