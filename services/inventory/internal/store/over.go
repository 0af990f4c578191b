package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// maxCame bounds what is read of what came to a bin. The latest decides: of older ones only a correction set that takes back so many could make use.
const maxCame = 10_000

// OverBook gives the tolerance of a spot, with what ended it up to a time, and the account of counts. Its lot is locked; a place that is not
// registered has no tolerance.
func (t *Tx) OverBook(ctx context.Context, spot stock.Spot, until time.Time) (of stock.Tolerance, as lot.Account, err error) {
	const lock = `select from places where place = $1 for update`
	const read = `select coalesce((select over_book from places where place = $2), 0),
			coalesce((select sum(quantity)::bigint from legs where lot = $1 and place = $2 and owner = $3 and key_order = $4), 0)`
	b := &pgx.Batch{}
	b.Queue(lock, spot.Place)
	b.Queue(read, spot.Lot, spot.Place, spot.Owner, stock.GainOrder).QueryRow(func(row pgx.Row) error { return row.Scan(&of.Place, &of.Used) })
	b.Queue(`select account, writes_off, unaccounted from reasons where reason = $1`, stock.GainReason).QueryRow(func(row pgx.Row) error {
		return row.Scan(&as.Name, &as.WritesOff, &as.Unexplains)
	})
	if err := t.send(ctx, "read how far bins may be overdrawn", b); err != nil {
		return of, as, fmt.Errorf("lot %s: %w", spot.Lot, err)
	}
	if of.Place == 0 && of.Used == 0 {
		return of, as, nil
	}
	if err := t.whatEnded(ctx, spot, until, &of); err != nil {
		return of, as, fmt.Errorf("read what ends the tolerance of lot %s: %w", spot.Lot, err)
	}
	return of, as, nil
}

// whatEnded reads what came to a spot's place since its lot did, and when the lot was seen empty there. Legs of all lots that ever lay at the place are
// found by their lots: there is no index by place alone.
func (t *Tx) whatEnded(ctx context.Context, spot stock.Spot, until time.Time, of *stock.Tolerance) error {
	const came = `select l.lot, l.place, l.owner, l.effective, l.key_order, l.key_name, sum(l.quantity)::bigint
		from legs l
		where l.lot in (select b.lot from balances b where b.place = $2) and l.place = $2 and l.effective <= $3
			and l.effective >= (select min(f.effective) from legs f where f.lot = $1 and f.place = $2)
		group by l.lot, l.place, l.owner, l.effective, l.key_order, l.key_name having sum(l.quantity) > 0
		order by l.effective desc, l.key_order desc, l.key_name desc limit $4`
	b := &pgx.Batch{}
	b.Queue(came, spot.Lot, spot.Place, until, maxCame).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var e stock.Entry
			if err := rows.Scan(&e.Spot.Lot, &e.Spot.Place, &e.Spot.Owner, &e.Key.At, &e.Key.Order, &e.Key.Name, &e.Quantity); err != nil {
				return err
			}
			of.Came = append(of.Came, e)
		}
		return rows.Err()
	})
	const emptied = `select emptying, lot, place, owner, effective from emptyings where lot = $1 and place = $2 and owner = $3 order by effective, emptying`
	b.Queue(emptied, spot.Lot, spot.Place, spot.Owner).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var e stock.Emptied
			if err := rows.Scan(&e.Name, &e.Spot.Lot, &e.Spot.Place, &e.Spot.Owner, &e.At); err != nil {
				return err
			}
			of.Emptied = append(of.Emptied, e)
		}
		return rows.Err()
	})
	return t.send(ctx, "read what came to a bin", b)
}

func writeEmptied(b *pgx.Batch, emptied []stock.Emptied, at time.Time) {
	const insert = `insert into emptyings (emptying, lot, place, owner, effective, recorded) values ($1, $2, $3, $4, $5, $6)`
	for _, e := range emptied {
		b.Queue(insert, e.Name, e.Spot.Lot, e.Spot.Place, e.Spot.Owner, e.At, at)
	}
}
