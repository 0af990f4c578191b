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
	// Parentage tells what lots are made from, directly, as far as a hold was put on that, or lifted.
	Parentage(ctx context.Context, hold string, lots []lot.ID) ([]Parentage, error)
}

// Parentage is a lot with one that it is made from.
type Parentage struct {
	Lot, Parent lot.ID
	Held        bool // the hold lies on the parent, on what went into the lot
	Excluded    bool // the hold was lifted from the parent; else it lies on a part of it that came to be later
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
	above, err := parentsOf(ctx, tx, b, id, lots)
	if err != nil {
		return false, nil, err
	}
	var reached, spared []lot.ID
	for _, l := range lots {
		on, excluded := lies(b.Flags(l), id)
		why := ""
		switch {
		case on:
		case excluded == byQuality || excluded == withParents && len(above[l]) == 0:
			why = "it stays excluded"
		default:
			why = above[l].spares()
		}
		if why != "" {
			spared = append(spared, l)
		} else {
			reached = append(reached, l)
		}
		switch {
		case why == "" && !on:
			b.Mark(id, l)
			events = append(events, stock.HeldEvent(h.Flag(), l, tx.At()))
		case why != "" && excluded == no:
			events = append(events, b.Spare(h.Flag(), l, why, tx.At()))
		}
	}
	if err := expand(ctx, tx, b, id, reached, true); err != nil {
		return false, nil, err
	}
	if err := expand(ctx, tx, b, id, spared, false); err != nil {
		return false, nil, err
	}
	if err := tx.Reached(ctx, id, lots); err != nil {
		return false, nil, err
	}
	return false, events, b.Close(ctx, tx)
}

// parents are what a lot is made from, as far as the hold knows it.
type parents []Parentage

// parentsOf reads what those lots are made from on which nobody has decided.
func parentsOf(ctx context.Context, tx SpreadTx, b *stock.Book, id string, lots []lot.ID) (map[lot.ID]parents, error) {
	var open []lot.ID
	for _, l := range lots {
		if on, excluded := lies(b.Flags(l), id); !on && excluded != byQuality {
			open = append(open, l)
		}
	}
	out := map[lot.ID]parents{}
	if len(open) == 0 {
		return out, nil
	}
	rows, err := tx.Parentage(ctx, id, open)
	for _, p := range rows {
		out[p.Lot] = append(out[p.Lot], p)
	}
	return out, err
}

// spares is why a lot is not held; empty: it is. A lot whose parents are not known to the hold any more is held: a correction that took them away
// lifts nothing.
func (ps parents) spares() string {
	why := ""
	for _, p := range ps {
		switch {
		case p.Held:
			return ""
		case p.Excluded:
			why = stock.FromExcluded + string(p.Parent) + ", which is excluded"
		default:
			why = stock.BeforeHeld(p.Parent)
		}
	}
	return why
}

// expand puts on the frontier the children on which nobody has decided, and below what is held those too that were excluded only with all that
// they were made from. A child that the hold lies on has handed it down at birth, or was expanded when it was reached.
func expand(ctx context.Context, tx SpreadTx, b *stock.Book, id string, lots []lot.ID, held bool) error {
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
		if on, excluded := lies(flags[child], id); !on && (excluded == no || held && excluded == withParents) {
			b.Spread(id, child)
		}
	}
	return nil
}

// exclusion is how a lot came out of a hold.
type exclusion int

const (
	no exclusion = iota
	byQuality
	withParents
)

func lies(flags []stock.Flag, id string) (on bool, excluded exclusion) {
	for _, f := range flags {
		switch {
		case f.Hold != id:
		case !f.Excluded:
			return true, no
		case f.Inherited:
			return false, withParents
		default:
			return false, byQuality
		}
	}
	return false, no
}
