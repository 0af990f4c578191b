// Package yard answers what stops goods, counts them, lets them leave and takes them back.
package yard

import (
	"context"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/server/judge"
	"huskline/services/inventory/internal/shipping"
)

// Server answers. It is safe for concurrent use.
type Server struct {
	judge *judge.Judge
	wake  func() // a hold has something to reach
}

// New makes the server; wake is told of every hold that begins to spread.
func New(j *judge.Judge, wake func()) *Server { return &Server{j, wake} }

// ShipGoods lets goods leave.
func (s *Server) ShipGoods(ctx context.Context, req *inventoryv1.ShipGoodsRequest) (*inventoryv1.ShipGoodsResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.ShipGoodsResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		kind, err := lotwire.ParseShipmentKind(req.GetKind())
		if err != nil {
			return nil, nil, err
		}
		o := shipping.Order{At: at, Disposition: req.GetDispositionId(), Shipped: lot.Shipped{
			Shipment: judge.Or(req.GetShipment(), req), ShipKind: kind, Consignee: lot.PartyID(req.GetConsignee()), Channel: req.GetChannel(),
			Carrier: req.GetCarrier(), Document: req.GetDocument(), FreightOut: money.Amount(req.GetFreightOutMicros()),
		}}
		for _, m := range req.GetLines() {
			line, err := lotwire.ParseShippedLine(m)
			if err != nil {
				return nil, nil, err
			}
			o.Lines = append(o.Lines, line)
		}
		events, err := shipping.Ship(ctx, tx, o)
		return &inventoryv1.ShipGoodsResponse{Shipment: o.Shipment}, events, err
	})
}

// ReturnGoods takes back goods of a shipment line as a new lot.
func (s *Server) ReturnGoods(ctx context.Context, req *inventoryv1.ReturnGoodsRequest) (*inventoryv1.ReturnGoodsResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.ReturnGoodsResponse, []lot.Event, error) {
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		came, events, err := shipping.TakeBack(ctx, tx, shipping.Return{At: at, By: judge.By(ctx), Claimant: judge.Or(req.GetClaimant(), req), Returned: lot.Returned{
			Return: judge.Or(req.GetReturnId(), req), Shipment: req.GetShipment(), Line: req.GetLine(), Lot: lot.ID(req.GetLot()),
			Quantity: lot.Quantity(req.GetQuantity()), Place: lot.PlaceID(req.GetPlace()),
		}})
		return &inventoryv1.ReturnGoodsResponse{Lot: string(came.Lot), Hold: came.Hold}, events, err
	})
}
