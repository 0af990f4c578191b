package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// OverBook gives the tolerance of a spot and the account of counts. Its lot is locked; a place that is not registered has no tolerance.
func (t *Tx) OverBook(ctx context.Context, spot stock.Spot) (of stock.Tolerance, as lot.Account, err error) {
	const read = `select coalesce((select over_book from places where place = $2), 0),
			coalesce((select sum(quantity)::bigint from legs where lot = $1 and place = $2 and owner = $3 and key_order = $4), 0)`
	b := &pgx.Batch{}
	b.Queue(read, spot.Lot, spot.Place, spot.Owner, stock.GainOrder).QueryRow(func(row pgx.Row) error { return row.Scan(&of.Place, &of.Used) })
	b.Queue(`select account, writes_off, unaccounted from reasons where reason = $1`, stock.GainReason).QueryRow(func(row pgx.Row) error {
		return row.Scan(&as.Name, &as.WritesOff, &as.Unexplains)
	})
	if err := t.send(ctx, "read how far bins may be overdrawn", b); err != nil {
		return of, as, fmt.Errorf("lot %s: %w", spot.Lot, err)
	}
	return of, as, nil
}
