// Package ticket issues weigh tickets. Numbers of a series are given in the transaction that issues the ticket, in order and without gaps; a ticket
// that is void, or whose paper was spoilt, keeps its number with the reason; a reprint says that it is one. Huskline supports the sealed scale and
// the licensed weighmaster and replaces neither.
//
//	issued ──▶ stands ──reprinted…──▶ stands
//	              └──void, jammed──▶ its number stays; the line may be given another ticket, which names this one
package ticket

import (
	"cmp"
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/visit"
)

// State is a ticket with what became of it.
type State struct {
	lot.TicketIssued
	Issued time.Time
	Fates  []Fate // in order
}

// Fate is something that became of a ticket.
type Fate struct {
	lot.TicketMarked
	At time.Time
}

// Ended is the mark by which the ticket does not count; nil: it stands.
func (s State) Ended() *Fate {
	for i, f := range s.Fates {
		if f.Mark != lot.TicketReprinted {
			return &s.Fates[i]
		}
	}
	return nil
}

// Names is what stands on a ticket beside codes. Empty: not registered.
type Names struct{ Party, Item string }

// Tx is what tickets need of a transaction, beside what visits need.
type Tx interface {
	visit.Tx
	// Received finds a received lot and locks it until the end of the transaction; nil where there is none.
	Received(ctx context.Context, id lot.ID) (*delivery.State, error)
	// Names finds the names of a party and an item as they stand.
	Names(ctx context.Context, party lot.PartyID, item lot.ItemID) (Names, error)
	// Ticket finds a ticket; nil where there is none.
	Ticket(ctx context.Context, series string, number int64) (*State, error)
	// SaveTicket adds a ticket, which stands from now on for its line.
	SaveTicket(ctx context.Context, t lot.TicketIssued, at time.Time) error
	// SaveMark adds what became of a ticket.
	SaveMark(ctx context.Context, m lot.TicketMarked, at time.Time) error
}

// DefaultSeries is the series of tickets that name none.
const DefaultSeries = "W"

// SeriesName is the name of a series of tickets among all series of numbers.
func SeriesName(series string) string { return "ticket/" + series }

// The bounds of a ticket's texts.
const (
	maxPlace  = 100
	maxReason = 500
	everyPPM  = 1_000_000
)

// Ticket is a ticket as it is to be issued.
type Ticket struct {
	Series      string // empty: the default
	Visit, Line int64
	Party       lot.PartyID // empty: the delivery or the visit tells it
	Item        lot.ItemID  // empty: the delivery tells it
	MoisturePPM int64       // below 0: not known
	Place       string
	Weigher     string
}

// Issue issues the ticket of a line of a closed visit, under the next number of its series.
func Issue(ctx context.Context, tx Tx, t Ticket) (State, []lot.Event, error) {
	if err := form.Text("place", t.Place, maxPlace); err != nil {
		return State{}, nil, err
	}
	if t.MoisturePPM > everyPPM {
		return State{}, nil, fault.Invalid("moisture_out_of_range", "moisture %d parts per million: it is not above 1,000,000", t.MoisturePPM)
	}
	v, err := tx.Visit(ctx, t.Visit)
	switch {
	case err != nil:
		return State{}, nil, err
	case v == nil:
		return State{}, nil, fault.NotFound("visit_unknown", "visit %d: there is none of this number", t.Visit)
	}
	fact, err := t.of(*v)
	if err != nil {
		return State{}, nil, err
	}
	if err := t.goods(ctx, tx, &fact); err != nil {
		return State{}, nil, err
	}
	if fact.Number, err = tx.NextNumber(ctx, SeriesName(fact.Series)); err != nil {
		return State{}, nil, err
	}
	now := tx.Now()
	if err := tx.SaveTicket(ctx, fact, now); err != nil {
		return State{}, nil, err
	}
	said := lot.Event{Effective: now, Body: fact}
	if fact.Lot != "" {
		said.Lots = []lot.ID{fact.Lot}
	}
	return State{TicketIssued: fact, Issued: now}, []lot.Event{said}, nil
}

// of is what the visit tells of the ticket.
func (t Ticket) of(v visit.State) (lot.TicketIssued, error) {
	fact := lot.TicketIssued{
		Series: cmp.Or(t.Series, DefaultSeries), Visit: v.ID, Line: t.Line, Plate: v.Plate, Party: cmp.Or(t.Party, v.Party), Item: t.Item,
		MoisturePPM: t.MoisturePPM, Place: t.Place, Weigher: t.Weigher,
	}
	last := v.Tickets[t.Line]
	if last.Stands {
		return fact, fault.Precondition("ticket_stands", "visit %d, line %d: ticket %s-%d stands; void it, or print it again", v.ID, t.Line, last.Series, last.Number)
	}
	if last.Series == fact.Series {
		fact.Replaces = last.Number
	}
	lines, err := v.Take(t.Line, v.Used[t.Line])
	if err != nil {
		return fact, err
	}
	l := lines[0]
	fact.Lot, fact.Gross, fact.Tare, fact.Net = l.Lot, weightOf(l.Gross), weightOf(l.Tare), l.Net
	if v.Tare != nil {
		fact.Tare.Tare = v.Tare.Tare
	} else {
		fact.Outbound = l.Tare.Weighing < l.Gross.Weighing
	}
	return fact, nil
}

func weightOf(w visit.Weight) lot.TicketWeight {
	return lot.TicketWeight{Indications: w.Indications, Mass: w.Mass, Draft: w.Draft, DriverOn: w.DriverOn, Weigher: w.Weigher, Keyed: w.Keyed}
}

// goods is what the delivery tells, where the line went into one, and the names.
func (t Ticket) goods(ctx context.Context, tx Tx, fact *lot.TicketIssued) error {
	if fact.Lot != "" {
		have, err := tx.Received(ctx, fact.Lot)
		if err != nil {
			return err
		}
		if have == nil {
			return fault.Bug("visit %d, line %d: lot %s is not known", fact.Visit, fact.Line, fact.Lot)
		}
		f := have.Facts
		if t.Item != "" && t.Item != f.Item || t.Party != "" && t.Party != f.Party {
			return fault.Precondition("ticket_goods", "visit %d, line %d: it went into lot %s, item %s of party %s; the ticket says the same", fact.Visit, fact.Line,
				fact.Lot, f.Item, f.Party)
		}
		fact.Item, fact.Party, fact.Variety = f.Item, f.Party, f.Variety
		if f.Sample != nil && f.Sample.MoisturePPM >= 0 {
			fact.MoisturePPM = f.Sample.MoisturePPM
		}
	}
	names, err := tx.Names(ctx, fact.Party, fact.Item)
	fact.PartyName, fact.ItemName = names.Party, names.Item
	switch {
	case err != nil:
		return err
	case names.Party == "":
		return fault.NotFound("party_unknown", "party %q: it is not registered; a ticket names the party", fact.Party)
	case names.Item == "":
		return fault.NotFound("item_unknown", "item %q: it is not registered; a ticket names the commodity", fact.Item)
	}
	return nil
}

// Mark records what became of a ticket, and returns how often it was printed again.
func Mark(ctx context.Context, tx Tx, m lot.TicketMarked) (int64, []lot.Event, error) {
	m.Series = cmp.Or(m.Series, DefaultSeries)
	if err := form.Text("reason", m.Reason, maxReason); err != nil {
		return 0, nil, err
	}
	t, err := tx.Ticket(ctx, m.Series, m.Number)
	switch {
	case err != nil:
		return 0, nil, err
	case t == nil:
		return 0, nil, Unknown(m.Series, m.Number)
	case m.Reason == "":
		return 0, nil, fault.Invalid("reason_missing", "ticket %s-%d: what becomes of it needs a reason", m.Series, m.Number)
	}
	if end := t.Ended(); end != nil {
		return 0, nil, fault.Precondition("ticket_ended", "ticket %s-%d: it is %s; nothing more becomes of it", m.Series, m.Number, word(end.Mark))
	}
	if m.Mark == lot.TicketReprinted {
		m.Count = int64(len(t.Fates)) + 1
	}
	now := tx.Now()
	if err := tx.SaveMark(ctx, m, now); err != nil {
		return 0, nil, err
	}
	said := lot.Event{Effective: now, Body: m}
	if t.Lot != "" {
		said.Lots = []lot.ID{t.Lot}
	}
	return m.Count, []lot.Event{said}, nil
}

// Unknown says that there is no such ticket.
func Unknown(series string, number int64) error {
	return fault.NotFound("ticket_unknown", "ticket %s-%d: there is none of this number", series, number)
}

func word(m lot.TicketMark) string {
	switch m {
	case lot.TicketVoid:
		return "void"
	case lot.TicketJammed:
		return "jammed"
	}
	return "printed again"
}
