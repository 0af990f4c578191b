package store

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/store/scales"
	"huskline/services/intake/internal/weighing"
)

// Reader reads outside commands, each answer of one moment.
type Reader struct {
	*scales.Reader
	db  *postgres.DB
	now func() time.Time
}

// NewReader makes a reader.
func NewReader(db *postgres.DB, now func() time.Time) *Reader {
	return &Reader{scales.NewReader(db, now), db, now}
}

func read[A any](ctx context.Context, r *Reader, fn func(ctx context.Context, tx *Tx) (A, error)) (answer A, err error) {
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		answer, err = fn(ctx, New(tx, r.now().UTC(), 0))
		return err
	})
	return answer, err
}

// Parties lists parties by code after one, at most limit.
func (r *Reader) Parties(ctx context.Context, after string, limit int) ([]lot.PartyChanged, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]lot.PartyChanged, error) { return tx.Parties(ctx, after, limit) })
}

// Items lists items by code after one, as they stand now, at most limit.
func (r *Reader) Items(ctx context.Context, after string, limit int) ([]lot.ItemChanged, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]lot.ItemChanged, error) { return tx.Items(ctx, after, limit) })
}

// FeedTotals adds up the feeds.
func (r *Reader) FeedTotals(ctx context.Context) (weighing.Totals, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) (weighing.Totals, error) { return tx.FeedTotals(ctx) })
}

// Readings lists what is stored of a scale by sequence after a place, at most limit.
func (r *Reader) Readings(ctx context.Context, l weighing.List) ([]weighing.Listed, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]weighing.Listed, error) { return tx.Readings(ctx, l) })
}

// Deliveries lists received lots by code with their final prices.
func (r *Reader) Deliveries(ctx context.Context, party lot.PartyID, after string, limit int) ([]delivery.Priced, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]delivery.Priced, error) {
		page, err := tx.Deliveries(ctx, party, after, limit)
		return tx.priced(ctx, page, err)
	})
}

// Delivery finds received lots by their code, or by the supplier's own lot number where a party is given.
func (r *Reader) Delivery(ctx context.Context, id string, party lot.PartyID) ([]delivery.Priced, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]delivery.Priced, error) {
		page, err := tx.Delivery(ctx, id, party)
		return tx.priced(ctx, page, err)
	})
}

// priced gives received lots their final prices.
func (t *Tx) priced(ctx context.Context, page []delivery.State, err error) ([]delivery.Priced, error) {
	if err != nil || len(page) == 0 {
		return nil, err
	}
	out, lots, at := make([]delivery.Priced, len(page)), make([]lot.ID, len(page)), make(map[lot.ID]int, len(page))
	for i, s := range page {
		out[i].State, lots[i], at[s.Facts.Lot] = s, s.Facts.Lot, i
	}
	settled, err := t.Settlements(ctx, lots)
	for _, s := range settled {
		out[at[s.Lot]].Settled = append(out[at[s.Lot]].Settled, s)
	}
	return out, err
}
