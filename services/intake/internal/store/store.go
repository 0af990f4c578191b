// Package store keeps intake's tables: all SQL of the service stands here, beside the one method that runs it.
package store

import (
	"context"
	"embed"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/services/intake/internal/store/scales"
)

// Migrations holds intake's own tables. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Tx is one transaction as the domains see it: each says what it needs, and the wiring does not compile where something is missing.
type Tx struct {
	*scales.Part
	tx     pgx.Tx
	at     time.Time
	letter byte
}

// New wraps a transaction; at is the one time of recording of all its rows, letter leads the lot codes that it gives.
func New(tx pgx.Tx, at time.Time, letter byte) *Tx {
	return &Tx{Part: scales.New(tx, at), tx: tx, at: at, letter: letter}
}

// Now is the time of recording.
func (t *Tx) Now() time.Time { return t.at }

// used gives the constraints that keep a name from being used twice the fault that says so.
func used(err error) error {
	switch {
	case postgres.IsUniqueViolation(err, "codes_pk"):
		return fault.Conflict("lot_code_used", "the lot code of this command came into use just now; a code is never used again")
	case postgres.IsUniqueViolation(err, "settlement_ids_pk"):
		return fault.Conflict("settlement_known", "the settlement's id is in use already")
	case postgres.IsUniqueViolation(err, "purchases_pk"):
		return fault.Conflict("purchase_known", "the purchase's id is in use already")
	}
	return err
}

// send runs a batch in one round trip.
func (t *Tx) send(ctx context.Context, what string, b *pgx.Batch) error {
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("%s: %w", what, used(err))
	}
	return nil
}

// maybe is a time as the driver takes it: null where it is zero.
func maybe(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// given is a time as the driver gave it: zero where it was null.
func given(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

// NextCode gives the next lot code of this producer for a year. Numbers are used in the order of commits, and a refused command gives its
// number back. A code that was born here under another's hand (imported data may look like ours) is stepped over.
func (t *Tx) NextCode(ctx context.Context, year int) (lot.ID, error) {
	const next = `insert into own_codes (year, number) values ($1, 1) on conflict (year) do update set number = own_codes.number + 1 returning number`
	const taken = `select exists (select from codes where lot = $1)`
	for {
		var n int64
		if err := t.tx.QueryRow(ctx, next, year).Scan(&n); err != nil {
			return "", fmt.Errorf("give a lot code: %w", err)
		}
		id, err := lot.NewCode(t.letter, year, n)
		if err != nil {
			return "", err
		}
		var there bool
		if err := t.tx.QueryRow(ctx, taken, id).Scan(&there); err != nil || !there {
			return id, err
		}
	}
}

// IssueToken registers a token by the hash of its secret.
func (t *Tx) IssueToken(ctx context.Context, token access.Token, secretSHA256 []byte) error {
	return access.Issue(ctx, t.tx, token, secretSHA256, t.at)
}

// RevokeToken ends a token at once.
func (t *Tx) RevokeToken(ctx context.Context, id string) error {
	return access.Revoke(ctx, t.tx, id, t.at)
}
