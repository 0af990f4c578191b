// Package store is all SQL of the production service.
package store

import (
	"context"
	"embed"
	"fmt"
	"io/fs"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
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
	_ run.Tx   = Tx{}
	_ stage.Tx = Tx{}
)

// New wraps a transaction.
func New(tx pgx.Tx, at time.Time) Tx { return Tx{tx: tx, at: at} }

// Now is the one time of all that the transaction writes.
func (t Tx) Now() time.Time { return t.at }

// Say records events that follow from another's event, which is being taken in. It takes the lock that all writers queue for.
func (t Tx) Say(ctx context.Context, because lot.Recorded, events []lot.Event) error {
	if len(events) == 0 {
		return nil
	}
	after, err := inbox.Positions(ctx, t.tx)
	if err != nil {
		return fmt.Errorf("read applied positions: %w", err)
	}
	known := false
	for i, r := range after {
		if r.Producer == because.Producer {
			after[i], known = because.Receipt, true
		}
	}
	if !known {
		after = append(after, because.Receipt)
	}
	var msgs []outbox.Message
	for _, e := range events {
		id, err := uuid.NewV7()
		if err != nil {
			return fmt.Errorf("make an event id: %w", err)
		}
		payload, err := lotwire.Marshal(id.String(), because.Actor, after, e)
		if err != nil {
			return err
		}
		msgs = append(msgs, outbox.Message{ID: id.String(), Type: e.Body.Kind(), Payload: payload})
	}
	_, err = outbox.Append(ctx, t.tx, t.at, msgs)
	return err
}

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
