package scales

import (
	"cmp"
	"context"
	"strconv"

	"huskline/internal/access"
	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/check"
	"huskline/services/intake/internal/server/work"
)

// RecordScaleCheck records a check. A failed one takes the scale out of service and proposes what to correct.
func (s *Server) RecordScaleCheck(ctx context.Context, req *intakev1.RecordScaleCheckRequest) (*intakev1.RecordScaleCheckResponse, error) {
	at, err := lotwire.ParseTime(req.GetEffective())
	if err != nil {
		return nil, err
	}
	actor := access.ActorOf(ctx).Name
	c := check.Check{
		ID: req.GetCommandId(), Scale: req.GetScale(), Kind: check.Kind(req.GetKind()), Unit: req.GetUnit(), At: at, By: cmp.Or(req.GetBy(), actor), Actor: actor,
		Weights: req.GetWeights(),
	}
	for _, l := range req.GetLoads() {
		c.Loads = append(c.Loads, check.Load{Applied: l.GetApplied(), Indicated: l.GetIndicated()})
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.RecordScaleCheckResponse, []lot.Event, error) {
		out, err := check.Record(ctx, tx, c)
		if err != nil {
			return nil, nil, err
		}
		answer := &intakev1.RecordScaleCheckResponse{Check: checkMessage(out.Judged), InService: out.InService}
		if out.Proposal != nil {
			answer.Proposal = proposalMessage(*out.Proposal)
		}
		return answer, nil, nil
	})
}

func checkMessage(j check.Judged) *intakev1.ScaleCheck {
	m := &intakev1.ScaleCheck{
		Check: j.ID, Scale: j.Scale, Kind: intakev1.ScaleCheckKind(j.Kind), Unit: j.Unit, Passed: j.Passed, Effective: lotwire.Time(j.At),
		Recorded: lotwire.Time(j.Recorded), By: j.By, Actor: j.Actor, Weights: j.Weights, LoadShort: j.Short,
	}
	for _, r := range j.Results {
		m.Results = append(m.Results, &intakev1.TestResult{
			Applied: r.Applied, Indicated: r.Indicated, Error: r.Error, Tolerance: r.Tolerance, ToleranceDivisions: r.Divisions, Passed: r.Passed,
		})
	}
	return m
}

func proposalMessage(p check.Proposal) *intakev1.CorrectionProposal {
	return &intakev1.CorrectionProposal{
		Proposal: p.ID, Scale: p.Scale, Since: lotwire.Time(p.Since), Until: lotwire.Time(p.Until), Failed: lotwire.Time(p.Failed), Readings: p.Readings,
		Deliveries: p.Deliveries, State: intakev1.ProposalState(p.State), DecidedBy: p.DecidedBy, Decided: lotwire.Time(p.Decided), Reason: p.Reason,
	}
}

// ListScaleChecks lists checks, the last recorded first.
func (s *Server) ListScaleChecks(ctx context.Context, req *intakev1.ListScaleChecksRequest) (*intakev1.ListScaleChecksResponse, error) {
	before, err := number(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Checks(ctx, req.GetScale(), before, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListScaleChecksResponse{}
	rows, answer.NextPageToken = page(rows, size, func(j check.Judged) string { return strconv.FormatInt(j.Number, 10) })
	for _, j := range rows {
		answer.Checks = append(answer.Checks, checkMessage(j))
	}
	return answer, nil
}

// ListCorrectionProposals lists what failed checks proposed to correct, the last raised first.
func (s *Server) ListCorrectionProposals(
	ctx context.Context, req *intakev1.ListCorrectionProposalsRequest,
) (*intakev1.ListCorrectionProposalsResponse, error) {
	before, err := number(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Proposals(ctx, req.GetOpenOnly(), before, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListCorrectionProposalsResponse{}
	rows, answer.NextPageToken = page(rows, size, func(p check.Proposal) string { return strconv.FormatInt(p.Number, 10) })
	for _, p := range rows {
		answer.Proposals = append(answer.Proposals, proposalMessage(p))
	}
	return answer, nil
}

// ListProposalDeliveries lists the deliveries that a proposal names.
func (s *Server) ListProposalDeliveries(
	ctx context.Context, req *intakev1.ListProposalDeliveriesRequest,
) (*intakev1.ListProposalDeliveriesResponse, error) {
	after, err := work.PageAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.ProposalDeliveries(ctx, req.GetProposal(), after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListProposalDeliveriesResponse{}
	rows, answer.NextPageToken = page(rows, size, func(d check.Delivery) string { return string(d.Lot) })
	for _, d := range rows {
		answer.Deliveries = append(answer.Deliveries, &intakev1.ProposalDelivery{Lot: string(d.Lot), Version: d.Version, Later: d.Later})
	}
	return answer, nil
}

// ListProposalReadings lists the readings that a proposal names.
func (s *Server) ListProposalReadings(
	ctx context.Context, req *intakev1.ListProposalReadingsRequest,
) (*intakev1.ListProposalReadingsResponse, error) {
	after, err := number(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.ProposalReadings(ctx, req.GetProposal(), after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListProposalReadingsResponse{}
	rows, answer.NextPageToken = page(rows, size, func(r lot.SequenceRange) string { return strconv.FormatInt(r.Last, 10) })
	for _, r := range rows {
		answer.Ranges = append(answer.Ranges, &intakev1.ReadingRange{First: r.First, Last: r.Last})
	}
	return answer, nil
}

// DecideCorrectionProposal approves or rejects a proposal.
func (s *Server) DecideCorrectionProposal(
	ctx context.Context, req *intakev1.DecideCorrectionProposalRequest,
) (*intakev1.DecideCorrectionProposalResponse, error) {
	d := check.Decision{Proposal: req.GetProposal(), Approve: req.GetApprove(), By: access.ActorOf(ctx).Name, Reason: req.GetReason()}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.DecideCorrectionProposalResponse, []lot.Event, error) {
		p, err := check.Decide(ctx, tx, d)
		if err != nil {
			return nil, nil, err
		}
		return &intakev1.DecideCorrectionProposalResponse{Proposal: proposalMessage(p)}, nil, nil
	})
}

// page is one page of a list and where the next one starts; a row more than the page was asked for.
func page[R any](rows []R, size int, key func(R) string) ([]R, string) {
	if len(rows) <= size {
		return rows, ""
	}
	return rows[:size], desk.PageToken(key(rows[size-1]), true)
}

// number is where a page of a numbered list starts; 0 at the beginning.
func number(token string) (int64, error) {
	key, err := work.PageAfter(token)
	if err != nil || key == "" {
		return 0, err
	}
	n, err := strconv.ParseInt(key, 10, 64)
	if err != nil {
		return 0, fault.Invalid("page_token", "page token %q: not one of ours", token)
	}
	return n, nil
}
