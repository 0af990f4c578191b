package goods

import (
	"context"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/server/judge"
	"huskline/services/inventory/internal/stock"
)

// RegisterPlace adds a place or changes it.
func (s *Server) RegisterPlace(ctx context.Context, req *inventoryv1.RegisterPlaceRequest) (*inventoryv1.RegisterPlaceResponse, error) {
	p := stock.NamedPlace{
		ID: lot.PlaceID(req.GetPlace().GetPlace()), Name: req.GetPlace().GetName(), Bin: req.GetPlace().GetBin(),
		Over: lot.Quantity(req.GetPlace().GetOverBookMicropounds()),
	}
	if err := p.Check(); err != nil {
		return nil, err
	}
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.RegisterPlaceResponse, []lot.Event, error) {
		return &inventoryv1.RegisterPlaceResponse{}, nil, tx.PutPlace(ctx, p)
	})
}

// RegisterReason adds a reason of adjustment with its account.
func (s *Server) RegisterReason(ctx context.Context, req *inventoryv1.RegisterReasonRequest) (*inventoryv1.RegisterReasonResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.RegisterReasonResponse, []lot.Event, error) {
		account := lotwire.ParseAccount(req.GetAccount())
		if account.Name == "" {
			account.Name = req.GetReason()
		}
		if err := stock.CheckAccount(account); err != nil {
			return nil, nil, err
		}
		return &inventoryv1.RegisterReasonResponse{}, nil, tx.PutReason(ctx, req.GetReason(), account)
	})
}

// RecordPour puts pounds of a lot into a bin lot.
func (s *Server) RecordPour(ctx context.Context, req *inventoryv1.RecordPourRequest) (*inventoryv1.RecordPourResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.RecordPourResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		events, err := stock.PourLot(ctx, tx, stock.Pour{At: at, Claimant: judge.Or(req.GetClaimant(), req), Poured: lot.Poured{
			Pour: judge.Or(req.GetPour(), req), Bin: lot.ID(req.GetBinLot()), Lot: lot.ID(req.GetLot()), Quantity: lot.Quantity(req.GetQuantity()),
			Place: lot.PlaceID(req.GetPlace()), BinPlace: lot.PlaceID(req.GetBinPlace()),
		}})
		return &inventoryv1.RecordPourResponse{}, events, err
	})
}

// EmptyBin posts what the book still has of a bin lot to unaccounted.
func (s *Server) EmptyBin(ctx context.Context, req *inventoryv1.EmptyBinRequest) (*inventoryv1.EmptyBinResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.EmptyBinResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		left, events, err := stock.EmptyBin(ctx, tx, stock.Emptying{
			Name: judge.Or(req.GetEmptying(), req), Bin: lot.ID(req.GetBinLot()), Place: lot.PlaceID(req.GetPlace()), At: at,
		})
		return &inventoryv1.EmptyBinResponse{Remainder: int64(left)}, events, err
	})
}

// AdjustLot corrects stock for a reason.
func (s *Server) AdjustLot(ctx context.Context, req *inventoryv1.AdjustLotRequest) (*inventoryv1.AdjustLotResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.AdjustLotResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		left, events, err := stock.AdjustLot(ctx, tx, stock.Adjust{
			Name: judge.Or(req.GetAdjustment(), req), Lot: lot.ID(req.GetLot()), Place: lot.PlaceID(req.GetPlace()),
			Delta: lot.Quantity(req.GetDelta()), Reason: req.GetReason(), At: at,
		})
		return &inventoryv1.AdjustLotResponse{OnHand: int64(left)}, events, err
	})
}

// MoveLot carries goods from one place to another.
func (s *Server) MoveLot(ctx context.Context, req *inventoryv1.MoveLotRequest) (*inventoryv1.MoveLotResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.MoveLotResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		events, err := stock.MoveLot(ctx, tx, lot.Moved{
			Movement: judge.Or(req.GetMovement(), req), Lot: lot.ID(req.GetLot()), Quantity: lot.Quantity(req.GetQuantity()),
			From: lot.PlaceID(req.GetFromPlace()), To: lot.PlaceID(req.GetToPlace()), Containers: req.GetContainers(),
		}, at)
		return &inventoryv1.MoveLotResponse{}, events, err
	})
}
