// Package gate is the door for goods that come in: deliveries and bought ingredients, with their corrections.
package gate

import (
	"context"
	"strings"

	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/server/work"
)

// Reads is what the door shows.
type Reads interface {
	// Deliveries lists received lots by code after one, only of a party where one is given.
	Deliveries(ctx context.Context, party lot.PartyID, after string, limit int) ([]delivery.Priced, error)
	// Delivery finds received lots by their code, or by the supplier's own lot number where a party is given.
	Delivery(ctx context.Context, id string, party lot.PartyID) ([]delivery.Priced, error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	run   *work.Runner
	reads Reads
}

// New makes the server.
func New(run *work.Runner, reads Reads) *Server { return &Server{run, reads} }

// RecordDelivery takes in nuts as a new lot.
func (s *Server) RecordDelivery(ctx context.Context, req *intakev1.RecordDeliveryRequest) (*intakev1.RecordDeliveryResponse, error) {
	facts, err := factsOf(req.GetDelivery())
	if err != nil {
		return nil, err
	}
	at, err := lotwire.ParseTime(req.GetEffective())
	if err != nil {
		return nil, err
	}
	code := work.Code{Lot: facts.Lot, Claimant: req.GetDelivery().GetClaimant()}
	return work.Bear(ctx, s.run, req, code, func(ctx context.Context, tx work.Tx) (*intakev1.RecordDeliveryResponse, []lot.Event, error) {
		born, events, err := delivery.Record(ctx, tx, facts, req.GetCommandId(), at)
		return recorded(born.Facts), events, err
	})
}

func recorded(r lot.Received) *intakev1.RecordDeliveryResponse {
	return &intakev1.RecordDeliveryResponse{Lot: string(r.Lot), NetMicropounds: int64(r.Quantity), PurchaseMicros: int64(r.Purchase)}
}

// Retell is the answer of a request of this door again, told by its first event; nil where the request is another door's.
func Retell(req command.Request, said lot.Body) proto.Message {
	switch b := said.(type) {
	case lot.Received:
		if _, bought := req.(*intakev1.ReceiveIngredientRequest); bought {
			return &intakev1.ReceiveIngredientResponse{Lot: string(b.Lot)}
		}
		return recorded(b)
	case lot.DeliveryCorrected:
		if _, void := req.(*intakev1.VoidDeliveryRequest); void {
			return &intakev1.VoidDeliveryResponse{Version: b.Version}
		}
		return &intakev1.CorrectDeliveryResponse{Version: b.Version}
	}
	return nil
}

// ReceiveIngredient takes in a bought ingredient as a new lot.
func (s *Server) ReceiveIngredient(ctx context.Context, req *intakev1.ReceiveIngredientRequest) (*intakev1.ReceiveIngredientResponse, error) {
	at, err := lotwire.ParseTime(req.GetEffective())
	if err != nil {
		return nil, err
	}
	bought := ingredientOf(req)
	code := work.Code{Lot: bought.Lot, Claimant: req.GetClaimant()}
	return work.Bear(ctx, s.run, req, code, func(ctx context.Context, tx work.Tx) (*intakev1.ReceiveIngredientResponse, []lot.Event, error) {
		born, events, err := delivery.ReceiveIngredient(ctx, tx, bought, req.GetCommandId(), at)
		return &intakev1.ReceiveIngredientResponse{Lot: string(born.Facts.Lot)}, events, err
	})
}

// GetDelivery gives one received lot. A supplier's own lot number may have come several times: then the codes are named.
func (s *Server) GetDelivery(ctx context.Context, req *intakev1.GetDeliveryRequest) (*intakev1.GetDeliveryResponse, error) {
	found, err := s.reads.Delivery(ctx, req.GetLot(), lot.PartyID(req.GetParty()))
	switch {
	case err != nil:
		return nil, err
	case len(found) == 0:
		return nil, fault.NotFound("lot_unknown", "lot %s: nothing came in under this code", req.GetLot())
	case len(found) > 1:
		codes := make([]string, len(found))
		for i, f := range found {
			codes[i] = string(f.Facts.Lot)
		}
		return nil, fault.Precondition("alias_ambiguous", "lot %s of %s came in more than once: ask for %s", req.GetLot(), req.GetParty(), strings.Join(codes, ", "))
	}
	return &intakev1.GetDeliveryResponse{Received: received(found[0])}, nil
}

// ListDeliveries lists received lots by code.
func (s *Server) ListDeliveries(ctx context.Context, req *intakev1.ListDeliveriesRequest) (*intakev1.ListDeliveriesResponse, error) {
	after, err := work.PageAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Deliveries(ctx, lot.PartyID(req.GetParty()), after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListDeliveriesResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = desk.PageToken(string(rows[size-1].Facts.Lot), true)
	}
	for _, r := range rows {
		answer.Received = append(answer.Received, received(r))
	}
	return answer, nil
}
