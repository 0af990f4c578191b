package desk

import (
	"context"
	"strconv"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Aside is an event in quarantine as every service tells of it.
type Aside struct {
	At            *eventv1.Receipt
	EventID, Type string
	Lots          []string // named or created
	Reason        string   // a stable word, then what people read of it
	Waiting       bool     // it did not fail itself
	Attempts      int64
}

// Quarantined is a page of the events set aside, oldest first, and the token of the next page.
func (d *Desk) Quarantined(ctx context.Context, size int32, token string) (page []Aside, next string, err error) {
	after := int64(0)
	if token != "" {
		if after, err = strconv.ParseInt(token, 10, 64); err != nil {
			return nil, "", fault.Invalid("page_token", "page token %q: not one of ours", token)
		}
	}
	n := PageSize(size)
	var kept []inbox.Quarantined
	err = d.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		kept, err = d.inbox.Quarantined(ctx, tx, after, n+1)
		return err
	})
	if len(kept) > n {
		kept = kept[:n]
		next = strconv.FormatInt(kept[n-1].Number, 10)
	}
	for _, q := range kept {
		page = append(page, asideOf(q))
	}
	return page, next, err
}

func asideOf(q inbox.Quarantined) Aside {
	a := Aside{At: lotwire.Receipt(q.At), EventID: q.EventID, Type: q.Type, Reason: q.Reason, Waiting: q.Behind != lot.Receipt{}, Attempts: q.Attempts}
	if q.Detail != "" {
		a.Reason += ": " + q.Detail
	}
	for _, id := range q.Lots {
		a.Lots = append(a.Lots, string(id))
	}
	return a
}
