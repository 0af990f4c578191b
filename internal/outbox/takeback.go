package outbox

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	eventv1 "huskline/proto/huskline/event/v1"
)

// TakenBack is an own event that a restore to an earlier moment had lost, as another service kept it.
type TakenBack struct {
	Envelope *eventv1.Envelope
	EventID  string
	Reason   string // stable; why its effect on the service's own state could not be made again; empty: it was
	Detail   string // for people
}

// TakeBack appends lost events under their old ids and with their old recorded times, in their order, at the next positions, and notes where
// they had been. As with Append, it comes last in the transaction.
func TakeBack(ctx context.Context, tx pgx.Tx, events []TakenBack) error {
	const note = `insert into taken_back (event_id, tail, from_epoch, from_position, reason, detail) values ($1, $2, $3, $4, $5, $6)`
	b := &pgx.Batch{}
	for _, e := range events {
		id, err := uuid.Parse(e.EventID)
		if err != nil {
			return fault.Invalid("event_malformed", "event id %q: it must be a UUID", e.EventID)
		}
		b.Queue(note, e.EventID, Tail([8]byte(id[8:])), e.Envelope.GetEpoch(), e.Envelope.GetPosition(), e.Reason, e.Detail)
	}
	for _, e := range events {
		env := e.Envelope
		Queue(b, time.UnixMicro(env.GetRecordedMicros()), []Message{{ID: e.EventID, Type: env.GetType(), Payload: env.GetPayload()}})
	}
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("take back %d events: %w", len(events), noHead(err))
	}
	return nil
}

// Known tells which of these event ids stand in the outbox.
func Known(ctx context.Context, q Querier, ids []string) (map[string]bool, error) {
	const sql = `select event_id::text from events where event_id = any($1::uuid[])`
	rows, err := q.Query(ctx, sql, ids)
	if err != nil {
		return nil, fmt.Errorf("look up %d events: %w", len(ids), err)
	}
	known := map[string]bool{}
	var id string
	if _, err := pgx.ForEachRow(rows, []any{&id}, func() error { known[id] = true; return nil }); err != nil {
		return nil, fmt.Errorf("look up %d events: %w", len(ids), err)
	}
	return known, nil
}

// Tail is the last 8 bytes of an event id, in which its command left a trace, as the database keeps them.
func Tail(last [8]byte) int64 { return int64(binary.BigEndian.Uint64(last[:])) }

// ByTail gives the envelopes of the taken-back events with this tail, oldest first.
func ByTail(ctx context.Context, q Querier, tail int64) ([]*eventv1.Envelope, error) {
	const sql = `select h.producer, e.epoch, e.position, e.recorded_micros, e.previous_hash, e.hash, e.payload, e.type
		from taken_back t join events e using (event_id) cross join head h
		where t.tail = $1 order by e.epoch, e.position`
	rows, err := q.Query(ctx, sql, tail)
	if err != nil {
		return nil, fmt.Errorf("look for events taken back: %w", err)
	}
	envs, err := pgx.CollectRows(rows, scanEnvelope)
	if err != nil {
		return nil, fmt.Errorf("look for events taken back: %w", err)
	}
	return envs, nil
}

func scanEnvelope(row pgx.CollectableRow) (*eventv1.Envelope, error) {
	env := &eventv1.Envelope{}
	return env, row.Scan(&env.Producer, &env.Epoch, &env.Position, &env.RecordedMicros, &env.PreviousHash, &env.Hash, &env.Payload, &env.Type)
}
