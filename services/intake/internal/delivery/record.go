package delivery

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
)

// Record takes in nuts as a new lot. A given code must have been claimed by the caller.
func Record(ctx context.Context, tx Tx, f Facts, command string, at time.Time) (State, []lot.Event, error) {
	if err := form.Moment("delivery, effective", at, tx.Now()); err != nil {
		return State{}, nil, err
	}
	known, err := tx.Known(ctx, f.want())
	if err != nil {
		return State{}, nil, err
	}
	s, err := f.judge(known)
	if err != nil {
		return State{}, nil, err
	}
	return bear(ctx, tx, s, known.LotUsed, stampOf{command, at})
}

// ReceiveIngredient takes in a bought lot. A given code must have been claimed by the caller.
func ReceiveIngredient(ctx context.Context, tx Tx, i Ingredient, command string, at time.Time) (State, []lot.Event, error) {
	if err := form.Moment("receipt, effective", at, tx.Now()); err != nil {
		return State{}, nil, err
	}
	known, err := tx.Known(ctx, Want{Lot: i.Lot, Party: i.Supplier, Item: i.Item})
	if err != nil {
		return State{}, nil, err
	}
	s, err := i.judge(known)
	if err != nil {
		return State{}, nil, err
	}
	return bear(ctx, tx, s, known.LotUsed, stampOf{command, at})
}

// stampOf is by what and when a lot was born.
type stampOf struct {
	command string
	at      time.Time
}

func bear(ctx context.Context, tx Tx, s State, used bool, by stampOf) (State, []lot.Event, error) {
	s.Command, s.Effective = by.command, by.at
	var err error
	switch id := s.Facts.Lot; {
	case id == "":
		s.Facts.Lot, err = tx.NextCode(ctx, by.at.UTC().Year())
	case used:
		err = fault.Conflict("lot_code_used", "lot %s: the code is in use; a code is never used again", id)
	default:
		_, err = lot.ParseID(string(id))
	}
	if err != nil {
		return State{}, nil, err
	}
	if err := tx.Bear(ctx, s); err != nil {
		return State{}, nil, err
	}
	return s, []lot.Event{{Lots: []lot.ID{s.Facts.Lot}, Effective: by.at, Body: s.Facts}}, nil
}
