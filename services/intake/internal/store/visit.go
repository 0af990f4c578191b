package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	"huskline/services/intake/internal/visit"
	"huskline/services/intake/internal/weighing"
)

// written is a fact as its row keeps it: the body of its event.
func written(m proto.Message) ([]byte, error) {
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("write down a fact: %w", err)
	}
	return b, nil
}

// readFact reads a fact as its row keeps it.
func readFact[M any, P interface {
	*M
	proto.Message
}, B any](row []byte, parse func(P) (B, error)) (body B, err error) {
	m := P(new(M))
	if err := proto.Unmarshal(row, m); err != nil {
		return body, fmt.Errorf("read a fact: %w", err)
	}
	return parse(m)
}

// NextNumber gives the next number of a series. Numbers are used in the order of commits, and a refused command gives its number back.
func (t *Tx) NextNumber(ctx context.Context, series string) (n int64, err error) {
	const next = `insert into numbers (series, number) values ($1, 1) on conflict (series) do update set number = numbers.number + 1 returning number`
	if err := t.tx.QueryRow(ctx, next, series).Scan(&n); err != nil {
		return 0, fmt.Errorf("give a number of %s: %w", series, err)
	}
	return n, nil
}

// queueNumber keeps a series from giving a number that stands in a fact.
func queueNumber(b *pgx.Batch, series string, n int64) {
	b.Queue(`insert into numbers (series, number) values ($1, $2) on conflict (series) do update set number = excluded.number
		where numbers.number < excluded.number`, series, n)
}

// Visit finds a visit and locks it until the end of the transaction.
func (t *Tx) Visit(ctx context.Context, number int64) (*visit.State, error) {
	switch err := t.tx.QueryRow(ctx, `select visit from visits where visit = $1 for update`, number).Scan(&number); {
	case absent(err):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("lock visit %d: %w", number, err)
	}
	page, err := t.visits(ctx, []int64{number})
	if err != nil || len(page) == 0 {
		return nil, err
	}
	return &page[0], nil
}

// VisitPage lists visits by number after one, only open ones where asked, at most limit.
func (t *Tx) VisitPage(ctx context.Context, after int64, openOnly bool, limit int) ([]visit.State, error) {
	rows, err := t.tx.Query(ctx, `select visit from visits where visit > $1 and (open or not $2) order by visit limit $3`, after, openOnly, limit)
	if err != nil {
		return nil, fmt.Errorf("list visits: %w", err)
	}
	numbers, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	if err != nil || len(numbers) == 0 {
		return nil, err
	}
	return t.visits(ctx, numbers)
}

// visits reads visits with their facts, in the order of their numbers.
func (t *Tx) visits(ctx context.Context, numbers []int64) ([]visit.State, error) {
	const find = `select v.visit, v.plate, v.party, v.opened, c.fact from visits v left join visit_closings c using (visit) where visit = any($1) order by visit`
	rows, err := t.tx.Query(ctx, find, numbers)
	if err != nil {
		return nil, fmt.Errorf("read visits: %w", err)
	}
	at := make(map[int64]int, len(numbers))
	page, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s visit.State, err error) {
		var closing []byte
		if err := row.Scan(&s.ID, &s.Plate, &s.Party, &s.Opened, &closing); err != nil || closing == nil {
			return s, err
		}
		c, err := readFact(closing, lotwire.ParseVisitClosed)
		s.Closed = &c
		return s, err
	})
	if err != nil {
		return nil, fmt.Errorf("read visits: %w", err)
	}
	for i := range page {
		page[i].Opened, page[i].Used = page[i].Opened.UTC(), map[int64]lot.ID{}
		page[i].Tickets = map[int64]visit.Ticket{}
		at[page[i].ID] = i
	}
	return page, t.fillVisits(ctx, page, at)
}

// fillVisits gives visits their weighings, uses and tares.
func (t *Tx) fillVisits(ctx context.Context, page []visit.State, at map[int64]int) error {
	numbers := make([]int64, len(page))
	for i, s := range page {
		numbers[i] = s.ID
	}
	b := &pgx.Batch{}
	b.Queue(`select fact from visit_weighings where visit = any($1) order by visit, number`, numbers).Query(func(rows pgx.Rows) error {
		var fact []byte
		_, err := pgx.ForEachRow(rows, []any{&fact}, func() error {
			w, err := readFact(fact, lotwire.ParseVisitWeighed)
			s := &page[at[w.Visit]]
			s.Weighings = append(s.Weighings, w)
			return err
		})
		return err
	})
	b.Queue(`select visit, line, lot from visit_uses where visit = any($1) and lot <> ''`, numbers).Query(func(rows pgx.Rows) error {
		var number, line int64
		var id lot.ID
		_, err := pgx.ForEachRow(rows, []any{&number, &line, &id}, func() error {
			page[at[number]].Used[line] = id
			return nil
		})
		return err
	})
	b.Queue(`select visit, line, series, number, stands from ticket_lines where visit = any($1)`, numbers).Query(func(rows pgx.Rows) error {
		var number, line int64
		var of visit.Ticket
		_, err := pgx.ForEachRow(rows, []any{&number, &line, &of.Series, &of.Number, &of.Stands}, func() error {
			page[at[number]].Tickets[line] = of
			return nil
		})
		return err
	})
	if err := t.send(ctx, "read visits", b); err != nil {
		return err
	}
	for i := range page {
		if c := page[i].Closed; c != nil && c.Tare != 0 {
			tare, err := t.Tare(ctx, c.Tare)
			if err != nil {
				return err
			}
			page[i].Tare = tare
		}
	}
	return nil
}

// OpenVisit is the number of a plate's open visit.
func (t *Tx) OpenVisit(ctx context.Context, plate string) (number int64, err error) {
	err = t.tx.QueryRow(ctx, `select visit from visits where plate = $1 and open`, plate).Scan(&number)
	if err != nil && !absent(err) {
		return 0, fmt.Errorf("find the open visit of %s: %w", plate, err)
	}
	return number, nil
}

// LookUp finds what a visit wants to know.
func (t *Tx) LookUp(ctx context.Context, w visit.Want) (visit.Known, error) {
	known := visit.Known{Readings: map[visit.ReadingKey]weighing.Stored{}, Used: map[visit.ReadingKey]visit.Use{}}
	if err := t.lockUses(ctx, w.Readings, w.Keyed); err != nil {
		return known, err
	}
	b := &pgx.Batch{}
	b.Queue(`select exists (select from parties where party = $1)`, w.Party).QueryRow(func(row pgx.Row) error { return row.Scan(&known.Party) })
	if len(w.Readings) > 0 {
		queueReadings(b, w.Readings, known.Readings)
		queueUsed(b, w.Readings, known.Used)
	}
	if err := t.send(ctx, "look up what a visit names", b); err != nil {
		return known, err
	}
	var err error
	if known.Keyed, err = t.lockKeyed(ctx, w.Keyed); err != nil || len(w.Scales) == 0 {
		return known, err
	}
	known.Scales, err = t.Named(ctx, w.Scales)
	return known, err
}

// SaveWeighing adds a weighing; the first of a visit opens it.
func (t *Tx) SaveWeighing(ctx context.Context, w lot.VisitWeighed, at time.Time) error {
	fact, err := written(lotwire.VisitWeighed(w))
	if err != nil {
		return err
	}
	b := &pgx.Batch{}
	if w.Number == 1 {
		queueNumber(b, "visit", w.Visit)
		b.Queue(`insert into visits (visit, plate, party, opened, open) values ($1, $2, $3, $4, true)`, w.Visit, w.Plate, w.Party, at)
	} else if w.Party != "" {
		b.Queue(`update visits set party = $2 where visit = $1`, w.Visit, w.Party)
	}
	b.Queue(`insert into visit_weighings (visit, number, fact, recorded) values ($1, $2, $3, $4)`, w.Visit, w.Number, fact, t.at)
	for _, i := range w.Indications {
		if i.Sequence != 0 {
			b.Queue(`insert into visit_readings (scale, sequence, visit) values ($1, $2, $3)`, i.Scale, i.Sequence, w.Visit)
		}
		if i.Keyed != 0 {
			b.Queue(`update keyed_uses set visit = $2 where keyed = $1`, i.Keyed, w.Visit)
		}
	}
	err = t.tx.SendBatch(ctx, b).Close()
	switch {
	case postgres.IsUniqueViolation(err, "visits_open"):
		return fault.Conflict("visit_open", "plate %s: a visit of it was opened just now; name it to go on with it", w.Plate)
	case postgres.IsUniqueViolation(err, "visit_readings_pk"):
		return fault.Conflict("reading_used", "visit %d: a reading of this weighing came to belong to another just now; it is used once", w.Visit)
	case err != nil:
		return fmt.Errorf("record a weighing of visit %d: %w", w.Visit, err)
	}
	return nil
}

// SaveClosing ends a visit.
func (t *Tx) SaveClosing(ctx context.Context, c lot.VisitClosed) error {
	fact, err := written(lotwire.VisitClosed(c))
	if err != nil {
		return err
	}
	b := &pgx.Batch{}
	b.Queue(`update visits set open = false where visit = $1`, c.Visit)
	b.Queue(`insert into visit_closings (visit, fact, recorded) values ($1, $2, $3)`, c.Visit, fact, t.at)
	return t.send(ctx, fmt.Sprintf("close visit %d", c.Visit), b)
}

// queueUse makes a lot the one that lines of its visit and keyed weights went into, by the version of it that stands now.
func (t *Tx) queueUse(ctx context.Context, b *pgx.Batch, r lot.Received, voided bool) error {
	b.Queue(`update visit_uses set lot = '' where lot = $1`, r.Lot)
	b.Queue(`update keyed_uses set lot = '' where lot = $1`, r.Lot)
	if len(r.Keyed) > 0 && !voided {
		b.Queue(`update keyed_uses set lot = $1 where keyed = any($2)`, r.Lot, r.Keyed)
	}
	if r.Visit == 0 || voided {
		return nil
	}
	lines := []int64{r.VisitLine}
	if r.VisitLine == 0 {
		page, err := t.visits(ctx, []int64{r.Visit})
		if err != nil {
			return err
		}
		lines = nil
		for _, s := range page {
			all, err := s.Lines()
			if err != nil {
				return err
			}
			for _, l := range all {
				lines = append(lines, l.Number)
			}
		}
	}
	b.Queue(`insert into visit_uses (visit, line, lot) select $1, n, $3 from unnest($2::bigint[]) as u(n)
		on conflict (visit, line) do update set lot = excluded.lot`, r.Visit, lines, r.Lot)
	return nil
}
