package hold

import (
	"context"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// page bounds the lots that one transaction of spreading reaches.
const page = 200

// SpreadTx is what spreading needs of a transaction.
type SpreadTx interface {
	stock.Tx
	// Hold locks a hold; fault hold_unknown where there is none.
	Hold(ctx context.Context, id string) (*Hold, error)
	// Frontier gives lots that a hold must still reach, at most limit, in key order.
	Frontier(ctx context.Context, id string, limit int) ([]lot.ID, error)
	// Reached takes lots off the frontier.
	Reached(ctx context.Context, id string, lots []lot.ID) error
	// LockRunsBelow locks the runs that lots went into, in key order.
	LockRunsBelow(ctx context.Context, lots []lot.ID) error
	// Children are the lots made from lots, directly.
	Children(ctx context.Context, lots []lot.ID) ([]lot.ID, error)
}

// SpreadPage lets a hold reach one page of lots and says so; the lots made from them come onto the frontier. It is done when there is
// nothing left to reach. A crash between pages loses nothing: the frontier is in the database.
//
// Runs below are locked before the lots, as postings do, and once more after them: a dump that came between has made a run that the first
// look did not see, and a fill of that run must find the flag or be found here.
func SpreadPage(ctx context.Context, tx SpreadTx, id string) (done bool, events []lot.Event, err error) {
	h, err := tx.Hold(ctx, id)
	if err != nil || h.Ended {
		return true, nil, err
	}
	lots, err := tx.Frontier(ctx, id, page)
	if err != nil || len(lots) == 0 {
		return true, nil, err
	}
	if err := tx.LockRunsBelow(ctx, lots); err != nil {
		return false, nil, err
	}
	b, err := stock.Open(ctx, tx, "spread/"+id, stock.Want{Lots: lots})
	if err != nil {
		return false, nil, err
	}
	if err := tx.LockRunsBelow(ctx, lots); err != nil {
		return false, nil, err
	}
	var reached []lot.ID
	for _, l := range lots {
		on, excluded := lies(b.Flags(l), id)
		if excluded {
			continue
		}
		reached = append(reached, l)
		if !on {
			b.Mark(id, l)
			events = append(events, stock.HeldEvent(h.Flag(), l, tx.At()))
		}
	}
	if err := expand(ctx, tx, b, id, reached); err != nil {
		return false, nil, err
	}
	if err := tx.Reached(ctx, id, lots); err != nil {
		return false, nil, err
	}
	return false, events, b.Close(ctx, tx)
}

// expand puts the children on the frontier that the hold neither lies on nor was lifted from. One that it lies on has handed it down at
// birth, or was expanded when it was reached.
func expand(ctx context.Context, tx SpreadTx, b *stock.Book, id string, lots []lot.ID) error {
	if len(lots) == 0 {
		return nil
	}
	children, err := tx.Children(ctx, lots)
	if err != nil || len(children) == 0 {
		return err
	}
	flags, err := tx.Flags(ctx, children)
	if err != nil {
		return err
	}
	for _, child := range children {
		if on, excluded := lies(flags[child], id); !on && !excluded {
			b.Spread(id, child)
		}
	}
	return nil
}

func lies(flags []stock.Flag, id string) (on, excluded bool) {
	for _, f := range flags {
		if f.Hold == id {
			return !f.Excluded, f.Excluded
		}
	}
	return false, false
}
