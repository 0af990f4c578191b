package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

// Hold locks a hold, and lets those who put it on a lot by its key go on: they lock that lot first.
func (t *Tx) Hold(ctx context.Context, id string) (*hold.Hold, error) {
	const lock = `select hold, class, root, reason, recall, containers, fill_from, fill_to, since, placed_by, effective, ended_at is not null
		from holds where hold = $1 for no key update`
	h := &hold.Hold{}
	var from, to, since *time.Time
	err := t.tx.QueryRow(ctx, lock, id).Scan(&h.Held.Hold, &h.Class, &h.Root, &h.Reason, &h.Recall, &h.Containers, &from, &to, &since, &h.PlacedBy, &h.At,
		&h.Ended)
	switch {
	case err == pgx.ErrNoRows:
		return nil, fault.NotFound("hold_unknown", "hold %s: there is none of this number", id)
	case err != nil:
		return nil, fmt.Errorf("lock hold %s: %w", id, err)
	}
	h.Lot, h.FillFrom, h.FillTo, h.Since = h.Root, orZero(from), orZero(to), orZero(since)
	return h, nil
}

func orZero(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return *t
}

func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// AddHold writes a new hold.
func (t *Tx) AddHold(ctx context.Context, h *hold.Hold) error {
	const insert = `insert into holds (hold, class, root, reason, recall, containers, fill_from, fill_to, since, placed_by, effective, recorded)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`
	containers := h.Containers
	if containers == nil {
		containers = []string{}
	}
	_, err := t.tx.Exec(ctx, insert, h.Held.Hold, h.Class, h.Root, h.Reason, h.Recall, containers, orNull(h.FillFrom), orNull(h.FillTo),
		orNull(h.Since), h.PlacedBy, h.At, t.at)
	if err != nil {
		return fmt.Errorf("place hold %s: %w", h.Held.Hold, used(err))
	}
	return nil
}

// End releases a hold.
func (t *Tx) End(ctx context.Context, id, by, reason string) error {
	b := &pgx.Batch{}
	b.Queue(`update holds set ended_at = $2, ended_by = $3, end_reason = $4 where hold = $1`, id, t.at, by, reason)
	b.Queue(`delete from hold_frontier where hold = $1`, id)
	return t.send(ctx, "release hold "+id, b)
}

// Exclude takes a lot out of a hold.
func (t *Tx) Exclude(ctx context.Context, m stock.Marked, by, reason string) error {
	const exclude = `insert into hold_flags (hold, lot, excluded, excluded_by, exclude_reason) values ($1, $2, true, $3, $4)
		on conflict (lot, hold) do update set excluded = true, inherited = false, excluded_by = excluded.excluded_by, exclude_reason = excluded.exclude_reason`
	if _, err := t.tx.Exec(ctx, exclude, m.Hold, m.Lot, by, reason); err != nil {
		return fmt.Errorf("exclude lot %s from hold %s: %w", m.Lot, m.Hold, err)
	}
	return nil
}

// AddDisposition writes a disposition.
func (t *Tx) AddDisposition(ctx context.Context, d lot.Disposed, by string) error {
	const insert = `insert into dispositions (disposition, hold, lot, decision, quantity, reason, decided_by, recorded)
		values ($1, $2, $3, $4, $5, $6, $7, $8)`
	if _, err := t.tx.Exec(ctx, insert, d.DispositionID, d.Hold, d.Lot, d.Decision, d.Quantity, d.Reason, by, t.at); err != nil {
		return fmt.Errorf("record disposition %s: %w", d.DispositionID, used(err))
	}
	return nil
}

// HoldLots are the lots a hold lies on, in key order.
func (t *Tx) HoldLots(ctx context.Context, id string) ([]lot.ID, error) {
	return t.lots(ctx, `select lot from hold_flags where hold = $1 and not excluded order by lot`, id)
}

// Frontier gives lots that a hold must still reach, at most limit, in key order.
func (t *Tx) Frontier(ctx context.Context, id string, limit int) ([]lot.ID, error) {
	return t.lots(ctx, `select lot from hold_frontier where hold = $1 order by lot limit $2`, id, limit)
}

func (t *Tx) lots(ctx context.Context, sql string, args ...any) ([]lot.ID, error) {
	rows, err := t.tx.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("read lots of a hold: %w", err)
	}
	return pgx.CollectRows(rows, pgx.RowTo[lot.ID])
}

// Reached takes lots off the frontier.
func (t *Tx) Reached(ctx context.Context, id string, lots []lot.ID) error {
	if _, err := t.tx.Exec(ctx, `delete from hold_frontier where hold = $1 and lot = any($2)`, id, texts(lots)); err != nil {
		return fmt.Errorf("spread hold %s: %w", id, err)
	}
	return nil
}
