package store

import (
	"context"
	"fmt"
	"time"

	"huskline/internal/lot"
)

// PutPlace registers a place, or changes it.
func (t *Tx) PutPlace(ctx context.Context, id lot.PlaceID, name string, bin bool) error {
	const upsert = `insert into places (place, name, bin) values ($1, $2, $3) on conflict (place) do update set name = excluded.name, bin = excluded.bin`
	if _, err := t.tx.Exec(ctx, upsert, id, name, bin); err != nil {
		return fmt.Errorf("register place %s: %w", id, err)
	}
	return nil
}

// PutReason registers a reason of adjustment, or changes its account. What was adjusted before keeps the account it was said with.
func (t *Tx) PutReason(ctx context.Context, reason string, a lot.Account) error {
	const upsert = `insert into reasons (reason, account, writes_off, unaccounted) values ($1, $2, $3, $4)
		on conflict (reason) do update set account = excluded.account, writes_off = excluded.writes_off, unaccounted = excluded.unaccounted`
	if _, err := t.tx.Exec(ctx, upsert, reason, a.Name, a.WritesOff, a.Unexplains); err != nil {
		return fmt.Errorf("register reason %s: %w", reason, err)
	}
	return nil
}

// PutItem takes note of an item; an older telling does not replace a newer one.
func (t *Tx) PutItem(ctx context.Context, i lot.ItemChanged, at time.Time) error {
	const upsert = `insert into items (item, kind, measure, effective) values ($1, $2, $3, $4)
		on conflict (item) do update set kind = excluded.kind, measure = excluded.measure, effective = excluded.effective
		where items.effective <= excluded.effective`
	if _, err := t.tx.Exec(ctx, upsert, i.Item, i.ItemKind, i.Measure, at); err != nil {
		return fmt.Errorf("note item %s: %w", i.Item, err)
	}
	return nil
}

// PutParty takes note of a party.
func (t *Tx) PutParty(ctx context.Context, p lot.PartyChanged, at time.Time) error {
	const upsert = `insert into parties (party, effective) values ($1, $2)
		on conflict (party) do update set effective = excluded.effective where parties.effective <= excluded.effective`
	if _, err := t.tx.Exec(ctx, upsert, p.Party, at); err != nil {
		return fmt.Errorf("note party %s: %w", p.Party, err)
	}
	return nil
}
