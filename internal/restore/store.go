package restore

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// end is the last place of an epoch with its hash.
type end struct {
	at   lot.Receipt
	hash []byte
}

func endOf(h *eventv1.Head) end { return end{lotwire.ParseReceipt(h.GetAt()), h.GetHash()} }

// mark says who has given back what followed the end of which epoch.
type mark struct {
	epoch    int64
	producer lot.Producer
}

// past is where the database stands.
type past struct {
	head  end
	ended []end // earlier epochs, oldest first
	given map[mark]bool
	last  *copied // nil: the service never ran on it
}

// copied says which copy of a database this is. The cluster's identity changes when it is restored from its log or made anew; the database's
// number when it is restored by itself.
type copied struct {
	postgres.Identity
	Database int64
}

func readPast(ctx context.Context, db *postgres.DB) (past, error) {
	var p past
	err := db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		p = past{given: map[mark]bool{}}
		head, err := outbox.ReadHead(ctx, tx)
		if err != nil {
			return err
		}
		p.head = endOf(head)
		earlier, err := outbox.Earlier(ctx, tx)
		if err != nil {
			return err
		}
		for _, h := range earlier {
			p.ended = append(p.ended, endOf(h))
		}
		rows, err := tx.Query(ctx, `select ended_epoch, producer from kept_given`)
		if err != nil {
			return err
		}
		var m mark
		if _, err := pgx.ForEachRow(rows, []any{&m.epoch, &m.producer}, func() error { p.given[m] = true; return nil }); err != nil {
			return err
		}
		var c copied
		const last = `select system, timeline, database from database_copies order by number desc limit 1`
		switch err := tx.QueryRow(ctx, last).Scan(&c.System, &c.Timeline, &c.Database); {
		case errors.Is(err, pgx.ErrNoRows):
		case err != nil:
			return err
		default:
			p.last = &c
		}
		return nil
	})
	if err != nil {
		return past{}, fmt.Errorf("read the own past: %w", err)
	}
	return p, nil
}

func readCopy(ctx context.Context, db *postgres.DB) (copied, error) {
	id, err := db.Identity(ctx)
	if err != nil {
		return copied{}, err
	}
	c := copied{Identity: id}
	err = db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `select oid::bigint from pg_database where datname = current_database()`
		return tx.QueryRow(ctx, sql).Scan(&c.Database)
	})
	if err != nil {
		return copied{}, fmt.Errorf("read which copy of the database this is: %w", err)
	}
	return c, nil
}

func (r *Recovery) note(ctx context.Context, c copied) error {
	return r.cfg.insert(ctx, "note the copy of the database", `insert into database_copies (system, timeline, database, found_at) values ($1, $2, $3, $4)`,
		c.System, c.Timeline, c.Database, r.cfg.Now())
}

func (r *Recovery) mark(ctx context.Context, m mark) error {
	return r.cfg.insert(ctx, "note what was given back", `insert into kept_given (ended_epoch, producer, given_at) values ($1, $2, $3) on conflict do nothing`,
		m.epoch, m.producer, r.cfg.Now())
}

func (c Config) insert(ctx context.Context, what, sql string, args ...any) error {
	err := c.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, sql, args...)
		return err
	})
	if err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}
