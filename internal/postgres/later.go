package postgres

import (
	"context"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// Later runs a statement whose answer nobody waits for: in a Pipeline together with whatever is run next, so that many of them cost one round trip;
// in another transaction at once. What it does is there for every statement after it. Its failure may be told by one of those.
func Later(ctx context.Context, tx pgx.Tx, sql string, args ...any) error {
	if p, ok := tx.(*Pipeline); ok {
		p.late.Queue(sql, args...)
		return nil
	}
	_, err := tx.Exec(ctx, sql, args...)
	return err
}

// Pipeline is a transaction that puts off what Later is given. Flush must be called before its commit. It is for one goroutine.
type Pipeline struct {
	pgx.Tx
	late pgx.Batch
}

// NewPipeline makes one of a transaction, which goes on to be used through it alone.
func NewPipeline(tx pgx.Tx) *Pipeline { return &Pipeline{Tx: tx} }

// Flush runs what was put off.
func (p *Pipeline) Flush(ctx context.Context) error {
	if p.late.Len() == 0 {
		return nil
	}
	late := p.late
	p.late = pgx.Batch{}
	return p.Tx.SendBatch(ctx, &late).Close()
}

// Exec runs a statement after what was put off.
func (p *Pipeline) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	if err := p.Flush(ctx); err != nil {
		return pgconn.CommandTag{}, err
	}
	return p.Tx.Exec(ctx, sql, args...)
}

// Query asks after what was put off.
func (p *Pipeline) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	if err := p.Flush(ctx); err != nil {
		return nil, err
	}
	return p.Tx.Query(ctx, sql, args...)
}

// QueryRow asks for one row after what was put off; a failure of that is told by Scan.
func (p *Pipeline) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	if err := p.Flush(ctx); err != nil {
		return failedRow{err}
	}
	return p.Tx.QueryRow(ctx, sql, args...)
}

type failedRow struct{ err error }

func (r failedRow) Scan(...any) error { return r.err }

// SendBatch runs a batch after what was put off; a failure of that is told by the batch.
func (p *Pipeline) SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults {
	if err := p.Flush(ctx); err != nil {
		return pgx.FailedBatchResults(b, err)
	}
	return p.Tx.SendBatch(ctx, b)
}

// CopyFrom copies rows in after what was put off.
func (p *Pipeline) CopyFrom(ctx context.Context, table pgx.Identifier, columns []string, rows pgx.CopyFromSource) (int64, error) {
	if err := p.Flush(ctx); err != nil {
		return 0, err
	}
	return p.Tx.CopyFrom(ctx, table, columns, rows)
}

// Begin sets a savepoint after what was put off.
func (p *Pipeline) Begin(ctx context.Context) (pgx.Tx, error) {
	if err := p.Flush(ctx); err != nil {
		return nil, err
	}
	return p.Tx.Begin(ctx)
}

// Commit commits with what was put off.
func (p *Pipeline) Commit(ctx context.Context) error {
	if err := p.Flush(ctx); err != nil {
		return err
	}
	return p.Tx.Commit(ctx)
}
