package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/seal"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/settle"
)

var (
	addSettlement = seal.Insert("settlements", "settlement, version, lot, price, purchase, effective, recorded",
		`select $1::text, $2::bigint, $3::text, $4::bigint, $5::bigint, $6::timestamptz, $7::timestamptz`)
	addSettlementID = seal.Insert("settlement_ids", "settlement", `select $1::text`)
	addOwned        = seal.Insert("owned_lots", "lot, owner", `select $1::text, $2::text`) +
		` on conflict (lot) do update set owner = excluded.owner, seal = excluded.seal`
)

// SaveSettlement adds a final price.
func (t *Tx) SaveSettlement(ctx context.Context, s delivery.Settled, version int64) error {
	b := &pgx.Batch{}
	b.Queue(addSettlementID, s.Settlement)
	b.Queue(addSettlement, s.Settlement, version, s.Lot, int64(s.Price), int64(s.Purchase), s.At, t.at)
	return t.send(ctx, "record settlement "+s.Settlement, b)
}

// PutSettlement writes a final price as it was said, also one that was said anew for a corrected delivery.
func (t *Tx) PutSettlement(ctx context.Context, s delivery.Settled, version int64) error {
	b := &pgx.Batch{}
	b.Queue(addSettlementID+` on conflict do nothing`, s.Settlement)
	b.Queue(addSettlement+` on conflict do nothing`, s.Settlement, version, s.Lot, int64(s.Price), int64(s.Purchase), s.At, t.at)
	return t.send(ctx, "record settlement "+s.Settlement+" again", b)
}

// Resettle gives every final price of a lot its purchase anew.
func (t *Tx) Resettle(ctx context.Context, id lot.ID, version int64, purchase delivery.Purchase) ([]delivery.Settled, error) {
	all, err := t.Settlements(ctx, []lot.ID{id})
	if err != nil || len(all) == 0 {
		return nil, err
	}
	b := &pgx.Batch{}
	for i := range all {
		s := &all[i]
		if s.Purchase, err = purchase(s.Price); err != nil {
			return nil, err
		}
		b.Queue(addSettlement, s.Settlement, version, s.Lot, int64(s.Price), int64(s.Purchase), s.At, t.at)
	}
	return all, t.send(ctx, "settle lot "+string(id)+" anew", b)
}

// Settlements lists the final prices of lots as they stand, the latest effective of each lot last.
func (t *Tx) Settlements(ctx context.Context, lots []lot.ID) ([]delivery.Settled, error) {
	const list = `select settlement, lot, price, purchase, effective from (
			select distinct on (lot, settlement) settlement, lot, price, purchase, effective from settlements where lot = any($1)
			order by lot, settlement, version desc) s order by lot, effective, settlement`
	rows, err := t.tx.Query(ctx, list, texts(lots))
	if err != nil {
		return nil, fmt.Errorf("list settlements: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (s delivery.Settled, err error) {
		err = row.Scan(&s.Settlement, &s.Lot, &s.Price, &s.Purchase, &s.At)
		s.At = s.At.UTC()
		return s, err
	})
}

// texts hands typed names to the driver.
func texts[S ~string](in []S) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = string(s)
	}
	return out
}

// Owned finds a lot of an owner's that was made here.
func (t *Tx) Owned(ctx context.Context, id lot.ID) (*settle.Owned, error) {
	o := settle.Owned{Lot: id}
	switch err := t.tx.QueryRow(ctx, `select owner from owned_lots where lot = $1`, id).Scan(&o.Owner); {
	case absent(err):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("find lot %s of an owner: %w", id, err)
	}
	return &o, nil
}

// SaveOwned notes a lot of an owner's that was made here.
func (t *Tx) SaveOwned(ctx context.Context, id lot.ID, owner lot.PartyID) error {
	if _, err := t.tx.Exec(ctx, addOwned, id, owner); err != nil {
		return fmt.Errorf("note lot %s of an owner: %w", id, err)
	}
	return nil
}

// Reserve keeps a purchase's id for a command, and tells whether it is another's already, or a lot code is in use.
func (t *Tx) Reserve(ctx context.Context, purchase, command string, code lot.ID) (purchaseUsed, codeUsed bool, err error) {
	const look = `select exists (select from purchases where purchase = $1), exists (select from codes where lot = $2)`
	const reserve = `insert into purchase_ids as p (purchase, held_by) values ($1, $2) on conflict (purchase) do update set held_by = excluded.held_by
		where p.held_by in ('', excluded.held_by)`
	tag, err := t.tx.Exec(ctx, reserve, purchase, command)
	if err != nil {
		return false, false, fmt.Errorf("reserve purchase %s: %w", purchase, err)
	}
	if err := t.tx.QueryRow(ctx, look, purchase, code).Scan(&purchaseUsed, &codeUsed); err != nil {
		return false, false, fmt.Errorf("look for purchase %s: %w", purchase, err)
	}
	return purchaseUsed || tag.RowsAffected() == 0, codeUsed, nil
}

// Free gives a purchase's id back that a command has reserved.
func (t *Tx) Free(ctx context.Context, purchase, command string) error {
	if _, err := t.tx.Exec(ctx, `update purchase_ids set held_by = '' where purchase = $1 and held_by = $2`, purchase, command); err != nil {
		return fmt.Errorf("free purchase %s: %w", purchase, err)
	}
	return nil
}

// SavePurchase adds a purchase; one of a whole ticket, which keeps its code, marks the ticket as bought.
func (t *Tx) SavePurchase(ctx context.Context, p lot.Bought, at time.Time) error {
	b := &pgx.Batch{}
	if p.NewLot == p.Lot {
		b.Queue(buyReceived, p.Lot)
	} else {
		b.Queue(addCode, p.NewLot)
	}
	b.Queue(`insert into purchases (purchase, lot, new_lot, owner, quantity, price, place, effective, recorded) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		p.Purchase, p.Lot, p.NewLot, p.Owner, int64(p.Quantity), int64(p.Price), p.Place, at, t.at)
	return t.send(ctx, "record purchase "+p.Purchase, b)
}
