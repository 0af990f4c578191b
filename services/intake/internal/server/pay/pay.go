// Package pay is the door for what goods cost beyond the day they came in: final prices, and purchases of an owner's goods.
package pay

import (
	"context"

	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/settle"
)

// Server answers. It is safe for concurrent use.
type Server struct{ run *work.Runner }

// New makes the server.
func New(run *work.Runner) *Server { return &Server{run} }

// SettlePrice sets a final price.
func (s *Server) SettlePrice(ctx context.Context, req *intakev1.SettlePriceRequest) (*intakev1.SettlePriceResponse, error) {
	at, err := lotwire.ParseTime(req.GetEffective())
	if err != nil {
		return nil, err
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.SettlePriceResponse, []lot.Event, error) {
		purchase, events, err := settle.Price(ctx, tx, settle.Settlement{
			ID: work.Or(req.GetSettlement(), req), Lot: lot.ID(req.GetLot()), Price: money.Price(req.GetPriceMicrosPerLb()), At: at,
		})
		return &intakev1.SettlePriceResponse{PurchaseMicros: int64(purchase)}, events, err
	})
}

// BuyLot records that title to an owner's goods passed to the company.
func (s *Server) BuyLot(ctx context.Context, req *intakev1.BuyLotRequest) (*intakev1.BuyLotResponse, error) {
	return work.Post[*intakev1.BuyLotResponse](ctx, s.run, req)
}

// Handlers are the requests of this door that the inventory judges.
func Handlers() []command.Handler[work.Tx] {
	return []command.Handler[work.Tx]{{
		Method: "BuyLot", NewRequest: func() command.Request { return &intakev1.BuyLotRequest{} },
		Intent: begin, Outcome: bought,
		Refused: func(ctx context.Context, tx work.Tx, req command.Request, _ error) error {
			r := req.(*intakev1.BuyLotRequest)
			return settle.RefusedPurchase(ctx, tx, settle.Purchase{Command: r.GetCommandId(), ID: work.Or(r.GetPurchase(), r), Lot: lot.ID(r.GetLot())})
		},
	}}
}

func begin(ctx context.Context, tx work.Tx, r command.Request) (*inventoryv1.PostMovementRequest, error) {
	req := r.(*intakev1.BuyLotRequest)
	at, err := lotwire.ParseTime(req.GetEffective())
	if err != nil {
		return nil, err
	}
	b, err := settle.BeginPurchase(ctx, tx, settle.Purchase{
		Command: req.GetCommandId(), ID: work.Or(req.GetPurchase(), req), Lot: lot.ID(req.GetLot()), NewLot: lot.ID(req.GetNewLot()),
		Quantity: lot.Quantity(req.GetQuantity()), Price: money.Amount(req.GetPriceMicros()), Place: lot.PlaceID(req.GetPlace()), At: at,
	})
	if err != nil {
		return nil, err
	}
	move := &inventoryv1.PostMovementRequest{
		Effective: lotwire.Time(at), Movement: &inventoryv1.PostMovementRequest_Bought{Bought: lotwire.Bought(b)},
	}
	if b.NewLot != b.Lot {
		move.Claims = []*inventoryv1.Claim{{Lot: string(b.NewLot), Claimant: req.GetCommandId()}}
	}
	return move, nil
}

func bought(
	ctx context.Context, tx work.Tx, req command.Request, move *inventoryv1.PostMovementRequest, _ *inventoryv1.PostMovementResponse,
) (proto.Message, []lot.Event, error) {
	b, err := lotwire.ParseBought(move.GetBought())
	if err != nil {
		return nil, nil, err
	}
	at, err := lotwire.ParseTime(move.GetEffective())
	if err != nil {
		return nil, nil, err
	}
	events, err := settle.Bought(ctx, tx, req.GetCommandId(), b, at)
	return &intakev1.BuyLotResponse{Lot: string(b.NewLot)}, events, err
}

// Retell is the answer of a request of this door again, told by its event; nil where the request is another door's.
func Retell(said lot.Body) proto.Message {
	switch b := said.(type) {
	case lot.PriceSettled:
		return &intakev1.SettlePriceResponse{PurchaseMicros: int64(b.Purchase)}
	case lot.Bought:
		return &intakev1.BuyLotResponse{Lot: string(b.NewLot)}
	}
	return nil
}
