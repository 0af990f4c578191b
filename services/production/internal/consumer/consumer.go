// Package consumer takes note of what intake and inventory say: items with their prices, lots with their owners, and what became of runs.
package consumer

import (
	"context"
	"time"

	"huskline/internal/lot"
	"huskline/services/production/internal/run"
)

// Tx is what taking note needs of a transaction.
type Tx interface {
	run.Tx
	// SaveItem notes an item with the price that holds from a time on.
	SaveItem(ctx context.Context, i lot.ItemChanged, effective time.Time, at lot.Receipt) error
	// SaveLots notes what lots are and whose.
	SaveLots(ctx context.Context, lots ...run.Lot) error
	// Say records events that follow from another's.
	Say(ctx context.Context, because lot.Recorded, events []lot.Event) error
}

// Apply gives an event of another service its effect here. What only the index of costs rests on has none.
func Apply(ctx context.Context, tx Tx, e lot.Recorded) error {
	switch body := e.Body.(type) {
	case lot.ItemChanged:
		return tx.SaveItem(ctx, body, e.Effective, e.Receipt)
	case lot.Received:
		return tx.SaveLots(ctx, run.Lot{ID: body.Lot, Item: body.Item, Measure: body.Measure, Owner: body.Owner})
	case lot.DeliveryCorrected:
		return delivery(ctx, tx, body)
	case lot.Bought:
		return bought(ctx, tx, body)
	case lot.Poured:
		return poured(ctx, tx, body)
	case lot.Returned:
		return tx.SaveLots(ctx, run.Lot{ID: body.Lot, Item: body.Item, Measure: body.Measure, Owner: body.Owner})
	case lot.RunPosted:
		return posted(ctx, tx, e, body)
	case lot.Corrected:
		return corrected(ctx, tx, e, body)
	}
	return nil
}

func delivery(ctx context.Context, tx Tx, d lot.DeliveryCorrected) error {
	return tx.SaveLots(ctx, run.Lot{ID: d.Now.Lot, Item: d.Now.Item, Measure: d.Now.Measure, Owner: d.Now.Owner})
}

// bought makes an owner's lot, or a part of it under a code of its own, the company's.
func bought(ctx context.Context, tx Tx, b lot.Bought) error {
	have, err := tx.Look(ctx, run.Want{Lots: []lot.ID{b.Lot}})
	if err != nil {
		return err
	}
	l, known := have.Lots[b.Lot]
	if !known {
		return nil
	}
	l.ID, l.Owner = b.NewLot, ""
	return tx.SaveLots(ctx, l)
}

// poured makes a bin lot known, with the owner of what was poured.
func poured(ctx context.Context, tx Tx, p lot.Poured) error {
	have, err := tx.Look(ctx, run.Want{Lots: []lot.ID{p.Lot}})
	if err != nil {
		return err
	}
	return tx.SaveLots(ctx, run.Lot{ID: p.Bin, Item: p.Item, Measure: p.Measure, Owner: have.Lots[p.Lot].Owner})
}

func posted(ctx context.Context, tx Tx, e lot.Recorded, p lot.RunPosted) error {
	if err := outputs(ctx, tx, p); err != nil {
		return err
	}
	events, err := run.Heard(ctx, tx, p)
	if err != nil {
		return err
	}
	return tx.Say(ctx, e, events)
}

func outputs(ctx context.Context, tx Tx, p lot.RunPosted) error {
	var lots []run.Lot
	for _, out := range p.Outputs {
		lots = append(lots, run.Lot{ID: out.Lot, Item: out.Item, Measure: out.Measure, Owner: out.Owner})
	}
	return tx.SaveLots(ctx, lots...)
}

func corrected(ctx context.Context, tx Tx, e lot.Recorded, set lot.Corrected) error {
	for _, d := range set.Deliveries {
		if err := delivery(ctx, tx, d); err != nil {
			return err
		}
	}
	for _, p := range set.Runs {
		if err := outputs(ctx, tx, p); err != nil {
			return err
		}
	}
	events, err := run.SetHeard(ctx, tx, set)
	if err != nil {
		return err
	}
	return tx.Say(ctx, e, events)
}
