package outbox

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Migrations holds the tables of the outbox. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Message is an event that has its bytes but no place yet.
type Message struct {
	ID      string // UUIDv7; unique for good
	Type    string // of the body
	Payload []byte // as lotwire.Marshal gave it
}

// Querier reads; a transaction or a pool.
type Querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// errNoHead is a database in which nobody called Init.
var errNoHead = errors.New("the outbox has no head: it was never initialised")

// Append gives the messages the next positions, in their order, and returns the receipt of the last. It takes the lock that all writers
// queue for, so it comes last in the transaction. The recorded time is now, to the microsecond, or that of the event before where the clock
// went back. Without messages it takes no lock and returns the head as the transaction sees it.
func Append(ctx context.Context, tx pgx.Tx, now time.Time, msgs []Message) (lot.Receipt, error) {
	var r lot.Receipt
	b := &pgx.Batch{}
	Queue(b, now, msgs)
	b.Queue(`select producer, epoch, position from head`).QueryRow(func(row pgx.Row) error {
		return row.Scan(&r.Producer, &r.Epoch, &r.Position)
	})
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return lot.Receipt{}, fmt.Errorf("append %d events: %w", len(msgs), noHead(err))
	}
	return r, nil
}

// appendSQL advances the head and inserts the event with its link, as the contract defines it: int8send gives 8 bytes, big endian.
const appendSQL = `with next as (
		update head set
			position = position + 1,
			recorded_micros = greatest(recorded_micros, $1),
			previous_hash = hash,
			hash = sha256(hash || int8send(epoch) || int8send(position + 1) || int8send(greatest(recorded_micros, $1)) || sha256($4))
		returning epoch, position, recorded_micros, previous_hash, hash)
	insert into events (epoch, position, event_id, type, recorded_micros, previous_hash, hash, payload)
	select epoch, position, $2, $3, recorded_micros, previous_hash, hash, $4 from next`

// Queue adds Append's statements to a batch, for a caller that has more to write in the same round trip. The statements after them see the
// new head.
func Queue(b *pgx.Batch, now time.Time, msgs []Message) {
	for _, m := range msgs {
		b.Queue(appendSQL, now.UnixMicro(), m.ID, m.Type, m.Payload).Exec(func(tag pgconn.CommandTag) error {
			if tag.RowsAffected() != 1 {
				return errNoHead
			}
			return nil
		})
	}
}

// Init writes the head of a producer that has said nothing yet: epoch 1, position 0. Repeating it changes nothing; another producer's
// database is refused.
func Init(ctx context.Context, db *postgres.DB, producer lot.Producer) error {
	return db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const insert = `insert into head (producer, epoch, position, recorded_micros, previous_hash, hash)
			values ($1, 1, 0, 0, $2, $2) on conflict do nothing`
		if _, err := tx.Exec(ctx, insert, string(producer), make([]byte, 32)); err != nil {
			return fmt.Errorf("initialise the outbox of %s: %w", producer, err)
		}
		const cursor = `insert into relay_cursor (epoch, position) values (1, 0) on conflict do nothing`
		if _, err := tx.Exec(ctx, cursor); err != nil {
			return fmt.Errorf("initialise the outbox of %s: %w", producer, err)
		}
		head, err := ReadHead(ctx, tx)
		if err != nil {
			return err
		}
		if got := lot.Producer(head.GetAt().GetProducer()); got != producer {
			return fault.Precondition("producer_differs", "outbox: this database holds the events of %s, not of %s", got, producer)
		}
		return nil
	})
}

// RaiseEpoch ends the present epoch where it stands and begins another, greater than it and than above (the greatest epoch that anybody
// else has seen of this producer). It is for a database that was restored to an earlier moment, before any other write.
func RaiseEpoch(ctx context.Context, db *postgres.DB, above int64) (epoch int64, err error) {
	err = db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const end = `insert into epochs_ended (epoch, position, hash) select epoch, position, hash from head for update`
		if _, err := tx.Exec(ctx, end); err != nil {
			return fmt.Errorf("end the epoch: %w", err)
		}
		const begin = `update head set epoch = greatest(epoch, $1) + 1, position = 0 returning epoch`
		if err := tx.QueryRow(ctx, begin, above).Scan(&epoch); err != nil {
			return fmt.Errorf("begin an epoch above %d: %w", above, noHead(err))
		}
		return nil
	})
	return epoch, err
}

// maxPage bounds what Read returns, as a page of the contract does.
const maxPage = 256

// Read gives the envelopes of one epoch after a position, in order, at most limit and at most 256. Fewer than that many means that the
// epoch has no more for now.
func Read(ctx context.Context, q Querier, epoch, after int64, limit int) ([]*eventv1.Envelope, error) {
	if limit <= 0 || limit > maxPage {
		limit = maxPage
	}
	const sql = `select h.producer, e.epoch, e.position, e.recorded_micros, e.previous_hash, e.hash, e.payload, e.type
		from events e cross join head h
		where e.epoch = $1 and e.position > $2 order by e.position limit $3`
	rows, err := q.Query(ctx, sql, epoch, after, limit)
	if err != nil {
		return nil, fmt.Errorf("read events of epoch %d after %d: %w", epoch, after, err)
	}
	envs, err := pgx.CollectRows(rows, scanEnvelope)
	if err != nil {
		return nil, fmt.Errorf("read events of epoch %d after %d: %w", epoch, after, err)
	}
	return envs, nil
}

// ReadHead gives the newest position and its hash.
func ReadHead(ctx context.Context, q Querier) (*eventv1.Head, error) {
	const sql = `select producer, epoch, position, hash from head`
	h := &eventv1.Head{At: &eventv1.Receipt{}}
	if err := q.QueryRow(ctx, sql).Scan(&h.At.Producer, &h.At.Epoch, &h.At.Position, &h.Hash); err != nil {
		return nil, fmt.Errorf("read the head: %w", noHead(err))
	}
	return h, nil
}

// Earlier gives the last position and hash of each epoch before the present one, oldest first; none in a database that was never restored.
func Earlier(ctx context.Context, q Querier) ([]*eventv1.Head, error) {
	const sql = `select h.producer, e.epoch, e.position, e.hash from epochs_ended e cross join head h order by e.epoch`
	rows, err := q.Query(ctx, sql)
	if err != nil {
		return nil, fmt.Errorf("read earlier epochs: %w", err)
	}
	heads, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*eventv1.Head, error) {
		h := &eventv1.Head{At: &eventv1.Receipt{}}
		return h, row.Scan(&h.At.Producer, &h.At.Epoch, &h.At.Position, &h.Hash)
	})
	if err != nil {
		return nil, fmt.Errorf("read earlier epochs: %w", err)
	}
	return heads, nil
}

func noHead(err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return errNoHead
	}
	return err
}
