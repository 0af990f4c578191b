// Package count is counting what lies in a place: a position is frozen, the sheet names lots and no figures, who counts does not see the
// book, and what differs is counted again by somebody else before it is posted.
package count

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// maxLots bounds a sheet.
const maxLots = 5_000

// reason is the registered reason of a difference.
const reason = "count"

// Entry is what was counted of a lot, by whom, in the order it was told.
type Entry struct {
	Lot     lot.ID
	Counted lot.Quantity
	By      string
}

// Sheet is a count under way.
type Sheet struct {
	ID      string
	Place   lot.PlaceID
	At      time.Time // the frozen position
	Book    map[lot.ID]lot.Quantity
	Entries []Entry
	Closed  bool
}

// of are the entries of a lot.
func (s *Sheet) of(id lot.ID) []Entry {
	var out []Entry
	for _, e := range s.Entries {
		if e.Lot == id {
			out = append(out, e)
		}
	}
	return out
}

// Tx is what counting needs of a transaction.
type Tx interface {
	stock.Tx
	// BookAt is what lay in a place at a time, by lot; at most limit lots.
	BookAt(ctx context.Context, place lot.PlaceID, at time.Time, limit int) (map[lot.ID]lot.Quantity, error)
	// AddSheet writes a new sheet.
	AddSheet(ctx context.Context, s *Sheet, by string) error
	// Sheet locks a sheet; fault sheet_unknown where there is none.
	Sheet(ctx context.Context, id string) (*Sheet, error)
	// AddEntry writes an entry of a sheet.
	AddEntry(ctx context.Context, sheet string, e Entry) error
	// CloseSheet ends a sheet.
	CloseSheet(ctx context.Context, id, by string) error
}

// Open freezes a position and gives the lots to count, in key order.
func Open(ctx context.Context, tx Tx, s Sheet, by string) ([]lot.ID, error) {
	b, err := stock.Open(ctx, tx, "count/"+s.ID, stock.Want{Places: []lot.PlaceID{s.Place}})
	if err != nil {
		return nil, err
	}
	if err := b.When("count "+s.ID, s.At); err != nil {
		return nil, err
	}
	if s.Book, err = tx.BookAt(ctx, s.Place, s.At, maxLots+1); err != nil {
		return nil, err
	}
	if len(s.Book) > maxLots {
		return nil, fault.Precondition("count_too_large", "count of place %q: more than %d lots lie there; count smaller places", s.Place, maxLots)
	}
	if err := tx.AddSheet(ctx, &s, by); err != nil {
		return nil, err
	}
	lots := make([]lot.ID, 0, len(s.Book))
	for id := range s.Book {
		lots = append(lots, id)
	}
	slices.Sort(lots)
	return lots, nil
}

func sheet(ctx context.Context, tx Tx, id string) (*Sheet, error) {
	s, err := tx.Sheet(ctx, id)
	if err == nil && s.Closed {
		return nil, fault.Precondition("sheet_closed", "count sheet %s: it is closed", id)
	}
	return s, err
}

// Record writes down what was counted and tells whether another person must count again. A lot that is found without being on the sheet is
// counted against nothing.
func Record(ctx context.Context, tx Tx, id string, e Entry) (recount bool, err error) {
	s, err := sheet(ctx, tx, id)
	if err != nil {
		return false, err
	}
	b, err := stock.Open(ctx, tx, "count/"+id, stock.Want{Lots: []lot.ID{e.Lot}})
	if err != nil {
		return false, err
	}
	if _, err := b.Lot(e.Lot); err != nil {
		return false, err
	}
	before := s.of(e.Lot)
	for _, old := range before {
		if old.By == e.By {
			return false, fault.Precondition("recount_same_person", "count sheet %s: %s has counted lot %s already; another person counts again", id, e.By, e.Lot)
		}
	}
	if err := tx.AddEntry(ctx, id, e); err != nil {
		return false, err
	}
	return len(before) == 0 && e.Counted != s.Book[e.Lot], nil
}

// Difference is a counted lot that differs from the frozen book.
type Difference struct {
	Lot           lot.ID
	Book, Counted lot.Quantity
	Adjustment    string
}

// Close posts what differs, at the frozen position. Every lot of the sheet must have been counted, and counted again where it differed. What the
// sheet posted already stands: it may have been closed in a time that the database lost, whose adjustments came back by their events.
func Close(ctx context.Context, tx Tx, id, by string) ([]Difference, []lot.Event, error) {
	s, err := sheet(ctx, tx, id)
	if err != nil {
		return nil, nil, err
	}
	differences, err := s.differences()
	if err != nil {
		return nil, nil, err
	}
	want := stock.Want{Reasons: []string{reason}}
	var facts []string
	for _, d := range differences {
		want.Lots, facts = append(want.Lots, d.Lot), append(facts, stock.AdjustmentFact(d.Adjustment))
	}
	posted, err := tx.FactLegs(ctx, facts)
	if err != nil {
		return nil, nil, err
	}
	b, err := stock.Open(ctx, tx, "count/"+id+"/close", want)
	if err != nil {
		return nil, nil, err
	}
	var events []lot.Event
	for _, d := range differences {
		if slices.ContainsFunc(posted, func(l stock.Leg) bool { return l.Fact == stock.AdjustmentFact(d.Adjustment) }) {
			continue
		}
		body, err := b.Adjust(stock.Adjust{Name: d.Adjustment, Lot: d.Lot, Place: s.Place, Delta: d.Counted - d.Book, Reason: reason, At: s.At})
		if err != nil {
			return nil, nil, err
		}
		b.Once(stock.AdjustmentFact(d.Adjustment))
		events = append(events, lot.Event{Lots: []lot.ID{d.Lot}, Effective: s.At, Body: body})
	}
	if err := tx.CloseSheet(ctx, id, by); err != nil {
		return nil, nil, err
	}
	return differences, events, b.Close(ctx, tx)
}

// differences are the lots that differ. Lots that were never counted are named first, then those that want another person.
func (s *Sheet) differences() ([]Difference, error) {
	ids := map[lot.ID]bool{}
	for id := range s.Book {
		ids[id] = true
	}
	for _, e := range s.Entries {
		ids[e.Lot] = true
	}
	inOrder := slices.Sorted(maps.Keys(ids))
	for _, id := range inOrder {
		if len(s.of(id)) == 0 {
			return nil, fault.Precondition("count_incomplete", "count sheet %s: lot %s has not been counted", s.ID, id)
		}
	}
	var out []Difference
	for _, id := range inOrder {
		entries := s.of(id)
		last := entries[len(entries)-1]
		if last.Counted == s.Book[id] {
			continue
		}
		if len(entries) == 1 {
			return nil, fault.Precondition("recount_missing", "count sheet %s: lot %s differs from the book; another person must count again", s.ID, id)
		}
		name := uuid.NewSHA1(uuid.NameSpaceOID, []byte("huskline count "+s.ID+" "+string(id))).String()
		out = append(out, Difference{Lot: id, Book: s.Book[id], Counted: last.Counted, Adjustment: name})
	}
	return out, nil
}
