// Package goods answers what moves goods within the plant: movements that the other services ask for, claims of codes, pours, adjustments
// and moves, with the places and reasons they name.
package goods

import (
	"context"
	"slices"
	"time"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/movement"
	"huskline/services/inventory/internal/server/judge"
	"huskline/services/inventory/internal/stock"
)

// Refusals keeps why tries of movements were refused.
type Refusals interface {
	// KeepRefusal keeps a refusal and gives the one that stands, or nil where the try was accepted meanwhile.
	KeepRefusal(ctx context.Context, at time.Time, command string, try int64, why error) (stands error, err error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	judge    *judge.Judge
	refusals Refusals
}

// New makes the server.
func New(j *judge.Judge, refusals Refusals) *Server { return &Server{j, refusals} }

// ClaimLots reserves lot codes.
func (s *Server) ClaimLots(ctx context.Context, req *inventoryv1.ClaimLotsRequest) (*inventoryv1.ClaimLotsResponse, error) {
	claims := make([]stock.Claim, 0, len(req.GetClaims()))
	for _, c := range req.GetClaims() {
		id, err := lot.ParseID(c.GetLot())
		if err != nil {
			return nil, err
		}
		claims = append(claims, stock.Claim{Lot: id, Claimant: c.GetClaimant()})
	}
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.ClaimLotsResponse, []lot.Event, error) {
		n, err := tx.Claim(ctx, claims)
		return &inventoryv1.ClaimLotsResponse{Claimed: n}, nil, err
	})
}

// PostMovement does to lots what another service asks for. A refusal is kept under its try, so that the same try gives the same answer for
// good; what is no judgement (we are behind, or broken) is not.
func (s *Server) PostMovement(ctx context.Context, req *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	if req.GetActor() != "" {
		actor := access.ActorOf(ctx)
		actor.Name = req.GetActor()
		ctx = access.WithActor(ctx, actor)
	}
	answer, err := s.post(ctx, req)
	if err == nil || !judged(err) {
		return answer, err
	}
	stands, err := s.refusals.KeepRefusal(ctx, s.judge.Now().UTC(), req.GetCommandId(), req.GetTry(), err)
	switch {
	case err != nil:
		return nil, err
	case stands != nil:
		return nil, stands
	}
	return s.post(ctx, req) // the same try was accepted by another call meanwhile; its answer is recorded
}

// judged tells a refusal of the movement from one of the message.
func judged(err error) bool {
	switch fault.ReasonOf(err) {
	case "command_id_reused", "command_id_malformed", "request_malformed", command.ReasonTakenBack:
		return false
	}
	return fault.Refused(err)
}

func (s *Server) post(ctx context.Context, req *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	return judge.Twice(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.PostMovementResponse, []lot.Event, error) {
		if err := tx.Accept(ctx, req.GetCommandId(), req.GetTry()); err != nil {
			return nil, nil, err
		}
		at, err := judge.Effective(req.GetEffective())
		if err != nil {
			return nil, nil, err
		}
		order := movement.Order{Command: req.GetCommandId(), Claims: map[lot.ID]string{}, At: at}
		for _, c := range req.GetClaims() {
			order.Claims[lot.ID(c.GetLot())] = c.GetClaimant()
		}
		answer, events, err := dispatch(ctx, tx, order, req)
		if err != nil {
			return nil, nil, err
		}
		return answer, events, claimRest(ctx, tx, req)
	})
}

// claimRest reserves the codes that the movement claims and bears no lot under: they are for a later one.
func claimRest(ctx context.Context, tx judge.Tx, req *inventoryv1.PostMovementRequest) error {
	born := map[string]bool{req.GetBought().GetNewLot(): true}
	for _, r := range slices.Concat(req.GetCorrection().GetRuns(), []*eventv1.RunPosted{req.GetRun()}) {
		for _, out := range r.GetOutputs() {
			born[out.GetLot()] = true
		}
	}
	var rest []stock.Claim
	for _, c := range req.GetClaims() {
		if born[c.GetLot()] {
			continue
		}
		id, err := lot.ParseID(c.GetLot())
		if err != nil {
			return err
		}
		rest = append(rest, stock.Claim{Lot: id, Claimant: c.GetClaimant()})
	}
	if len(rest) == 0 {
		return nil
	}
	_, err := tx.Claim(ctx, rest)
	return err
}

func dispatch(ctx context.Context, tx judge.Tx, o movement.Order, req *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, []lot.Event, error) {
	switch m := req.GetMovement().(type) {
	case *inventoryv1.PostMovementRequest_Run:
		run, err := lotwire.ParseRunPosted(m.Run)
		if err != nil {
			return nil, nil, err
		}
		totals, events, err := movement.PostRun(ctx, tx, o, run)
		return &inventoryv1.PostMovementResponse{InputMicropounds: int64(totals.In), OutputMicropounds: int64(totals.Out)}, events, err
	case *inventoryv1.PostMovementRequest_Correction:
		set, err := lotwire.ParseCorrected(m.Correction)
		if err != nil {
			return nil, nil, err
		}
		if set.Correction == "" {
			set.Correction = o.Command
		}
		totals, events, err := movement.Correct(ctx, tx, o, set)
		return &inventoryv1.PostMovementResponse{InputMicropounds: int64(totals.In), OutputMicropounds: int64(totals.Out)}, events, err
	case *inventoryv1.PostMovementRequest_Bought:
		bought, err := lotwire.ParseBought(m.Bought)
		if err != nil {
			return nil, nil, err
		}
		claimant := o.Claims[bought.NewLot]
		if claimant == "" {
			claimant = o.Command
		}
		events, err := stock.Buy(ctx, tx, stock.Purchase{Bought: bought, Claimant: claimant, At: o.At})
		return &inventoryv1.PostMovementResponse{}, events, err
	}
	return nil, nil, fault.Invalid("movement_missing", "movement %s: it says nothing", req.GetCommandId())
}
