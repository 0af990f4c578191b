package postgres

import (
	"context"
	"errors"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"huskline/internal/fault"
)

// maxTries bounds the retries of one transaction. With 32 writers on one row READ COMMITTED needs none; deadlocks resolve in one or two.
const maxTries = 8

// InTx runs fn in a read-write transaction at READ COMMITTED and commits when fn returns nil. fn runs again after a serialization failure or a deadlock,
// at most eight times; so it must have no effect but through its transaction. An error of kind unavailable may hide a commit that did happen.
func (db *DB) InTx(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.retry(ctx, "begin isolation level read committed read write", fn)
}

// InReplayableTx is InTx for work that is done again if a power cut takes the commit: taking in events that their producer keeps, moving a cursor
// that only saves repeats. It does not wait for the disk. Whatever is committed by InTx later takes it along, since the log is written in order; so
// nothing that was answered can rest on work that is lost.
func (db *DB) InReplayableTx(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.retry(ctx, "begin isolation level read committed read write; set local synchronous_commit = off", fn)
}

// Snapshot runs fn in a read-only transaction at REPEATABLE READ: all its queries see one moment.
func (db *DB) Snapshot(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.retry(ctx, "begin isolation level repeatable read read only", fn)
}

func (db *DB) retry(ctx context.Context, begin string, fn func(context.Context, pgx.Tx) error) error {
	_, err := backoff.Retry(ctx, func() (struct{}, error) {
		err := db.once(ctx, begin, fn)
		if err != nil && !retryable(err) {
			err = backoff.Permanent(err)
		}
		return struct{}{}, err
	}, backoff.WithMaxTries(maxTries), backoff.WithBackOff(&backoff.ExponentialBackOff{
		InitialInterval: 2 * time.Millisecond, RandomizationFactor: 0.5, Multiplier: 2, MaxInterval: 200 * time.Millisecond,
	}))
	return db.Translate(err)
}

func (db *DB) once(ctx context.Context, begin string, fn func(context.Context, pgx.Tx) error) error {
	conn, err := db.acquire(ctx)
	if err != nil {
		return err
	}
	defer func() {
		conn.Release()
		db.busy.Add(-1)
	}()
	limit, err := db.statementLimit(ctx)
	if err != nil {
		return err
	}
	if limit < db.cfg.StatementTimeout-closeEnough {
		begin += "; set local statement_timeout = " + milliseconds(limit) // in the same round trip; it ends with the transaction
	}
	tx, err := conn.BeginTx(ctx, pgx.TxOptions{BeginQuery: begin})
	if err != nil {
		return &beginError{err}
	}
	// After a commit there is nothing to undo. It must also undo when fn panics, or when ctx has ended.
	defer func() {
		if conn.Conn().PgConn().TxStatus() != idle {
			_ = tx.Rollback(context.WithoutCancel(ctx))
		}
	}()
	if err := fn(ctx, tx); err != nil {
		return err
	}
	if conn.Conn().PgConn().TxStatus() == idle {
		return nil // fn committed by itself, see QueueCommit
	}
	return tx.Commit(ctx)
}

// idle is the protocol's word for a connection outside a transaction.
const idle = 'I'

// QueueCommit ends the transaction with the last batch that it sends, so that a lock the batch takes is held for no further round trip. The batch is
// the last thing of the transaction. Where one of its statements fails, the server skips the commit and the transaction is undone as usual;
// what only our own reading of an answer finds wrong comes too late for that, so such rules belong into the statements.
func QueueCommit(b *pgx.Batch) { b.Queue("commit") }

// acquire takes a connection. Beyond a bounded queue it refuses at once: a caller who is told so early can come again, one who waits only lengthens the queue.
func (db *DB) acquire(ctx context.Context) (*pgxpool.Conn, error) {
	if db.busy.Add(1) > db.cfg.MaxConns+db.cfg.MaxWaiting {
		db.busy.Add(-1)
		return nil, fault.Unavailable("database_busy", "database %s: %d transactions wait for a connection, the limit", db.cfg.Name, db.cfg.MaxWaiting)
	}
	waiting, cancel := context.WithTimeout(ctx, db.cfg.AcquireTimeout)
	defer cancel()
	conn, err := db.pool.Acquire(waiting)
	if err == nil {
		return conn, nil
	}
	db.busy.Add(-1)
	if ctx.Err() == nil && waiting.Err() != nil {
		return nil, fault.Unavailable("database_busy", "database %s: no connection within %v", db.cfg.Name, db.cfg.AcquireTimeout)
	}
	return nil, &beginError{err}
}

// closeEnough is how far the limit of the connection may lie behind a caller's deadline: setting another one costs every command more than it is
// worth, since a caller who is gone cancels too.
const closeEnough = time.Second

// statementLimit is the time that a statement may take: until the caller's deadline, at most the configured limit.
func (db *DB) statementLimit(ctx context.Context) (time.Duration, error) {
	deadline, ok := ctx.Deadline()
	if !ok {
		return db.cfg.StatementTimeout, nil
	}
	left := time.Until(deadline)
	if left <= 0 {
		return 0, context.DeadlineExceeded
	}
	return min(left, db.cfg.StatementTimeout), nil
}

// beginError is a failure before fn ran, so that a new try is safe whatever it was.
type beginError struct{ error }

func (e *beginError) Unwrap() error { return e.error }

func retryable(err error) bool {
	var begin *beginError
	switch {
	case errors.As(err, &begin):
		return mayPass(err)
	default:
		code := Code(err)
		return code == codeSerialization || code == codeDeadlock
	}
}

// Translate gives passing failures of the database the kind that tells a caller to come again with the same id, as InTx and Snapshot do; for what was
// asked through Pool.
func (db *DB) Translate(err error) error {
	if err == nil {
		return nil
	}
	if _, ok := fault.Of(err); ok {
		return err
	}
	switch {
	case errors.Is(err, context.Canceled):
		return err
	case errors.Is(err, context.DeadlineExceeded), Code(err) == codeQueryCanceled:
		return fault.Unavailable("database_timeout", "database %s: out of time: %w", db.cfg.Name, err)
	case Code(err) == codeDiskFull:
		return fault.Unavailable("disk_full", "database %s: its disk is full: %w", db.cfg.Name, err)
	case mayPass(err), retryable(err):
		return fault.Unavailable("database_unavailable", "database %s: %w", db.cfg.Name, err)
	}
	return err
}
