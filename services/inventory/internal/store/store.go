// Package store keeps inventory's tables: all SQL of the service stands here, beside the one method that runs it.
package store

import (
	"context"
	"embed"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/seal"
	"huskline/services/inventory/internal/count"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/movement"
	"huskline/services/inventory/internal/shipping"
	"huskline/services/inventory/internal/stock"
)

// Migrations holds inventory's own tables. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Tx is one transaction as the domains see it.
type Tx struct {
	tx    pgx.Tx
	at    time.Time
	try   *try      // taken with the next statements
	early pgx.Batch // written with the next Write
	again bool      // what is done was accepted before
}

// try is a try of a movement on its way to being taken.
type try struct {
	command string
	n       int64
	queued  bool
	taken   bool
}

// New wraps a transaction; at is the one time of recording of all its rows.
func New(tx pgx.Tx, at time.Time) *Tx { return &Tx{tx: tx, at: at} }

// Again wraps a transaction in which what was accepted before is done again, after the database went back to an earlier moment; at is when it
// was recorded then.
func Again(tx pgx.Tx, at time.Time) *Tx { return &Tx{tx: tx, at: at, again: true} }

var (
	_ stock.Tx      = (*Tx)(nil)
	_ movement.Tx   = (*Tx)(nil)
	_ hold.Tx       = (*Tx)(nil)
	_ hold.SpreadTx = (*Tx)(nil)
	_ shipping.Tx   = (*Tx)(nil)
	_ count.Tx      = (*Tx)(nil)
)

// At is the time of recording.
func (t *Tx) At() time.Time { return t.at }

// used gives the constraints that keep a name from being used twice the fault that says so.
func used(err error) error {
	switch {
	case postgres.IsUniqueViolation(err, "claims_pk"), postgres.IsUniqueViolation(err, "lots_pk"):
		return fault.Unavailable(stock.Raced, "a lot code of this command came into use by another one just now")
	case postgres.IsUniqueViolation(err, "facts_pk"):
		return fault.Conflict("fact_known", "what this command records has a number that is in use already")
	case postgres.IsUniqueViolation(err, "holds_pk"):
		return fault.Conflict("hold_known", "the hold's number is in use already")
	case postgres.IsUniqueViolation(err, "dispositions_pk"):
		return fault.Conflict("disposition_known", "the disposition's number is in use already")
	case postgres.IsUniqueViolation(err, "shipments_pk"):
		return fault.Conflict("shipment_known", "the shipment's number is in use already")
	case postgres.IsUniqueViolation(err, "count_entries_pk"):
		return fault.Precondition("recount_same_person", "this person has counted the lot already")
	case postgres.IsCheckViolation(err, "balances_never_below_zero"):
		return fault.Bug("a balance was to be written below zero: %v", err)
	}
	return err
}

// texts hands typed names to the driver.
func texts[S ~string](in []S) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = string(s)
	}
	return out
}

// send runs a batch in one round trip.
func (t *Tx) send(ctx context.Context, what string, b *pgx.Batch) error {
	if b.Len() == 0 {
		return nil
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("%s: %w", what, used(err))
	}
	return nil
}

// Claim reserves codes, all or nothing, and tells how many were new.
func (t *Tx) Claim(ctx context.Context, claims []stock.Claim) (int64, error) {
	lots, claimants := columns(claims)
	tag, err := t.tx.Exec(ctx, addClaims+` on conflict (lot) do nothing`, lots, claimants, t.at)
	if err != nil {
		return 0, fmt.Errorf("claim lot codes: %w", err)
	}
	if tag.RowsAffected() == int64(len(claims)) {
		return tag.RowsAffected(), nil
	}
	// Claims of the time after an earlier moment to which the database went back are lost, and what bore lots by them came back by its events:
	// who claims such a code again is taken at their word.
	const other = `select c.lot, c.claimant from unnest($1::text[], $2::text[]) as u(l, w) join claims c on c.lot = u.l
		where c.claimant <> u.w and not starts_with(c.claimant, $3)
			and not (starts_with(c.claimant, $4) and exists (select from epochs_ended)) order by c.lot limit 1`
	var id, by string
	switch err := t.tx.QueryRow(ctx, other, lots, claimants, stock.TakenBack, stock.ByEvent).Scan(&id, &by); err {
	case nil:
		return 0, fault.Conflict("lot_code_claimed", "lot %s: the code is claimed by %s; a code is never used again", id, by)
	case pgx.ErrNoRows:
		return tag.RowsAffected(), nil
	default:
		return 0, fmt.Errorf("compare claims: %w", err)
	}
}

func columns(claims []stock.Claim) (lots, claimants []string) {
	for _, c := range claims {
		lots, claimants = append(lots, string(c.Lot)), append(claimants, c.Claimant)
	}
	return lots, claimants
}

// ownLetter leads the codes of inventory's own lots.
const ownLetter = 'V'

// NextCode gives the next lot code of inventory's own for a year. Numbers are used in the order of commits and a refused command gives its
// number back.
func (t *Tx) NextCode(ctx context.Context, year int) (lot.ID, error) {
	const next = `insert into own_codes (year, number) values ($1, 1) on conflict (year) do update set number = own_codes.number + 1 returning number`
	var n int64
	if err := t.tx.QueryRow(ctx, next, year).Scan(&n); err != nil {
		return "", fmt.Errorf("give a lot code: %w", err)
	}
	return lot.NewCode(ownLetter, year, n)
}

// Accept takes the try of a movement, with the statements that come next. One that was refused before gives that refusal again, from the
// method that sends them.
func (t *Tx) Accept(_ context.Context, command string, n int64) error {
	t.try = &try{command: command, n: n}
	return nil
}

var addTry = seal.Insert("movement_tries", "command_id, try, accepted, kind, reason, detail, recorded",
	`select $1::uuid, $2::bigint, $3::boolean, $4::smallint, $5::text, $6::text, $7::timestamptz`) + ` on conflict do nothing`

// queueTry puts the try before other statements.
func (t *Tx) queueTry(b *pgx.Batch) {
	if t.try == nil || t.try.queued {
		return
	}
	t.try.queued = true
	b.Queue(addTry, t.try.command, t.try.n, true, 0, "", "", t.at).Exec(func(tag pgconn.CommandTag) error {
		t.try.taken = tag.RowsAffected() == 1
		return nil
	})
}

// tried gives the refusal of a try that could not be taken.
func (t *Tx) tried(ctx context.Context) error {
	if t.try == nil || t.try.taken {
		return nil
	}
	refusal, err := t.refusal(ctx, t.try.command, t.try.n)
	if err == nil && refusal == nil {
		return fault.Bug("movement %s: try %d was accepted and has no answer", t.try.command, t.try.n)
	}
	if err != nil {
		return err
	}
	return refusal
}

// takeTry takes the try now, for what does not begin with locks.
func (t *Tx) takeTry(ctx context.Context) error {
	b := &pgx.Batch{}
	t.queueTry(b)
	if err := t.send(ctx, "take a try", b); err != nil {
		return err
	}
	return t.tried(ctx)
}

// refusal is what a try was refused with; nil: it was accepted.
func (t *Tx) refusal(ctx context.Context, command string, try int64) (refusal, err error) {
	const read = `select accepted, kind, reason, detail from movement_tries where command_id = $1 and try = $2`
	var accepted bool
	var kind fault.Kind
	var reason, detail string
	if err := t.tx.QueryRow(ctx, read, command, try).Scan(&accepted, &kind, &reason, &detail); err != nil {
		return nil, fmt.Errorf("read try %d of movement %s: %w", try, command, err)
	}
	if accepted {
		return nil, nil
	}
	return fault.New(kind, reason, "%s", detail), nil
}

// Refuse keeps a refusal. It gives what stands: the refusal of the first who judged this try, or nil where it was accepted meanwhile.
func (t *Tx) Refuse(ctx context.Context, command string, try int64, why error) (stands error, err error) {
	if _, err := t.tx.Exec(ctx, addTry, command, try, false, int(fault.KindOf(why)), fault.ReasonOf(why), why.Error(), t.at); err != nil {
		return nil, fmt.Errorf("keep the refusal of try %d of movement %s: %w", try, command, err)
	}
	return t.refusal(ctx, command, try)
}
