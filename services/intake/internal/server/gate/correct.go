package gate

import (
	"context"

	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/server/work"
)

// CorrectDelivery puts a delivery as it should have been recorded in place of what was.
func (s *Server) CorrectDelivery(ctx context.Context, req *intakev1.CorrectDeliveryRequest) (*intakev1.CorrectDeliveryResponse, error) {
	return work.Post[*intakev1.CorrectDeliveryResponse](ctx, s.run, req)
}

// VoidDelivery says that a delivery never was.
func (s *Server) VoidDelivery(ctx context.Context, req *intakev1.VoidDeliveryRequest) (*intakev1.VoidDeliveryResponse, error) {
	return work.Post[*intakev1.VoidDeliveryResponse](ctx, s.run, req)
}

// Handlers are the requests of this door that the inventory judges.
func Handlers() []command.Handler[work.Tx] {
	return []command.Handler[work.Tx]{
		handler("CorrectDelivery", func() command.Request { return &intakev1.CorrectDeliveryRequest{} }, correctionOf,
			func(version int64) proto.Message { return &intakev1.CorrectDeliveryResponse{Version: version} }),
		handler("VoidDelivery", func() command.Request { return &intakev1.VoidDeliveryRequest{} }, voidOf,
			func(version int64) proto.Message { return &intakev1.VoidDeliveryResponse{Version: version} }),
	}
}

// handler makes a correction of a delivery out of a request in three steps: judged and held, then recorded or let go.
func handler(
	method string, empty func() command.Request, read func(command.Request) (delivery.Correction, error), answer func(version int64) proto.Message,
) command.Handler[work.Tx] {
	return command.Handler[work.Tx]{
		Method: method, NewRequest: empty,
		Intent: func(ctx context.Context, tx work.Tx, req command.Request) (*inventoryv1.PostMovementRequest, error) {
			c, err := read(req)
			if err != nil {
				return nil, err
			}
			set, err := delivery.Begin(ctx, tx, c)
			if err != nil || set == nil {
				return nil, err
			}
			return &inventoryv1.PostMovementRequest{
				Effective: lotwire.Time(tx.Now()),
				Movement:  &inventoryv1.PostMovementRequest_Correction{Correction: lotwire.Corrected(*set)},
			}, nil
		},
		Outcome: func(
			ctx context.Context, tx work.Tx, req command.Request, _ *inventoryv1.PostMovementRequest, _ *inventoryv1.PostMovementResponse,
		) (proto.Message, []lot.Event, error) {
			c, err := read(req)
			if err != nil {
				return nil, nil, err
			}
			version, events, err := delivery.Accepted(ctx, tx, c)
			return answer(version), events, err
		},
		Refused: func(ctx context.Context, tx work.Tx, req command.Request, _ error) error {
			c, err := read(req)
			if err != nil {
				return err
			}
			return delivery.Refused(ctx, tx, c.Lot, c.Command)
		},
	}
}

func voidOf(r command.Request) (delivery.Correction, error) {
	req := r.(*intakev1.VoidDeliveryRequest)
	return delivery.Correction{Command: req.GetCommandId(), Lot: lot.ID(req.GetLot()), Reason: req.GetReason(), Void: true}, nil
}

func correctionOf(r command.Request) (delivery.Correction, error) {
	req := r.(*intakev1.CorrectDeliveryRequest)
	c := delivery.Correction{Command: req.GetCommandId(), Lot: lot.ID(req.GetLot()), Reason: req.GetReason(), PayOnly: req.GetPayOnly()}
	var err error
	if c.Facts, err = factsOf(req.GetDelivery()); err != nil {
		return c, err
	}
	if c.Uses.Runs, err = each(req.GetRuns(), lotwire.ParseRunPosted); err != nil {
		return c, err
	}
	if c.Uses.Pours, err = each(req.GetPours(), lotwire.ParsePoured); err != nil {
		return c, err
	}
	if c.Uses.Adjustments, err = each(req.GetAdjustments(), lotwire.ParseAdjusted); err != nil {
		return c, err
	}
	c.Uses.Shipments, err = each(req.GetShipments(), lotwire.ParseShipped)
	return c, err
}

func each[M, B any](in []M, parse func(M) (B, error)) ([]B, error) {
	var out []B
	for _, m := range in {
		b, err := parse(m)
		if err != nil {
			return nil, err
		}
		out = append(out, b)
	}
	return out, nil
}
