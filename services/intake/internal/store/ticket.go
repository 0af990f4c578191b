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
	"huskline/services/intake/internal/ticket"
)

// Names finds the names of a party and an item as they stand.
func (t *Tx) Names(ctx context.Context, party lot.PartyID, item lot.ItemID) (n ticket.Names, err error) {
	const find = `select coalesce((select v.name from parties p join party_versions v using (party, version) where p.party = $1), ''),
		coalesce((select v.name from items i join item_versions v using (item, version) where i.item = $2), '')`
	if err := t.tx.QueryRow(ctx, find, party, item).Scan(&n.Party, &n.Item); err != nil {
		return n, fmt.Errorf("find the names of party %s and item %s: %w", party, item, err)
	}
	return n, nil
}

// Ticket finds a ticket.
func (t *Tx) Ticket(ctx context.Context, series string, number int64) (*ticket.State, error) {
	page, err := t.Tickets(ctx, series, number-1, 1)
	if err != nil || len(page) == 0 || page[0].Number != number {
		return nil, err
	}
	return &page[0], nil
}

// Tickets lists the tickets of a series by number after one, with what became of them, at most limit.
func (t *Tx) Tickets(ctx context.Context, series string, after int64, limit int) ([]ticket.State, error) {
	rows, err := t.tx.Query(ctx, `select fact, issued from tickets where series = $1 and number > $2 order by number limit $3`, series, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list tickets: %w", err)
	}
	page, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s ticket.State, err error) {
		var fact []byte
		if err := row.Scan(&fact, &s.Issued); err != nil {
			return s, err
		}
		s.Issued = s.Issued.UTC()
		s.TicketIssued, err = readFact(fact, lotwire.ParseTicketIssued)
		return s, err
	})
	if err != nil || len(page) == 0 {
		return nil, err
	}
	at := make(map[int64]int, len(page))
	for i, s := range page {
		at[s.Number] = i
	}
	const marks = `select fact, marked from ticket_marks where series = $1 and number between $2 and $3 order by number, place`
	if rows, err = t.tx.Query(ctx, marks, series, page[0].Number, page[len(page)-1].Number); err != nil {
		return nil, fmt.Errorf("list what became of tickets: %w", err)
	}
	var fact []byte
	var when time.Time
	_, err = pgx.ForEachRow(rows, []any{&fact, &when}, func() error {
		m, err := readFact(fact, lotwire.ParseTicketMarked)
		if i, ok := at[m.Number]; ok {
			page[i].Fates = append(page[i].Fates, ticket.Fate{TicketMarked: m, At: when.UTC()})
		}
		return err
	})
	return page, err
}

// SaveTicket adds a ticket, which stands from now on for its line.
func (t *Tx) SaveTicket(ctx context.Context, of lot.TicketIssued, at time.Time) error {
	fact, err := written(lotwire.TicketIssued(of))
	if err != nil {
		return err
	}
	b := &pgx.Batch{}
	queueNumber(b, ticket.SeriesName(of.Series), of.Number)
	b.Queue(`insert into tickets (series, number, visit, line, issued, fact, recorded) values ($1, $2, $3, $4, $5, $6, $7)`, of.Series, of.Number, of.Visit,
		of.Line, at, fact, t.at)
	b.Queue(`insert into ticket_lines (visit, line, series, number, stands) values ($1, $2, $3, $4, true)
		on conflict (visit, line) do update set series = excluded.series, number = excluded.number, stands = true`, of.Visit, of.Line, of.Series, of.Number)
	return t.send(ctx, fmt.Sprintf("issue ticket %s-%d", of.Series, of.Number), b)
}

// SaveMark adds what became of a ticket; void and jammed ones stand no more.
func (t *Tx) SaveMark(ctx context.Context, m lot.TicketMarked, at time.Time) error {
	fact, err := written(lotwire.TicketMarked(m))
	if err != nil {
		return err
	}
	b := &pgx.Batch{}
	b.Queue(`insert into ticket_marks (series, number, place, marked, fact, recorded)
		select $1, $2, count(*) + 1, $3, $4, $5 from ticket_marks where series = $1 and number = $2`, m.Series, m.Number, at, fact, t.at)
	if m.Mark != lot.TicketReprinted {
		b.Queue(`update ticket_lines set stands = false where series = $1 and number = $2`, m.Series, m.Number)
	}
	err = t.tx.SendBatch(ctx, b).Close()
	switch {
	case postgres.IsUniqueViolation(err, "ticket_marks_pk"):
		return fault.Conflict("ticket_marked", "ticket %s-%d: something became of it just now; look at it again", m.Series, m.Number)
	case err != nil:
		return fmt.Errorf("mark ticket %s-%d: %w", m.Series, m.Number, err)
	}
	return nil
}

// Tickets lists the tickets of a series by number after one, at most limit.
func (r *Reader) Tickets(ctx context.Context, series string, after int64, limit int) ([]ticket.State, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]ticket.State, error) {
		return tx.Tickets(ctx, series, after, limit)
	})
}
