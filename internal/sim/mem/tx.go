package mem

import (
	"context"
	"errors"
	"fmt"
	"reflect"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
)

// Tx is a transaction as the plumbing sees it. It knows the statements of the packages command and outbox and no other.
type Tx struct{ db *DB }

var _ pgx.Tx = (*Tx)(nil)

var errUnsupported = errors.New("sim: the database in memory has no such thing")

// result is what a statement gave.
type result struct {
	rows     [][]any
	affected int64
}

// Exec runs a statement.
func (t *Tx) Exec(_ context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	r, err := t.db.statement(sql, args)
	return tagOf(r), err
}

// Query runs a statement and gives its rows.
func (t *Tx) Query(_ context.Context, sql string, args ...any) (pgx.Rows, error) {
	r, err := t.db.statement(sql, args)
	return &rows{result: r, at: -1}, err
}

// QueryRow runs a statement and gives its first row.
func (t *Tx) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	r, err := t.db.statement(sql, args)
	return row{r, err}
}

// SendBatch runs statements in order; the first that fails ends it.
func (t *Tx) SendBatch(_ context.Context, b *pgx.Batch) pgx.BatchResults {
	return &batch{db: t.db, b: b}
}

// Commit is for the database to do.
func (t *Tx) Commit(context.Context) error { return errUnsupported }

// Rollback is for the database to do.
func (t *Tx) Rollback(context.Context) error { return errUnsupported }

// Begin has no savepoints to give.
func (t *Tx) Begin(context.Context) (pgx.Tx, error) { return nil, errUnsupported }

// CopyFrom is not there.
func (t *Tx) CopyFrom(context.Context, pgx.Identifier, []string, pgx.CopyFromSource) (int64, error) {
	return 0, errUnsupported
}

// LargeObjects are not there.
func (t *Tx) LargeObjects() pgx.LargeObjects { return pgx.LargeObjects{} }

// Prepare is not there.
func (t *Tx) Prepare(context.Context, string, string) (*pgconn.StatementDescription, error) {
	return nil, errUnsupported
}

// Conn is none.
func (t *Tx) Conn() *pgx.Conn { return nil }

func tagOf(r result) pgconn.CommandTag {
	return pgconn.NewCommandTag(fmt.Sprintf("UPDATE %d", r.affected))
}

// batch gives the results of statements one by one.
type batch struct {
	db   *DB
	b    *pgx.Batch
	next int
	err  error
}

func (b *batch) take() (result, error) {
	if b.err != nil {
		return result{}, b.err
	}
	if b.next >= b.b.Len() {
		return result{}, errors.New("sim: the batch has no more statements")
	}
	q := b.b.QueuedQueries[b.next]
	b.next++
	r, err := b.db.statement(q.SQL, q.Arguments)
	b.err = err
	return r, err
}

// Exec runs the next statement.
func (b *batch) Exec() (pgconn.CommandTag, error) {
	r, err := b.take()
	return tagOf(r), err
}

// Query runs the next statement and gives its rows.
func (b *batch) Query() (pgx.Rows, error) {
	r, err := b.take()
	return &rows{result: r, at: -1}, err
}

// QueryRow runs the next statement and gives its first row.
func (b *batch) QueryRow() pgx.Row {
	r, err := b.take()
	return row{r, err}
}

// Close runs what is left, each statement with what was queued to read its answer.
func (b *batch) Close() error {
	for b.err == nil && b.next < b.b.Len() {
		if fn := b.b.QueuedQueries[b.next].Fn; fn != nil {
			if err := fn(b); err != nil && b.err == nil {
				b.err = err
			}
			continue
		}
		_, _ = b.take()
	}
	return b.err
}

// Tx is the transaction it runs in.
func (b *batch) Tx() pgx.Tx { return &Tx{db: b.db} }

type row struct {
	result result
	err    error
}

// Scan reads the row.
func (r row) Scan(dest ...any) error {
	if r.err != nil {
		return r.err
	}
	if len(r.result.rows) == 0 {
		return pgx.ErrNoRows
	}
	return assign(dest, r.result.rows[0])
}

type rows struct {
	result result
	at     int
}

// Close does nothing.
func (r *rows) Close() {}

// Err is none.
func (r *rows) Err() error { return nil }

// CommandTag counts the rows.
func (r *rows) CommandTag() pgconn.CommandTag {
	return tagOf(result{affected: int64(len(r.result.rows))})
}

// FieldDescriptions are none.
func (r *rows) FieldDescriptions() []pgconn.FieldDescription { return nil }

// Next moves to the next row.
func (r *rows) Next() bool {
	r.at++
	return r.at < len(r.result.rows)
}

// Scan reads the present row.
func (r *rows) Scan(dest ...any) error { return assign(dest, r.result.rows[r.at]) }

// Values are the present row's.
func (r *rows) Values() ([]any, error) { return r.result.rows[r.at], nil }

// TypeMap is none.
func (r *rows) TypeMap() *pgtype.Map { return nil }

// RawValues are none.
func (r *rows) RawValues() [][]byte { return nil }

// Conn is none.
func (r *rows) Conn() *pgx.Conn { return nil }

func assign(dest, values []any) error {
	if len(dest) != len(values) {
		return fmt.Errorf("sim: %d values for %d targets", len(values), len(dest))
	}
	for i, d := range dest {
		to := reflect.ValueOf(d).Elem()
		v := reflect.ValueOf(values[i])
		if !v.CanConvert(to.Type()) {
			return fmt.Errorf("sim: value %d is a %T and does not go into a %T", i, values[i], d)
		}
		to.Set(v.Convert(to.Type()))
	}
	return nil
}
