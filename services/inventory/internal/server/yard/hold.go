package yard

import (
	"context"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/server/judge"
)

// PlaceHold stops a lot from moving; a safety hold then spreads by itself.
func (s *Server) PlaceHold(ctx context.Context, req *inventoryv1.PlaceHoldRequest) (*inventoryv1.PlaceHoldResponse, error) {
	answer, err := judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.PlaceHoldResponse, []lot.Event, error) {
		o, err := orderOf(ctx, req)
		if err != nil {
			return nil, nil, err
		}
		h, events, err := hold.Place(ctx, tx, o)
		if err != nil {
			return nil, nil, err
		}
		return &inventoryv1.PlaceHoldResponse{Hold: h.Held.Hold, Lots: 1, Spreading: h.Class == lot.SafetyHold}, events, nil
	})
	if err == nil {
		s.wake()
	}
	return answer, err
}

func orderOf(ctx context.Context, req *inventoryv1.PlaceHoldRequest) (hold.Order, error) {
	o := hold.Order{By: judge.By(ctx), Held: lot.Held{
		Hold: judge.Or(req.GetHold(), req), Root: lot.ID(req.GetLot()), Containers: req.GetContainers(), Reason: req.GetReason(), Recall: req.GetRecall(),
	}}
	var err error
	if o.Class, err = lotwire.ParseHoldClass(req.GetClass()); err != nil {
		return o, err
	}
	if o.At, err = judge.Effective(req.GetEffective()); err != nil {
		return o, err
	}
	if o.FillFrom, err = optional(req.GetFillFrom()); err != nil {
		return o, err
	}
	o.FillTo, err = optional(req.GetFillTo())
	return o, err
}

// optional is the zero time where there is none.
func optional(t *timestamppb.Timestamp) (time.Time, error) {
	if t == nil {
		return time.Time{}, nil
	}
	return lotwire.ParseTime(t)
}

// ExcludeFromHold takes one descendant out of a hold.
func (s *Server) ExcludeFromHold(ctx context.Context, req *inventoryv1.ExcludeFromHoldRequest) (*inventoryv1.ExcludeFromHoldResponse, error) {
	answer, err := judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.ExcludeFromHoldResponse, []lot.Event, error) {
		events, err := hold.Exclude(ctx, tx, hold.Decision{Hold: req.GetHold(), Lot: lot.ID(req.GetLot()), By: judge.By(ctx), Reason: req.GetReason()})
		return &inventoryv1.ExcludeFromHoldResponse{}, events, err
	})
	if err == nil {
		s.wake()
	}
	return answer, err
}

// DecideDisposition records a decision of quality.
func (s *Server) DecideDisposition(ctx context.Context, req *inventoryv1.DecideDispositionRequest) (*inventoryv1.DecideDispositionResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.DecideDispositionResponse, []lot.Event, error) {
		decision, err := lotwire.ParseDisposition(req.GetDecision())
		if err != nil {
			return nil, nil, err
		}
		d := lot.Disposed{
			DispositionID: judge.Or(req.GetDispositionId(), req), Hold: req.GetHold(), Lot: lot.ID(req.GetLot()), Decision: decision,
			Quantity: lot.Quantity(req.GetQuantity()), Reason: req.GetReason(),
		}
		events, err := hold.Decide(ctx, tx, d, judge.By(ctx))
		return &inventoryv1.DecideDispositionResponse{DispositionId: d.DispositionID}, events, err
	})
}

// ReleaseHold lifts a hold.
func (s *Server) ReleaseHold(ctx context.Context, req *inventoryv1.ReleaseHoldRequest) (*inventoryv1.ReleaseHoldResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.ReleaseHoldResponse, []lot.Event, error) {
		events, err := hold.Release(ctx, tx, hold.Decision{Hold: req.GetHold(), By: judge.By(ctx), Reason: req.GetReason()})
		return &inventoryv1.ReleaseHoldResponse{}, events, err
	})
}
