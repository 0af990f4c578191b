package inbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Querier reads; a transaction or a pool.
type Querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

func insertCursors(ctx context.Context, tx pgx.Tx, producers []lot.Producer) error {
	const sql = `insert into cursors (producer, epoch, position, hash)
		select p, 1, 0, $2 from unnest($1::text[]) p
		where not exists (select 1 from cursors c where c.producer = p)
		on conflict do nothing`
	if _, err := tx.Exec(ctx, sql, texts(producers), make([]byte, 32)); err != nil {
		return fmt.Errorf("write first cursors: %w", err)
	}
	return nil
}

// readCursors gives each producer's newest epoch.
func readCursors(ctx context.Context, q Querier) ([]feed.Cursor, error) {
	// Backwards along the key, so that nothing is sorted.
	const sql = `select distinct on (producer) producer, epoch, position, hash from cursors order by producer desc, epoch desc`
	rows, err := q.Query(ctx, sql)
	if err != nil {
		return nil, fmt.Errorf("read cursors: %w", err)
	}
	cursors, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (feed.Cursor, error) {
		var c feed.Cursor
		var hash []byte
		err := row.Scan(&c.Producer, &c.Epoch, &c.Position, &hash)
		c.Hash = hashOf(hash)
		return c, err
	})
	if err != nil {
		return nil, fmt.Errorf("read cursors: %w", err)
	}
	slices.Reverse(cursors)
	return cursors, nil
}

func readHeld(ctx context.Context, q Querier) ([]feed.Held, error) {
	const sql = `select producer, epoch, position, lots, behind_producer, behind_epoch, behind_position
		from quarantine where release is null order by number`
	rows, err := q.Query(ctx, sql)
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	held, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (feed.Held, error) {
		var h feed.Held
		err := row.Scan(&h.At.Producer, &h.At.Epoch, &h.At.Position, &h.Lots, &h.Behind.Producer, &h.Behind.Epoch, &h.Behind.Position)
		return h, err
	})
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	return held, nil
}

// known is what the database already holds of a batch.
type known struct {
	payloads map[string][]byte // by event id
	open     map[lot.Receipt]bool
}

// lockCursor makes sure that the batch follows what was committed, and looks up its ids and what it waits behind.
func lockCursor(ctx context.Context, tx pgx.Tx, decisions []feed.Decision[item]) (*known, error) {
	first := decisions[0].Entry
	const lock = `select position from cursors where producer = $1 and epoch = $2
		and not exists (select 1 from cursors c where c.producer = $1 and c.epoch > $2) for update`
	const ids = `select event_id, payload from inbox_events where producer = $1 and event_id = any($2) and not repeated
		order by epoch desc, position desc` // so that the first taken stands last, and is the one remembered
	const open = `select producer, epoch, position from quarantine where release is null`
	wanted := make([]string, 0, len(decisions))
	waits := false
	for _, d := range decisions {
		if id := d.Entry.Value.event.EventID; id != "" {
			wanted = append(wanted, id)
		}
		waits = waits || d.Verdict == feed.Wait
	}
	k := &known{payloads: map[string][]byte{}, open: map[lot.Receipt]bool{}}
	b := &pgx.Batch{}
	b.Queue(lock, first.Producer, first.Epoch).QueryRow(func(row pgx.Row) error {
		var position int64
		if err := row.Scan(&position); errors.Is(err, pgx.ErrNoRows) || err == nil && position != first.Position-1 {
			return errMoved
		} else if err != nil {
			return err
		}
		return nil
	})
	b.Queue(ids, first.Producer, wanted).Query(func(rows pgx.Rows) error {
		var id string
		var payload []byte
		_, err := pgx.ForEachRow(rows, []any{&id, &payload}, func() error {
			k.payloads[id] = bytes.Clone(payload)
			return nil
		})
		return err
	})
	if waits {
		b.Queue(open).Query(func(rows pgx.Rows) error {
			var r lot.Receipt
			_, err := pgx.ForEachRow(rows, []any{&r.Producer, &r.Epoch, &r.Position}, func() error {
				k.open[r] = true
				return nil
			})
			return err
		})
	}
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return nil, fmt.Errorf("lock the cursor of %s: %w", first.Producer, err)
	}
	return k, nil
}

// ReasonIDReused is why an event is refused that bears the id of another.
const ReasonIDReused = "event_id_reused"

// judge finds ids that were known before: the same event again only moves the position, another under the same id is refused.
func (k *known) judge(d feed.Decision[item]) (feed.Decision[item], error) {
	e := d.Entry
	id, payload := e.Value.event.EventID, e.Value.env.GetPayload()
	before, seen := k.payloads[id]
	switch {
	case d.Reason == feed.ReasonChainBroken || d.Reason == feed.ReasonHashWrong:
	case seen && bytes.Equal(before, payload):
		d.Verdict, d.Reason, d.Behind = feed.Repeated, "", lot.Receipt{}
	case seen:
		d.Verdict, d.Reason, d.Behind = feed.Refuse, ReasonIDReused, lot.Receipt{}
		d.Entry.Value.detail = "event " + id + ": another event was taken under this id"
	case d.Verdict == feed.Wait && !k.open[d.Behind]:
		return d, errMoved
	}
	if d.Verdict == feed.Refuse || d.Verdict == feed.Wait {
		k.open[e.Receipt] = true
	}
	if id != "" && !seen {
		k.payloads[id] = payload
	}
	return d, nil
}

// writeSettled writes payloads, quarantine and the cursor.
func writeSettled(ctx context.Context, tx pgx.Tx, decisions []feed.Decision[item], now time.Time) error {
	const events = `insert into inbox_events (producer, epoch, position, event_id, type, recorded_micros, previous_hash, hash, payload, repeated)
		select $1, $2, e.* from unnest($3::bigint[], $4::text[], $5::text[], $6::bigint[], $7::bytea[], $8::bytea[], $9::bytea[], $10::boolean[]) e`
	const quarantine = `insert into quarantine (producer, epoch, position, lots, reason, detail, behind_producer, behind_epoch, behind_position,
			attempts, first_at, last_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $11)`
	const cursor = `update cursors set position = $3, hash = $4 where producer = $1 and epoch = $2`
	first, last := decisions[0].Entry, decisions[len(decisions)-1].Entry
	c := newColumns(decisions)
	b := &pgx.Batch{}
	b.Queue(events, first.Producer, first.Epoch, c.position, c.id, c.kind, c.recorded, c.previous, c.hash, c.payload, c.repeated)
	for _, d := range decisions {
		if d.Verdict != feed.Refuse && d.Verdict != feed.Wait {
			continue
		}
		reason, attempts := d.Reason, 1
		if d.Verdict == feed.Wait {
			reason, attempts = ReasonWaits, 0
		}
		e := d.Entry
		lots := make([]string, 0, len(e.Lots))
		for _, id := range e.Lots {
			lots = append(lots, printable(string(id)))
		}
		b.Queue(quarantine, e.Producer, e.Epoch, e.Position, lots, reason, printable(e.Value.detail),
			d.Behind.Producer, d.Behind.Epoch, d.Behind.Position, attempts, now)
	}
	b.Queue(cursor, first.Producer, first.Epoch, last.Position, last.Hash[:])
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("write events %d to %d of %s: %w", first.Position, last.Position, first.Producer, err)
	}
	return nil
}

// columns are the rows of inbox_events, column by column.
type columns struct {
	position, recorded      []int64
	id, kind                []string
	previous, hash, payload [][]byte
	repeated                []bool
}

func newColumns(decisions []feed.Decision[item]) columns {
	var c columns
	for _, d := range decisions {
		env := d.Entry.Value.env
		c.position = append(c.position, env.GetPosition())
		c.recorded = append(c.recorded, env.GetRecordedMicros())
		c.id = append(c.id, printable(d.Entry.Value.event.EventID))
		c.kind = append(c.kind, printable(env.GetType()))
		c.previous = append(c.previous, notNil(env.GetPreviousHash()))
		c.hash = append(c.hash, notNil(env.GetHash()))
		c.payload = append(c.payload, notNil(env.GetPayload()))
		c.repeated = append(c.repeated, d.Verdict == feed.Repeated)
	}
	return c
}

func notNil(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}

// printable makes text of a poisoned event fit for a text column: valid UTF-8 without zero bytes, and not endless.
func printable(s string) string {
	const most = 2000
	s = strings.ToValidUTF8(strings.ReplaceAll(s, "\x00", "?"), "?")
	if len(s) > most {
		s = strings.ToValidUTF8(s[:most], "") + "…"
	}
	return s
}

func texts(producers []lot.Producer) []string {
	out := make([]string, 0, len(producers))
	for _, p := range producers {
		out = append(out, string(p))
	}
	return out
}

func beginEpoch(ctx context.Context, tx pgx.Tx, to feed.Cursor) error {
	const sql = `insert into cursors (producer, epoch, position, hash) values ($1, $2, $3, $4) on conflict do nothing`
	tag, err := tx.Exec(ctx, sql, to.Producer, to.Epoch, to.Position, to.Hash[:])
	if err != nil {
		return fmt.Errorf("begin epoch %d of %s: %w", to.Epoch, to.Producer, err)
	}
	if tag.RowsAffected() == 0 {
		return errMoved
	}
	return nil
}

func scanEnvelope(row pgx.CollectableRow, more ...any) (*eventv1.Envelope, error) {
	env := &eventv1.Envelope{}
	dest := append([]any{&env.Producer, &env.Epoch, &env.Position, &env.RecordedMicros, &env.PreviousHash, &env.Hash, &env.Payload, &env.Type}, more...)
	return env, row.Scan(dest...)
}
