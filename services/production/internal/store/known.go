package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/postgres"
	"huskline/internal/seal"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/stage"
)

// SaveStage adds a stage or renames it.
func (t Tx) SaveStage(ctx context.Context, s stage.Stage) error {
	const sql = `insert into stages (stage, name) values ($1, $2) on conflict (stage) do update set name = excluded.name`
	if _, err := t.tx.Exec(ctx, sql, s.Code, s.Name); err != nil {
		return fmt.Errorf("save stage %s: %w", s.Code, err)
	}
	return nil
}

// What is looked up by several keys is looked up one by one: each is found by its index, whatever the plan was made for.
const (
	itemsSQL = `select i.item, i.measure, i.unit, p.price
		from unnest($1::text[]) as u(item)
		cross join lateral (select item, measure, unit from items where item = u.item limit 1) i
		left join lateral (
			select price from item_prices p where p.item = i.item
			order by (p.effective <= $2) desc,
				case when p.effective <= $2 then p.effective end desc, case when p.effective <= $2 then p.epoch end desc,
				case when p.effective <= $2 then p.position end desc,
				p.effective, p.epoch, p.position
			limit 1) p on true`
	lotsSQL = `select l.lot, l.item, l.measure, l.owner, coalesce(i.unit, 0)
		from unnest($1::text[]) as u(lot)
		cross join lateral (select lot, item, measure, owner from lots where lot = u.lot limit 1) l
		left join lateral (select unit from items where item = l.item limit 1) i on true`
)

// Look finds a run, which it locks, a stage, items with the split-off prices in force at a time, and lots, in one round trip. An item's first
// price holds for all time before it.
func (t Tx) Look(ctx context.Context, w run.Want) (run.Have, error) {
	have := run.Have{Items: map[lot.ItemID]run.Item{}, Lots: map[lot.ID]run.Lot{}}
	b := &pgx.Batch{}
	if w.Run != "" {
		b.Queue(runSQL, w.Run).Query(func(rows pgx.Rows) (err error) {
			have.Run, err = oneRun(rows)
			return err
		})
	}
	if w.Stage != "" {
		b.Queue(`select exists (select from stages where stage = $1)`, w.Stage).QueryRow(func(row pgx.Row) error { return row.Scan(&have.Stage) })
	}
	if len(w.Items) > 0 {
		b.Queue(itemsSQL, keys(w.Items), w.At).Query(func(rows pgx.Rows) error { return readItems(rows, have.Items) })
	}
	if len(w.Lots) > 0 {
		b.Queue(lotsSQL, keys(w.Lots)).Query(func(rows pgx.Rows) error {
			var l run.Lot
			_, err := pgx.ForEachRow(rows, []any{&l.ID, &l.Item, &l.Measure, &l.Owner, &l.Unit}, func() error {
				have.Lots[l.ID] = l
				return nil
			})
			return err
		})
	}
	if b.Len() == 0 {
		return have, nil
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return have, fmt.Errorf("look up run, stage, items and lots: %w", err)
	}
	return have, nil
}

func readItems(rows pgx.Rows, into map[lot.ItemID]run.Item) error {
	var id lot.ItemID
	var item run.Item
	var price *int64
	_, err := pgx.ForEachRow(rows, []any{&id, &item.Measure, &item.Unit, &price}, func() error {
		item.Price = nil
		if price != nil && *price > 0 {
			p := money.Price(*price)
			item.Price = &p
		}
		into[id] = item
		return nil
	})
	return err
}

// SaveItem notes what intake said of an item. Its measure is what the latest event says, the weight of a piece what the change that is latest
// at the plant says; a price is kept with the time it holds from.
func (t Tx) SaveItem(ctx context.Context, i lot.ItemChanged, effective time.Time, at lot.Receipt) error {
	unit := i.Unit
	if i.ItemKind == lot.Packaging {
		unit = 0
	}
	b := &pgx.Batch{}
	b.Queue(`insert into items (item, measure) values ($1, $2) on conflict (item) do update set measure = excluded.measure`, i.Item, i.Measure)
	b.Queue(`insert into item_prices (item, effective, epoch, position, price, unit) values ($1, $2, $3, $4, $5, $6) on conflict do nothing`,
		i.Item, effective, at.Epoch, at.Position, (*int64)(i.SplitOff), unit)
	b.Queue(`update items set unit = (select unit from item_prices where item = $1 order by effective desc, epoch desc, position desc limit 1)
		where item = $1`, i.Item)
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("save item %s: %w", i.Item, err)
	}
	return nil
}

// KeepStage adds a stage under its code, unless it is there.
func (t Tx) KeepStage(ctx context.Context, code string) error {
	if _, err := t.tx.Exec(ctx, `insert into stages (stage, name) values ($1, $1) on conflict do nothing`, code); err != nil {
		return fmt.Errorf("keep stage %s: %w", code, err)
	}
	return nil
}

var addLots = seal.Insert("lots", "lot, item, measure, owner",
	`select * from unnest($1::text[], $2::text[], $3::smallint[], $4::text[])`) + `
	on conflict (lot) do update set item = excluded.item, measure = excluded.measure, owner = excluded.owner, seal = excluded.seal
	where (lots.item, lots.measure, lots.owner) is distinct from (excluded.item, excluded.measure, excluded.owner)`

// SaveLots notes what the others said of lots; the latest word stands.
func (t Tx) SaveLots(ctx context.Context, lots ...run.Lot) error {
	if len(lots) == 0 {
		return nil
	}
	latest := map[lot.ID]run.Lot{}
	for _, l := range lots {
		latest[l.ID] = l
	}
	var ids, items, owners []string
	var measures []int16
	for _, id := range slices.Sorted(maps.Keys(latest)) {
		l := latest[id]
		ids, items, measures, owners = append(ids, string(id)), append(items, string(l.Item)), append(measures, int16(l.Measure)), append(owners, string(l.Owner))
	}
	if err := postgres.Later(ctx, t.tx, addLots, ids, items, measures, owners); err != nil {
		return fmt.Errorf("save %d lots, first %s: %w", len(lots), lots[0].ID, err)
	}
	return nil
}

func texts[T ~string](ids []T) []string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = string(id)
	}
	return out
}

// keys is texts, each once.
func keys[T ~string](ids []T) []string {
	out := texts(ids)
	slices.Sort(out)
	return slices.Compact(out)
}
