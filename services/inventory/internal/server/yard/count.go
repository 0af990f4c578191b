package yard

import (
	"context"

	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/count"
	"huskline/services/inventory/internal/server/judge"
)

// OpenCount freezes a position and lists the lots to count.
func (s *Server) OpenCount(ctx context.Context, req *inventoryv1.OpenCountRequest) (*inventoryv1.OpenCountResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.OpenCountResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		lots, err := count.Open(ctx, tx, count.Sheet{ID: req.GetCommandId(), Place: lot.PlaceID(req.GetPlace()), At: at}, judge.By(ctx))
		answer := &inventoryv1.OpenCountResponse{Sheet: req.GetCommandId()}
		for _, id := range lots {
			answer.Lots = append(answer.Lots, string(id))
		}
		return answer, nil, err
	})
}

// RecordCount writes down what was counted of a lot.
func (s *Server) RecordCount(ctx context.Context, req *inventoryv1.RecordCountRequest) (*inventoryv1.RecordCountResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.RecordCountResponse, []lot.Event, error) {
		recount, err := count.Record(ctx, tx, req.GetSheet(), count.Entry{
			Lot: lot.ID(req.GetLot()), Counted: lot.Quantity(req.GetCounted()), By: judge.By(ctx),
		})
		return &inventoryv1.RecordCountResponse{RecountNeeded: recount}, nil, err
	})
}

// CloseCount posts the differences.
func (s *Server) CloseCount(ctx context.Context, req *inventoryv1.CloseCountRequest) (*inventoryv1.CloseCountResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.CloseCountResponse, []lot.Event, error) {
		differences, events, err := count.Close(ctx, tx, req.GetSheet(), judge.By(ctx))
		answer := &inventoryv1.CloseCountResponse{}
		for _, d := range differences {
			answer.Differences = append(answer.Differences, &inventoryv1.CountDifference{
				Lot: string(d.Lot), Book: int64(d.Book), Counted: int64(d.Counted), Adjustment: d.Adjustment,
			})
		}
		return answer, events, err
	})
}
