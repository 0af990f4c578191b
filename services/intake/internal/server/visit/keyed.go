package visit

import (
	"context"

	"huskline/internal/desk"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/visit"
)

// KeyWeight records a weight that a person reads off an indicator.
func (s *Server) KeyWeight(ctx context.Context, req *intakev1.KeyWeightRequest) (*intakev1.KeyWeightResponse, error) {
	at, err := lotwire.ParseTime(req.GetTime())
	if err != nil {
		return nil, err
	}
	k := lot.WeightKeyed{
		Scale: req.GetScale(), Ticket: req.GetTicket(), Digits: req.GetDigits(), Unit: req.GetUnit(), Time: at, Reason: req.GetReason(),
		Supersedes: req.GetSupersedes(), Operator: desk.Actor(ctx),
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.KeyWeightResponse, []lot.Event, error) {
		number, events, err := visit.Key(ctx, tx, k)
		return &intakev1.KeyWeightResponse{Keyed: number}, events, err
	})
}

// MatchWeight says which reading a keyed weight is.
func (s *Server) MatchWeight(ctx context.Context, req *intakev1.MatchWeightRequest) (*intakev1.MatchWeightResponse, error) {
	m := lot.WeightMatched{Keyed: req.GetKeyed(), Sequence: req.GetSequence(), Reason: req.GetReason(), By: desk.Actor(ctx)}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.MatchWeightResponse, []lot.Event, error) {
		found, events, err := visit.Match(ctx, tx, m)
		return &intakev1.MatchWeightResponse{DifferenceMicropounds: int64(found.Difference)}, events, err
	})
}

// ListKeyedWeights lists keyed weights by number.
func (s *Server) ListKeyedWeights(ctx context.Context, req *intakev1.ListKeyedWeightsRequest) (*intakev1.ListKeyedWeightsResponse, error) {
	after, err := numberAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.KeyedPage(ctx, after, req.GetUnmatchedOnly(), size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListKeyedWeightsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = numberToken(rows[size-1].Keyed)
	}
	for _, k := range rows {
		m := &intakev1.KeyedWeight{
			Weight: lotwire.WeightKeyed(k.WeightKeyed), Sequence: k.Sequence, ByNumber: k.ByNumber, SupersededBy: k.SupersededBy, Visit: k.Used.Visit,
			Lot: string(k.Used.Lot),
		}
		if k.Sequence != 0 {
			m.ReadingMicropounds, m.DifferenceMicropounds = int64(k.Reading), int64(k.Reading-k.Mass)
		}
		answer.Weights = append(answer.Weights, m)
	}
	return answer, nil
}
