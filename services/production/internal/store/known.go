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

// HasStage tells whether a stage is registered.
func (t Tx) HasStage(ctx context.Context, code string) (known bool, err error) {
	err = t.tx.QueryRow(ctx, `select exists (select from stages where stage = $1)`, code).Scan(&known)
	return known, err
}

// Items finds items with the split-off prices in force at a time. An item's first price holds for all time before it.
func (t Tx) Items(ctx context.Context, ids []lot.ItemID, at time.Time) (map[lot.ItemID]run.Item, error) {
	const sql = `select i.item, i.measure, p.price
		from items i
		left join lateral (
			select price from item_prices p where p.item = i.item
			order by (p.effective <= $2) desc,
				case when p.effective <= $2 then p.effective end desc, case when p.effective <= $2 then p.epoch end desc,
				case when p.effective <= $2 then p.position end desc,
				p.effective, p.epoch, p.position
			limit 1) p on true
		where i.item = any($1)`
	rows, err := t.tx.Query(ctx, sql, texts(ids), at)
	if err != nil {
		return nil, fmt.Errorf("look up items: %w", err)
	}
	out := map[lot.ItemID]run.Item{}
	var id lot.ItemID
	var measure lot.Measure
	var price *int64
	if _, err := pgx.ForEachRow(rows, []any{&id, &measure, &price}, func() error {
		item := run.Item{Measure: measure}
		if price != nil && *price > 0 {
			p := money.Price(*price)
			item.Price = &p
		}
		out[id] = item
		return nil
	}); err != nil {
		return nil, fmt.Errorf("look up items: %w", err)
	}
	return out, nil
}

// Lots finds lots.
func (t Tx) Lots(ctx context.Context, ids []lot.ID) (map[lot.ID]run.Lot, error) {
	rows, err := t.tx.Query(ctx, `select lot, item, measure, owner from lots where lot = any($1)`, texts(ids))
	if err != nil {
		return nil, fmt.Errorf("look up lots: %w", err)
	}
	out := map[lot.ID]run.Lot{}
	var l run.Lot
	if _, err := pgx.ForEachRow(rows, []any{&l.ID, &l.Item, &l.Measure, &l.Owner}, func() error {
		out[l.ID] = l
		return nil
	}); err != nil {
		return nil, fmt.Errorf("look up lots: %w", err)
	}
	return out, nil
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

// SaveLot notes what the others said of a lot; the latest word stands.
func (t Tx) SaveLot(ctx context.Context, l run.Lot) error {
	const sql = `insert into lots (lot, item, measure, owner) values ($1, $2, $3, $4)
		on conflict (lot) do update set item = excluded.item, measure = excluded.measure, owner = excluded.owner`
	if _, err := t.tx.Exec(ctx, sql, l.ID, l.Item, l.Measure, l.Owner); err != nil {
		return fmt.Errorf("save lot %s: %w", l.ID, err)
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
