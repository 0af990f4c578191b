// Package store is all SQL of the production service.
package store

import (
	"context"
	"embed"
	"io/fs"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/services/production/internal/charge"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/stage"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Migrations holds the tables of runs, charges and what is known of the others' lots and items.
func Migrations() fs.FS { return migrations }

// Tx is what a use-case sees of a transaction. All that it writes bears one time.
type Tx struct {
	tx pgx.Tx
	at time.Time
}

var (
	_ run.OldTx    = Tx{}
	_ charge.OldTx = Tx{}
	_ stage.OldTx  = Tx{}
)

// New wraps a transaction.
func New(tx pgx.Tx, at time.Time) Tx { return Tx{tx: tx, at: at} }

// Now is the one time of all that the transaction writes.
func (t Tx) Now() time.Time { return t.at }

// IssueToken registers a token by its hash.
func (t Tx) IssueToken(ctx context.Context, token access.Token, secretSHA256 []byte) error {
	return access.Issue(ctx, t.tx, token, secretSHA256, t.at)
}

// RevokeToken ends a token.
func (t Tx) RevokeToken(ctx context.Context, id string) error {
	return access.Revoke(ctx, t.tx, id, t.at)
}

// orNull and orZero carry an absent time.
func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func orZero(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}
