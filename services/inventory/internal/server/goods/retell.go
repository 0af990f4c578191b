package goods

import (
	"context"

	"google.golang.org/protobuf/proto"

	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/server/judge"
)

// RetellMovement answers a movement again. The sums are those of the run as it stands: what was posted to it since is counted in.
func RetellMovement(ctx context.Context, tx judge.Tx, req *inventoryv1.PostMovementRequest) (proto.Message, error) {
	run := req.GetRun().GetRun()
	if runs := req.GetCorrection().GetRuns(); len(runs) > 0 {
		run = runs[0].GetRun()
	}
	if run == "" {
		return &inventoryv1.PostMovementResponse{}, nil
	}
	state, err := tx.RunLines(ctx, lot.RunID(run))
	if err != nil {
		return nil, err
	}
	in, out := state.Totals()
	return &inventoryv1.PostMovementResponse{InputMicropounds: int64(in), OutputMicropounds: int64(out)}, nil
}

// RetellAdjustment answers an adjustment again, with what lies there now.
func RetellAdjustment(ctx context.Context, tx judge.Tx, req *inventoryv1.AdjustLotRequest) (proto.Message, error) {
	left, err := tx.Lies(ctx, lot.ID(req.GetLot()), lot.PlaceID(req.GetPlace()))
	if err != nil {
		return nil, err
	}
	return &inventoryv1.AdjustLotResponse{OnHand: int64(left)}, nil
}

// Retell answers again what the first event tells by itself; nil where it does not.
func Retell(said lot.Body) proto.Message {
	if b, ok := said.(lot.BinEmptied); ok {
		return &inventoryv1.EmptyBinResponse{Remainder: int64(b.Remainder)}
	}
	return nil
}
