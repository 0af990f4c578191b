package store

import (
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
)

// Say owes events that follow from another's event, which is being taken in; SayOwed says them soon after, in a transaction of its own. Their ids
// are told by the other's, so that they are the same where it is taken in again after a restore.
func (t Tx) Say(ctx context.Context, because lot.Recorded, events []lot.Event) error {
	if len(events) == 0 {
		return nil
	}
	after, err := positions(ctx, t.tx, because.Receipt)
	if err != nil {
		return err
	}
	var msgs []outbox.Message
	for i, e := range events {
		id, err := follows(because.EventID, i)
		if err != nil {
			return err
		}
		payload, err := lotwire.Marshal(id, because.Actor, after, e)
		if err != nil {
			return err
		}
		msgs = append(msgs, outbox.Message{ID: id, Type: e.Body.Kind(), Payload: payload})
	}
	return t.owe(ctx, events, msgs)
}

// positions is what is applied of the others, an event that is just being applied included.
func positions(ctx context.Context, tx pgx.Tx, applying lot.Receipt) ([]lot.Receipt, error) {
	after, err := inbox.Positions(ctx, tx)
	if err != nil {
		return nil, fmt.Errorf("read applied positions: %w", err)
	}
	for i, r := range after {
		if r.Producer == applying.Producer {
			after[i] = applying
			return after, nil
		}
	}
	return append(after, applying), nil
}

// follows is the id of the event numbered n that follows from another: a UUIDv7 of the other's time, the rest digested from the other's id.
func follows(because string, n int) (string, error) {
	id, err := uuid.Parse(because)
	if err != nil {
		return "", fmt.Errorf("event %q is no UUID: %w", because, err)
	}
	digest := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%d", lot.Production, because, n))
	copy(id[6:], digest[:])
	id[6], id[8] = id[6]&0x0f|0x70, id[8]&0x3f|0x80 // version and variant of RFC 9562
	return id.String(), nil
}

// append says what has not been said yet.
func (t Tx) append(ctx context.Context, msgs []outbox.Message) error {
	ids := make([]string, len(msgs))
	for i, m := range msgs {
		ids[i] = m.ID
	}
	known, err := outbox.Known(ctx, t.tx, ids)
	if err != nil {
		return err
	}
	var fresh []outbox.Message
	for _, m := range msgs {
		if !known[m.ID] {
			fresh = append(fresh, m)
		}
	}
	_, err = outbox.Append(ctx, t.tx, t.at, fresh)
	return err
}

func (t Tx) owe(ctx context.Context, events []lot.Event, msgs []outbox.Message) error {
	const sql = `insert into owed_events (event_id, subject, type, payload) values ($1, $2, $3, $4) on conflict do nothing`
	b := &pgx.Batch{}
	for i, m := range msgs {
		b.Queue(sql, m.ID, subject(events[i].Body), m.Type, m.Payload)
	}
	if err := t.tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("owe %d events: %w", len(msgs), err)
	}
	return nil
}

// subject is what an event is about: two of one subject say the same.
func subject(body lot.Body) string {
	switch b := body.(type) {
	case lot.RunOpened:
		return fmt.Sprintf("%s %s %s", b.Kind(), b.Run, b.Owner)
	case lot.RunCorrected:
		return fmt.Sprintf("%s %s %d", b.Kind(), b.Completed.Run, b.Completed.Version)
	}
	return body.Kind()
}

// Told strikes an event off what is owed: it was said in the lost part, and is back.
func (t Tx) Told(ctx context.Context, body lot.Body) error {
	if _, err := t.tx.Exec(ctx, `delete from owed_events where subject = $1`, subject(body)); err != nil {
		return fmt.Errorf("strike off what is owed: %w", err)
	}
	return nil
}

// owedEvent is one that could not be said yet.
type owedEvent struct {
	Number  int64
	ID      string
	Type    string
	Payload []byte
}

// SayOwed says what is owed, and tells whether there was anything. It takes the lock that all writers queue for, last.
func (t Tx) SayOwed(ctx context.Context) (bool, error) {
	rows, err := t.tx.Query(ctx, `delete from owed_events returning number, event_id::text, type, payload`)
	if err != nil {
		return false, fmt.Errorf("read what is owed: %w", err)
	}
	var owed []owedEvent
	if owed, err = pgx.CollectRows(rows, pgx.RowToStructByPos[owedEvent]); err != nil || len(owed) == 0 {
		return false, err
	}
	slices.SortFunc(owed, func(a, b owedEvent) int { return cmp.Compare(a.Number, b.Number) })
	msgs := make([]outbox.Message, len(owed))
	for i, o := range owed {
		msgs[i] = outbox.Message{ID: o.ID, Type: o.Type, Payload: o.Payload}
	}
	return true, t.append(ctx, msgs)
}
