package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/seal"
	"huskline/services/inventory/internal/stock"
)

// PutPlace registers a place, or changes it.
func (t *Tx) PutPlace(ctx context.Context, p stock.NamedPlace) error {
	const upsert = `insert into places (place, name, bin, over_book) values ($1, $2, $3, $4)
		on conflict (place) do update set name = excluded.name, bin = excluded.bin, over_book = excluded.over_book`
	if _, err := t.tx.Exec(ctx, upsert, p.ID, p.Name, p.Bin, p.Over); err != nil {
		return fmt.Errorf("register place %s: %w", p.ID, err)
	}
	return nil
}

// KnowPlace registers a place by its code where it is not registered.
func (t *Tx) KnowPlace(ctx context.Context, id lot.PlaceID, bin bool) error {
	if id == "" {
		return nil
	}
	const insert = `insert into places (place, name, bin) values ($1, $1, $2) on conflict do nothing`
	if _, err := t.tx.Exec(ctx, insert, id, bin); err != nil {
		return fmt.Errorf("know place %s: %w", id, err)
	}
	return nil
}

// CodeUsed keeps a code that may be one of inventory's own from being given again.
func (t *Tx) CodeUsed(ctx context.Context, id lot.ID) error {
	year, number, own := ownCode(id)
	if !own {
		return nil
	}
	const raise = `insert into own_codes (year, number) values ($1, $2) on conflict (year) do update set number = greatest(own_codes.number, excluded.number)`
	if _, err := t.tx.Exec(ctx, raise, year, number); err != nil {
		return fmt.Errorf("keep code %s from being given again: %w", id, err)
	}
	return nil
}

// ownCode reads a code that NextCode could have given: the digits of its number are Crockford's base 32.
func ownCode(id lot.ID) (year int, number int64, own bool) {
	if !lot.HasOurShape(string(id)) || id[0] != ownLetter {
		return 0, 0, false
	}
	for _, c := range id[3:9] {
		number = number<<5 | int64(strings.IndexRune("0123456789ABCDEFGHJKMNPQRSTVWXYZ", c))
	}
	return 2000 + int(id[1]-'0')*10 + int(id[2]-'0'), number, true
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

var (
	putItem = seal.Insert("items", "item, kind, measure, effective, unit", `select $1::text, $2::smallint, $3::smallint, $4::timestamptz, $5::bigint`) + `
		on conflict (item) do update set kind = excluded.kind, measure = excluded.measure, effective = excluded.effective, unit = excluded.unit,
			seal = excluded.seal
		where items.effective <= excluded.effective`
	putParty = seal.Insert("parties", "party, effective", `select $1::text, $2::timestamptz`) + `
		on conflict (party) do update set effective = excluded.effective, seal = excluded.seal where parties.effective <= excluded.effective`
)

// PutItem takes note of an item; an older telling does not replace a newer one.
func (t *Tx) PutItem(ctx context.Context, i lot.ItemChanged, at time.Time) error {
	if err := postgres.Later(ctx, t.tx, putItem, i.Item, i.ItemKind, i.Measure, at, i.Unit); err != nil {
		return fmt.Errorf("note item %s: %w", i.Item, err)
	}
	return nil
}

// PutParty takes note of a party.
func (t *Tx) PutParty(ctx context.Context, p lot.PartyChanged, at time.Time) error {
	if err := postgres.Later(ctx, t.tx, putParty, p.Party, at); err != nil {
		return fmt.Errorf("note party %s: %w", p.Party, err)
	}
	return nil
}
