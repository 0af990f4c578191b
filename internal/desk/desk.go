// Package desk answers what every service is asked alike, whatever its trade: its events and head by the other services, its quarantine and
// tokens by the administrator; and it puts together the tables that every service has.
package desk

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Desk answers for one service. It is safe for concurrent use.
type Desk struct {
	db    *postgres.DB
	inbox *inbox.Inbox
}

// New makes a desk.
func New(db *postgres.DB, in *inbox.Inbox) *Desk { return &Desk{db: db, inbox: in} }

// Door is how the service's callers are known and what their calls wait for.
func (d *Desk) Door(now func() time.Time) rpc.Door {
	verifier := access.NewVerifier(d.db.Pool(), now)
	verify := func(ctx context.Context, secret string) (access.Actor, error) {
		actor, err := verifier.Verify(ctx, secret)
		return actor, d.db.Translate(err)
	}
	return rpc.Door{Verify: verify, Wait: d.inbox.Wait}
}

// Actor names who calls, as events say it.
func Actor(ctx context.Context) string { return access.ActorOf(ctx).Name }

// defaultPage is the length of a list whose caller names none.
const defaultPage = 100

// PageSize is how many lines a list has: what was asked for, or 100.
func PageSize(asked int32) int {
	if asked == 0 {
		return defaultPage
	}
	return int(asked)
}

// PageToken is where a list goes on after a key; empty after its last page.
func PageToken(key string, more bool) string {
	if !more {
		return ""
	}
	return strconv.Quote(key)
}

// ReadEvents sends this service's own envelopes of an epoch after a position, in order, up to the head as it stands now; at most limit of them
// where that is above zero. No transaction is open while send works.
func (d *Desk) ReadEvents(ctx context.Context, epoch, after, limit int64, send func([]*eventv1.Envelope) error) error {
	head, err := d.head(ctx)
	if err != nil {
		return err
	}
	upTo := head.GetAt().GetPosition()
	for sent := int64(0); limit == 0 || sent < limit; {
		if epoch > head.GetAt().GetEpoch() || epoch == head.GetAt().GetEpoch() && after >= upTo {
			return nil
		}
		page, err := d.page(ctx, epoch, after, limit-sent)
		if err != nil || len(page) == 0 {
			return err
		}
		if err := send(page); err != nil {
			return err
		}
		sent += int64(len(page))
		after = page[len(page)-1].GetPosition()
	}
	return nil
}

// pageOfEvents is the most envelopes of one message.
const pageOfEvents = 256

func (d *Desk) page(ctx context.Context, epoch, after, rest int64) (page []*eventv1.Envelope, err error) {
	n := int64(pageOfEvents)
	if rest > 0 {
		n = min(n, rest)
	}
	err = d.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		page, err = outbox.Read(ctx, tx, epoch, after, int(n))
		return err
	})
	return page, err
}

func (d *Desk) head(ctx context.Context) (head *eventv1.Head, err error) {
	err = d.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		head, err = outbox.ReadHead(ctx, tx)
		return err
	})
	return head, err
}

// At is where this service's own events stand.
func (d *Desk) At(ctx context.Context) (lot.Receipt, error) {
	head, err := d.head(ctx)
	return lotwire.ParseReceipt(head.GetAt()), err
}

// Standing is this service's head, where its earlier epochs ended, and what it has taken in of the others, all of one moment.
func (d *Desk) Standing(ctx context.Context) (s inbox.Standing, err error) {
	err = d.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if s.Head, err = outbox.ReadHead(ctx, tx); err != nil {
			return err
		}
		if s.Earlier, err = outbox.Earlier(ctx, tx); err != nil {
			return err
		}
		s.Applied, err = d.inbox.Positions(ctx, tx)
		return err
	})
	return s, err
}

// Tokens is a page of tokens by id, and the token of the next page.
func (d *Desk) Tokens(ctx context.Context, size int32, token string) (page []access.Token, next string, err error) {
	after, err := access.PageKey(token)
	if err != nil {
		return nil, "", err
	}
	n := PageSize(size)
	err = d.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		page, err = access.List(ctx, tx, after, n+1)
		return err
	})
	if len(page) > n {
		page = page[:n]
		next = PageToken(page[n-1].ID, true)
	}
	return page, next, err
}
