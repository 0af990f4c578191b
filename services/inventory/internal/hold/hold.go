// Package hold stops goods from moving. A hold is placed on a lot; a safety hold also reaches everything made from it, until quality
// excludes a lot with a reason; a commercial hold does not spread. Held goods move under a disposition of quality only.
//
//	placed on its root ──▶ spreading, page by page ──▶ at rest ──▶ released
//	                         ▲ an edge that is added later, by a dump into an open run or a correction, starts it again
//
// While a hold spreads, whatever leaves looks at its ancestors too; a lot that is born takes over the holds of what it is made from. One made
// of excluded lots alone is excluded with them, and held as soon as something held goes in.
//
// A hold on containers of a lot, or on what was filled within a time, holds that part of it and leaves the rest free. Of loose goods nobody knows
// which were taken: all that was filled within the time is taken to be there still. Below the lot too much is held rather than too little: a
// safety hold reaches all that was made from the lot after the first fill that is held.
package hold

import (
	"context"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// Hold is a hold as it stands.
type Hold struct {
	lot.Held
	PlacedBy string
	At       time.Time
	Ended    bool
	Since    time.Time // of a hold on a part: what was drawn before it cannot be of that part; zero: unknown
}

// part tells whether the hold lies on a part of its root only.
func (h *Hold) part() bool {
	return len(h.Containers) > 0 || !h.FillFrom.IsZero() || !h.FillTo.IsZero()
}

// State is a hold as it is shown.
type State struct {
	Hold
	Number    int64 // its place among all, oldest first
	Spreading bool
	Lots      []lot.ID // it lies on
	Excluded  []lot.ID
}

// Flag is the hold as it lies on its root.
func (h *Hold) Flag() stock.Flag {
	return stock.Flag{
		Hold: h.Hold, Class: h.Class, Root: h.Root, Reason: h.Reason, Recall: h.Recall,
		Part: h.part(), Containers: h.Containers, FillFrom: h.FillFrom, FillTo: h.FillTo, Since: h.Since,
	}
}

// Tx is what holds need of a transaction.
type Tx interface {
	stock.Tx
	// Hold locks a hold; fault hold_unknown where there is none.
	Hold(ctx context.Context, id string) (*Hold, error)
	// AddHold writes a new hold; fault hold_known where the id is in use.
	AddHold(ctx context.Context, h *Hold) error
	// End releases a hold.
	End(ctx context.Context, id, by, reason string) error
	// Exclude takes a lot out of a hold.
	Exclude(ctx context.Context, m stock.Marked, by, reason string) error
	// AddDisposition writes a disposition; fault disposition_known where the id is in use.
	AddDisposition(ctx context.Context, d lot.Disposed, by string) error
	// HoldLots are the lots a hold lies on, in key order.
	HoldLots(ctx context.Context, id string) ([]lot.ID, error)
}

// Order is an order to place a hold.
type Order struct {
	lot.Held // of the root
	By       string
	At       time.Time
}

// Place puts a hold on a lot. A safety hold commits as spreading.
func Place(ctx context.Context, tx Tx, o Order) (*Hold, []lot.Event, error) {
	b, err := stock.Open(ctx, tx, "hold/"+o.Hold, stock.Want{Lots: []lot.ID{o.Root}})
	if err != nil {
		return nil, nil, err
	}
	if err := b.When("hold "+o.Hold, o.At); err != nil {
		return nil, nil, err
	}
	if b.Find(o.Root) == nil {
		_, err := b.Lot(o.Root)
		return nil, nil, err
	}
	if !o.FillTo.IsZero() && o.FillTo.Before(o.FillFrom) {
		return nil, nil, fault.Invalid("window_reversed", "hold %s: its fill window ends before it begins", o.Hold)
	}
	o.Lot = o.Root
	h := &Hold{Held: o.Held, PlacedBy: o.By, At: o.At}
	if h.Since, err = since(b, h); err != nil {
		return nil, nil, err
	}
	if err := tx.AddHold(ctx, h); err != nil {
		return nil, nil, err
	}
	b.Mark(o.Hold, o.Root)
	if h.Class == lot.SafetyHold {
		b.Spread(o.Hold, o.Root)
	}
	return h, []lot.Event{{Lots: []lot.ID{o.Root}, Effective: o.At, Body: o.Held}}, b.Close(ctx, tx)
}

// since is when the part that is held began to be: the first of its fills, or the start of its window.
func since(b *stock.Book, h *Hold) (time.Time, error) {
	if !h.part() {
		return time.Time{}, nil
	}
	first := h.FillFrom
	for i, code := range h.Containers {
		filled, ok := b.Filled(h.Root, code)
		if !ok && !b.Again() {
			return time.Time{}, fault.NotFound("container_unknown", "lot %s: it has no container %s", h.Root, code)
		}
		if window := !h.FillFrom.IsZero() || !h.FillTo.IsZero(); i == 0 && !window || filled.Before(first) {
			first = filled
		}
	}
	return first, nil
}

// Reach puts a hold on a lot that it had reached before; what was made from it is looked for again.
func Reach(ctx context.Context, tx Tx, h lot.Held) error {
	b, err := stock.Open(ctx, tx, "hold/"+h.Hold, stock.Want{Lots: []lot.ID{h.Lot}})
	if err != nil {
		return err
	}
	b.Mark(h.Hold, h.Lot)
	if h.Class == lot.SafetyHold {
		b.Spread(h.Hold, h.Lot)
	}
	return b.Close(ctx, tx)
}

// Decision is a decision on held goods, by whom and why.
type Decision struct {
	Hold   string
	Lot    lot.ID
	By     string
	Reason string
}

// on finds the hold and the lot it lies on.
func on(ctx context.Context, tx Tx, d Decision) (*Hold, *stock.Book, error) {
	h, err := tx.Hold(ctx, d.Hold)
	if err != nil {
		return nil, nil, err
	}
	if h.Ended {
		return nil, nil, fault.Precondition("hold_ended", "hold %s: it was released", d.Hold)
	}
	b, err := stock.Open(ctx, tx, "hold/"+d.Hold, stock.Want{Lots: []lot.ID{d.Lot}})
	if err != nil {
		return nil, nil, err
	}
	if b.Find(d.Lot) == nil {
		_, err := b.Lot(d.Lot)
		return nil, nil, err
	}
	for _, f := range b.Flags(d.Lot) {
		if f.Hold == d.Hold && !f.Excluded {
			return h, b, nil
		}
	}
	return nil, nil, fault.Precondition("hold_elsewhere", "hold %s: it does not lie on lot %s", d.Hold, d.Lot)
}

// Exclude takes a descendant out of a hold. What is made of it later is not reached through it.
func Exclude(ctx context.Context, tx Tx, d Decision) ([]lot.Event, error) {
	h, b, err := on(ctx, tx, d)
	if err != nil {
		return nil, err
	}
	if h.Root == d.Lot {
		return nil, fault.Precondition("hold_root", "hold %s: lot %s is what it was placed on; release the hold", d.Hold, d.Lot)
	}
	if err := tx.Exclude(ctx, stock.Marked{Hold: d.Hold, Lot: d.Lot}, d.By, d.Reason); err != nil {
		return nil, err
	}
	body := lot.HoldEnded{Hold: d.Hold, Lot: d.Lot, Excluded: true, Reason: d.Reason}
	if h.Class == lot.SafetyHold {
		b.Spread(d.Hold, d.Lot) // what is made of it already and was not reached yet is to be noted as excluded too
	}
	return []lot.Event{{Lots: []lot.ID{d.Lot}, Effective: tx.At(), Body: body}}, b.Close(ctx, tx)
}

// ExcludeAgain takes a lot out of a hold as it was before.
func ExcludeAgain(ctx context.Context, tx Tx, e lot.HoldEnded, by string) error {
	h, err := tx.Hold(ctx, e.Hold)
	if err != nil {
		return err
	}
	b, err := stock.Open(ctx, tx, "hold/"+e.Hold, stock.Want{Lots: []lot.ID{e.Lot}})
	if err != nil {
		return err
	}
	if strings.HasPrefix(e.Reason, stock.FromExcluded) {
		b.Spare(h.Flag(), e.Lot, e.Reason, tx.At())
	} else if err := tx.Exclude(ctx, stock.Marked{Hold: e.Hold, Lot: e.Lot}, by, e.Reason); err != nil {
		return err
	}
	if h.Class == lot.SafetyHold {
		b.Spread(e.Hold, e.Lot)
	}
	return b.Close(ctx, tx)
}

// Decide records a disposition. It covers a quantity of what is on hand, and is spent by what is done under it.
func Decide(ctx context.Context, tx Tx, d lot.Disposed, by string) ([]lot.Event, error) {
	_, b, err := on(ctx, tx, Decision{Hold: d.Hold, Lot: d.Lot, By: by, Reason: d.Reason})
	if err != nil {
		return nil, err
	}
	l := b.Find(d.Lot)
	if lies := b.Lies(l); d.Quantity > lies {
		return nil, fault.Precondition("disposition_beyond", "lot %s: %s of it lie here, a disposition cannot cover %s", d.Lot,
			stock.Amount(lies, l.Measure), stock.Amount(d.Quantity, l.Measure))
	}
	if err := tx.AddDisposition(ctx, d, by); err != nil {
		return nil, err
	}
	return []lot.Event{{Lots: []lot.ID{d.Lot}, Effective: tx.At(), Body: d}}, nil
}

// Release lifts a hold from all its lots. Who placed a recall hold does not release it alone.
func Release(ctx context.Context, tx Tx, d Decision) ([]lot.Event, error) {
	h, err := tx.Hold(ctx, d.Hold)
	if err != nil {
		return nil, err
	}
	switch {
	case h.Ended:
		return nil, fault.Precondition("hold_ended", "hold %s: it was released", d.Hold)
	case h.Recall && h.PlacedBy == d.By:
		return nil, fault.Precondition("recall_same_person", "hold %s: %s placed it for a recall; another person of quality releases it", d.Hold, d.By)
	}
	lots, err := tx.HoldLots(ctx, d.Hold)
	if err != nil {
		return nil, err
	}
	if err := tx.End(ctx, d.Hold, d.By, d.Reason); err != nil {
		return nil, err
	}
	return []lot.Event{{Lots: lots, Effective: tx.At(), Body: lot.HoldEnded{Hold: d.Hold, Reason: d.Reason}}}, nil
}
