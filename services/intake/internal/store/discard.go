package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	"huskline/services/intake/internal/weighing"
)

// Discarded finds readings that were put aside for good by their contents.
func (t *Tx) Discarded(ctx context.Context, contents []weighing.Hash) (map[weighing.Hash]weighing.Discarded, error) {
	keys := make([][]byte, len(contents))
	for i := range contents {
		keys[i] = contents[i][:]
	}
	rows, err := t.discards(ctx, `select number, fact, recorded from discarded_readings where content = any($1)`, keys)
	found := make(map[weighing.Hash]weighing.Discarded, len(rows))
	for _, d := range rows {
		found[weighing.Hash(d.Content)] = d
	}
	return found, err
}

func (t *Tx) discards(ctx context.Context, query string, args ...any) ([]weighing.Discarded, error) {
	rows, err := t.tx.Query(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("read discarded readings: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (d weighing.Discarded, err error) {
		var fact []byte
		var recorded time.Time
		if err := row.Scan(&d.Number, &fact, &recorded); err != nil {
			return d, err
		}
		d.Recorded = recorded.UTC()
		d.ReadingDiscarded, err = readFact(fact, lotwire.ParseReadingDiscarded)
		return d, err
	})
}

// SaveDiscard writes a reading down that is put aside for good.
func (t *Tx) SaveDiscard(ctx context.Context, d lot.ReadingDiscarded) error {
	fact, err := written(lotwire.ReadingDiscarded(d))
	if err != nil {
		return err
	}
	_, err = t.tx.Exec(ctx, `insert into discarded_readings (content, fact, recorded) values ($1, $2, $3)`, d.Content, fact, t.at)
	switch {
	case postgres.IsUniqueViolation(err, "discarded_readings_pk"):
		return fault.Conflict("reading_discarded", "scale %s, sequence %d: the reading was put aside for good before", d.Scale, d.Sequence)
	case err != nil:
		return fmt.Errorf("discard a reading of scale %s: %w", d.Scale, err)
	}
	return nil
}

// DiscardedPage lists readings that were put aside for good, the last first, before a number (0: from the newest), at most limit.
func (t *Tx) DiscardedPage(ctx context.Context, before int64, limit int) ([]weighing.Discarded, error) {
	const list = `select number, fact, recorded from discarded_readings where $1 = 0 or number < $1 order by number desc limit $2`
	return t.discards(ctx, list, before, limit)
}

// DiscardedPage lists readings that were put aside for good, the last first, before a number (0: from the newest), at most limit.
func (r *Reader) DiscardedPage(ctx context.Context, before int64, limit int) ([]weighing.Discarded, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]weighing.Discarded, error) {
		return tx.DiscardedPage(ctx, before, limit)
	})
}
