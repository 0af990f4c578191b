package command

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/seal"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

func (r *Runner[T]) now() time.Time { return r.cfg.Now().UTC().Truncate(time.Microsecond) }

// waiting tells whether the command has an open try. An open try of another message is a conflict: it may yet be accepted. Tries that were
// refused left nothing, so their messages do not count.
func (p *Poster[T]) waiting(ctx context.Context, tx pgx.Tx, t try[T]) (bool, error) {
	const sql = `select i.digest from open_intents o join intent_tries i on i.command_id = o.command_id and i.try = o.try where o.command_id = $1`
	var digest []byte
	err := tx.QueryRow(ctx, sql, t.id).Scan(&digest)
	switch {
	case errors.Is(err, pgx.ErrNoRows):
		return false, nil
	case err != nil:
		return false, fmt.Errorf("look up the intent of command %s: %w", t.id, err)
	case !bytes.Equal(digest, t.digest):
		return false, reused(t.command)
	}
	return true, nil
}

// insert writes the try after those that were refused, and puts it on the work list.
func (p *Poster[T]) insert(ctx context.Context, tx pgx.Tx, t *try[T]) error {
	var err error
	if t.move.CommandId, err = movementID(t.id, p.run.cfg.Producer); err != nil {
		return err
	}
	if t.move.Actor == "" {
		t.move.Actor = t.actor
	}
	const next = `select coalesce(max(try), 0) + 1 from intent_tries where command_id = $1`
	if err := tx.QueryRow(ctx, next, t.id).Scan(&t.n); err != nil {
		return fmt.Errorf("count the tries of command %s: %w", t.id, err)
	}
	t.move.Try = t.n
	request, err := proto.Marshal(t.request)
	if err != nil {
		return fault.Bug("intent of command %s: %v", t.id, err)
	}
	movement, err := proto.Marshal(t.move)
	if err != nil {
		return fault.Bug("intent of command %s: %v", t.id, err)
	}
	b := &pgx.Batch{}
	// The work list first: two callers of one command meet at its key.
	b.Queue(`insert into open_intents (command_id, try, opened_micros) values ($1, $2, $3)`, t.id, t.n, t.at.UnixMicro())
	b.Queue(addTry, t.id, t.n, t.handler.Method, t.digest, request, movement, t.actor, t.at.UnixMicro())
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return fmt.Errorf("record the intent of command %s: %w", t.id, err)
	}
	return nil
}

var (
	addTry = seal.Insert("intent_tries", "command_id, try, method, digest, request, movement, actor, opened_micros",
		`select $1::uuid, $2::bigint, $3::text, $4::bytea, $5::bytea, $6::bytea, $7::text, $8::bigint`)
	addEnd = seal.Insert("intent_ends", "command_id, try, reason, kind, refusal, epoch, position, ended_micros",
		`select $1::uuid, $2::bigint, $3::text, $5::bigint, $4::text, $6::bigint, $7::bigint, $8::bigint`)
)

const selectTry = `select i.command_id::text, i.try, i.method, i.digest, i.request, i.movement, i.actor
	from open_intents o join intent_tries i on i.command_id = o.command_id and i.try = o.try `

// load reads the open try of a command; what the present call relies on is kept.
func (p *Poster[T]) load(ctx context.Context, tx pgx.Tx, present try[T]) (try[T], error) {
	rows, err := tx.Query(ctx, selectTry+`where o.command_id = $1`, present.id)
	if err != nil {
		return try[T]{}, fmt.Errorf("load the intent of command %s: %w", present.id, err)
	}
	t, err := pgx.CollectExactlyOneRow(rows, p.scan)
	if err != nil {
		return try[T]{}, fmt.Errorf("load the intent of command %s: %w", present.id, err)
	}
	t.relied = present.relied
	return t, nil
}

// orphans are the open tries older than sweepAge, in no order, so that those that cannot be finished do not keep the others away for good.
// One that was opened in the future was opened before the clock went back.
func (p *Poster[T]) orphans(ctx context.Context) ([]try[T], error) {
	now := p.run.now()
	var tries []try[T]
	err := p.run.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, selectTry+`where o.opened_micros <= $1 or o.opened_micros > $2 order by random() limit $3`,
			now.Add(-sweepAge).UnixMicro(), now.UnixMicro(), sweepPage)
		if err != nil {
			return err
		}
		tries, err = pgx.CollectRows(rows, p.scan)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("look for open intents: %w", err)
	}
	return tries, nil
}

func (p *Poster[T]) scan(row pgx.CollectableRow) (try[T], error) {
	var t try[T]
	var request, movement []byte
	if err := row.Scan(&t.id, &t.n, &t.handler.Method, &t.digest, &request, &movement, &t.actor); err != nil {
		return t, err
	}
	h, ok := p.byMethod[t.handler.Method]
	if !ok {
		t.broken = fault.Bug("intent of command %s: no handler for %s", t.id, t.handler.Method)
		return t, nil
	}
	t.handler, t.request, t.move = h, h.NewRequest(), &inventoryv1.PostMovementRequest{}
	t.method = typeOf(t.request)
	t.command.request = t.request
	if err := errors.Join(proto.Unmarshal(request, t.request), proto.Unmarshal(movement, t.move)); err != nil {
		t.broken = fault.Bug("intent of command %s: %v", t.id, err)
	}
	return t, nil
}

// lock takes the right to end a try; false where it has ended.
func lock(ctx context.Context, tx pgx.Tx, id string, n int64) (bool, error) {
	const sql = `select 1 from open_intents where command_id = $1 and try = $2 for update`
	var one int
	err := tx.QueryRow(ctx, sql, id, n).Scan(&one)
	if errors.Is(err, pgx.ErrNoRows) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("lock the intent of command %s: %w", id, err)
	}
	return true, nil
}

// end queues the end of a try: accepted at a receipt of the inventory, or refused with a reason.
func (t try[T]) end(b *pgx.Batch, why error, at lot.Receipt) {
	text := ""
	if why != nil {
		text = why.Error()
	}
	b.Queue(addEnd, t.id, t.n, fault.ReasonOf(why), text, int(fault.KindOf(why)), at.Epoch, at.Position, t.at.UnixMicro())
	b.Queue(`delete from open_intents where command_id = $1 and try = $2`, t.id, t.n)
}

// refusalOf is the refusal that ended a try; nil where it did not end, or not so.
func refusalOf(ctx context.Context, tx pgx.Tx, id string, n int64) (error, error) {
	const sql = `select kind, reason, refusal from intent_ends where command_id = $1 and try = $2 and kind <> 0`
	var kind int
	var reason, text string
	err := tx.QueryRow(ctx, sql, id, n).Scan(&kind, &reason, &text)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look up the end of command %s, try %d: %w", id, n, err)
	}
	return fault.New(fault.Kind(kind), reason, "%s", text), nil
}

// answered is a page of the movements that the inventory answered in an epoch after a position, and the last position of the page.
func (p *Poster[T]) answered(ctx context.Context, epoch, after int64) ([]*inventoryv1.PostMovementRequest, int64, error) {
	var moves []*inventoryv1.PostMovementRequest
	last := after
	err := p.run.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `select e.position, i.movement from intent_ends e join intent_tries i on i.command_id = e.command_id and i.try = e.try
			where e.epoch = $1 and e.position > $2
				and e.position <= (select max(position) from
					(select position from intent_ends where epoch = $1 and position > $2 order by position limit $3) page)
			order by e.position, e.command_id`
		rows, err := tx.Query(ctx, sql, epoch, after, sweepPage)
		if err != nil {
			return err
		}
		moves, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*inventoryv1.PostMovementRequest, error) {
			move := &inventoryv1.PostMovementRequest{}
			var movement []byte
			if err := row.Scan(&last, &movement); err != nil {
				return nil, err
			}
			return move, proto.Unmarshal(movement, move)
		})
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("look for movements answered after %d/%d: %w", epoch, after, err)
	}
	return moves, last, nil
}
