package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/money"
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

const itemsSQL = `select i.item, i.measure, p.price
	from items i
	left join lateral (
		select price from item_prices p where p.item = i.item
		order by (p.effective <= $2) desc,
			case when p.effective <= $2 then p.effective end desc, case when p.effective <= $2 then p.epoch end desc,
			case when p.effective <= $2 then p.position end desc,
			p.effective, p.epoch, p.position
		limit 1) p on true
	where i.item = any($1)`

// Look finds a stage, items with the split-off prices in force at a time, and lots, in one round trip. An item's first price holds for all time
// before it.
func (t Tx) Look(ctx context.Context, w run.Want) (run.Have, error) {
	have := run.Have{Items: map[lot.ItemID]run.Item{}, Lots: map[lot.ID]run.Lot{}}
	b := &pgx.Batch{}
	if w.Stage != "" {
		b.Queue(`select exists (select from stages where stage = $1)`, w.Stage).QueryRow(func(row pgx.Row) error { return row.Scan(&have.Stage) })
	}
	if len(w.Items) > 0 {
		b.Queue(itemsSQL, texts(w.Items), w.At).Query(func(rows pgx.Rows) error { return readItems(rows, have.Items) })
	}
	if len(w.Lots) > 0 {
		b.Queue(`select lot, item, measure, owner from lots where lot = any($1)`, texts(w.Lots)).Query(func(rows pgx.Rows) error {
			var l run.Lot
			_, err := pgx.ForEachRow(rows, []any{&l.ID, &l.Item, &l.Measure, &l.Owner}, func() error {
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
		return have, fmt.Errorf("look up stage, items and lots: %w", err)
	}
	return have, nil
}

func readItems(rows pgx.Rows, into map[lot.ItemID]run.Item) error {
	var id lot.ItemID
	var measure lot.Measure
	var price *int64
	_, err := pgx.ForEachRow(rows, []any{&id, &measure, &price}, func() error {
		item := run.Item{Measure: measure}
		if price != nil && *price > 0 {
			p := money.Price(*price)
			item.Price = &p
		}
		into[id] = item
		return nil
	})
	return err
}

// SaveItem notes what intake said of an item. Its measure is what the latest event says; a price is kept with the time it holds from.
func (t Tx) SaveItem(ctx context.Context, i lot.ItemChanged, effective time.Time, at lot.Receipt) error {
	b := &pgx.Batch{}
	b.Queue(`insert into items (item, measure) values ($1, $2) on conflict (item) do update set measure = excluded.measure`, i.Item, i.Measure)
	b.Queue(`insert into item_prices (item, effective, epoch, position, price) values ($1, $2, $3, $4, $5) on conflict do nothing`,
		i.Item, effective, at.Epoch, at.Position, (*int64)(i.SplitOff))
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("save item %s: %w", i.Item, err)
	}
	return nil
}

// SaveLots notes what the others said of lots; the latest word stands.
func (t Tx) SaveLots(ctx context.Context, lots ...run.Lot) error {
	const sql = `insert into lots (lot, item, measure, owner) values ($1, $2, $3, $4)
		on conflict (lot) do update set item = excluded.item, measure = excluded.measure, owner = excluded.owner`
	if len(lots) == 0 {
		return nil
	}
	b := &pgx.Batch{}
	for _, l := range lots {
		b.Queue(sql, l.ID, l.Item, l.Measure, l.Owner)
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
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
