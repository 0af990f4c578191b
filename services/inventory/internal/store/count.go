package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/count"
)

// BookAt is what lay in a place at a time, by lot.
func (t *Tx) BookAt(ctx context.Context, place lot.PlaceID, at time.Time, limit int) (map[lot.ID]lot.Quantity, error) {
	const read = `select l.lot, sum(l.quantity)::bigint from legs l
		where l.lot in (select b.lot from balances b where b.place = $1) and l.place = $1 and l.effective <= $2
		group by l.lot having sum(l.quantity) <> 0 order by l.lot limit $3`
	rows, err := t.tx.Query(ctx, read, place, at, limit)
	if err != nil {
		return nil, fmt.Errorf("read the book of place %q: %w", place, err)
	}
	out := map[lot.ID]lot.Quantity{}
	var id lot.ID
	var q lot.Quantity
	if _, err := pgx.ForEachRow(rows, []any{&id, &q}, func() error {
		out[id] = q
		return nil
	}); err != nil {
		return nil, fmt.Errorf("read the book of place %q: %w", place, err)
	}
	return out, nil
}

// AddSheet writes a new sheet.
func (t *Tx) AddSheet(ctx context.Context, s *count.Sheet, by string) error {
	b := &pgx.Batch{}
	b.Queue(`insert into count_sheets (sheet, place, effective, opened_by, recorded) values ($1, $2, $3, $4, $5)`, s.ID, s.Place, s.At, by, t.at)
	ids := slices.Sorted(maps.Keys(s.Book))
	book := make([]int64, len(ids))
	for i, id := range ids {
		book[i] = int64(s.Book[id])
	}
	b.Queue(`insert into count_books (sheet, lot, book) select $1, l, q from unnest($2::text[], $3::bigint[]) as u(l, q)`, s.ID, texts(ids), book)
	return t.send(ctx, "open count sheet "+s.ID, b)
}

// Sheet locks a sheet.
func (t *Tx) Sheet(ctx context.Context, id string) (*count.Sheet, error) {
	s := &count.Sheet{ID: id, Book: map[lot.ID]lot.Quantity{}}
	const lock = `select place, effective, closed_at is not null from count_sheets where sheet = $1 for update`
	err := t.tx.QueryRow(ctx, lock, id).Scan(&s.Place, &s.At, &s.Closed)
	switch {
	case err == pgx.ErrNoRows:
		return nil, fault.NotFound("sheet_unknown", "count sheet %s: there is none of this number", id)
	case err != nil:
		return nil, fmt.Errorf("lock count sheet %s: %w", id, err)
	}
	b := &pgx.Batch{}
	b.Queue(`select lot, book from count_books where sheet = $1`, id).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var l lot.ID
			var q lot.Quantity
			if err := rows.Scan(&l, &q); err != nil {
				return err
			}
			s.Book[l] = q
		}
		return rows.Err()
	})
	b.Queue(`select lot, counted, counted_by from count_entries where sheet = $1 order by number`, id).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var e count.Entry
			if err := rows.Scan(&e.Lot, &e.Counted, &e.By); err != nil {
				return err
			}
			s.Entries = append(s.Entries, e)
		}
		return rows.Err()
	})
	return s, t.send(ctx, "read count sheet "+id, b)
}

// AddEntry writes an entry of a sheet.
func (t *Tx) AddEntry(ctx context.Context, sheet string, e count.Entry) error {
	const insert = `insert into count_entries (sheet, lot, counted_by, counted, recorded) values ($1, $2, $3, $4, $5)`
	if _, err := t.tx.Exec(ctx, insert, sheet, e.Lot, e.By, e.Counted, t.at); err != nil {
		return fmt.Errorf("record a count on sheet %s: %w", sheet, used(err))
	}
	return nil
}

// CloseSheet ends a sheet.
func (t *Tx) CloseSheet(ctx context.Context, id, by string) error {
	if _, err := t.tx.Exec(ctx, `update count_sheets set closed_at = $2, closed_by = $3 where sheet = $1`, id, t.at, by); err != nil {
		return fmt.Errorf("close count sheet %s: %w", id, err)
	}
	return nil
}
