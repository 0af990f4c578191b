// Package visit is the door of the vehicle scale: visits, stored tares, keyed weights and tickets.
package visit

import (
	"context"
	"strconv"

	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/ticket"
	"huskline/services/intake/internal/visit"
)

// Reads is what the door shows.
type Reads interface {
	// Proposal is what a plate suggests now.
	Proposal(ctx context.Context, plate string) (visit.Proposal, error)
	// VisitPage lists visits by number after one, only open ones where asked.
	VisitPage(ctx context.Context, after int64, openOnly bool, limit int) ([]visit.State, error)
	// VisitOf finds a visit; none where there is none of this number.
	VisitOf(ctx context.Context, number int64) ([]visit.State, error)
	// KeyedPage lists keyed weights by number after one, only those that stand and for which no reading was found where asked.
	KeyedPage(ctx context.Context, after int64, unmatchedOnly bool, limit int) ([]visit.Keyed, error)
	// Tickets lists the tickets of a series by number after one.
	Tickets(ctx context.Context, series string, after int64, limit int) ([]ticket.State, error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	intakev1.UnsafeVisitServiceServer
	run   *work.Runner
	reads Reads
}

var _ intakev1.VisitServiceServer = (*Server)(nil)

// New makes the server.
func New(run *work.Runner, reads Reads) *Server { return &Server{run: run, reads: reads} }

// Retell is the answer of a request of this door again, told by its events; nil where the request is another door's.
func Retell(req command.Request, events []lot.Recorded) proto.Message {
	switch b := events[0].Body.(type) {
	case lot.VisitWeighed:
		return &intakev1.WeighVehicleResponse{Visit: b.Visit, Weighing: b.Number, Closed: len(events) > 1}
	case lot.TareStored:
		return &intakev1.StoreTareResponse{Tare: b.Tare, Expires: lotwire.Time(b.Expires)}
	case lot.WeightKeyed:
		return &intakev1.KeyWeightResponse{Keyed: b.Keyed}
	case lot.WeightMatched:
		return &intakev1.MatchWeightResponse{DifferenceMicropounds: int64(b.Difference)}
	case lot.TicketIssued:
		return issued(ticket.State{TicketIssued: b, Issued: events[0].Effective})
	case lot.TicketMarked:
		if b.Mark == lot.TicketReprinted {
			return &intakev1.ReprintTicketResponse{Count: b.Count}
		}
	}
	return nil
}

// RegisterVehicle adds a vehicle or changes it from now on.
func (s *Server) RegisterVehicle(ctx context.Context, req *intakev1.RegisterVehicleRequest) (*intakev1.RegisterVehicleResponse, error) {
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.RegisterVehicleResponse, []lot.Event, error) {
		events, err := visit.Register(ctx, tx, lot.VehicleChanged{Plate: req.GetPlate(), TareDays: req.GetTareDays(), Note: req.GetNote()})
		return &intakev1.RegisterVehicleResponse{}, events, err
	})
}

// ProposeVisit tells what a plate suggests.
func (s *Server) ProposeVisit(ctx context.Context, req *intakev1.ProposeVisitRequest) (*intakev1.ProposeVisitResponse, error) {
	plate, err := visit.Plate(req.GetPlate())
	if err != nil {
		return nil, err
	}
	p, err := s.reads.Proposal(ctx, plate)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ProposeVisitResponse{Plate: p.Plate, Registered: p.Vehicle != nil, Visit: p.Open, Party: string(p.Party)}
	if p.Open != 0 {
		answer.Opened = lotwire.Time(p.Opened)
	}
	if p.Tare != nil {
		answer.Tare = lotwire.TareStored(*p.Tare)
	}
	return answer, nil
}

// WeighVehicle records one weighing.
func (s *Server) WeighVehicle(ctx context.Context, req *intakev1.WeighVehicleRequest) (*intakev1.WeighVehicleResponse, error) {
	draft, err := lotwire.ParseDraft(req.GetDraft())
	if err != nil {
		return nil, err
	}
	w := visit.Weighing{
		Plate: req.GetPlate(), Visit: req.GetVisit(), Party: lot.PartyID(req.GetParty()), Draft: draft, DriverOn: req.GetDriverOn(),
		StaysOpen: req.GetStaysOpen(), Tare: req.GetTare(), Supersedes: req.GetSupersedes(), Reason: req.GetReason(), Weigher: desk.Actor(ctx),
	}
	for _, one := range req.GetWeights() {
		w.Weights = append(w.Weights, visit.Source{Scale: one.GetScale(), Sequence: one.GetSequence(), Keyed: one.GetKeyed()})
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.WeighVehicleResponse, []lot.Event, error) {
		v, events, err := visit.Weigh(ctx, tx, w)
		return &intakev1.WeighVehicleResponse{Visit: v.ID, Weighing: int64(len(v.Weighings)), Closed: len(events) > 1}, events, err
	})
}

// CloseVisit ends a visit that no further weighing will close.
func (s *Server) CloseVisit(ctx context.Context, req *intakev1.CloseVisitRequest) (*intakev1.CloseVisitResponse, error) {
	c := visit.Closing{Visit: req.GetVisit(), Tare: req.GetTare(), Reason: req.GetReason(), By: desk.Actor(ctx)}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.CloseVisitResponse, []lot.Event, error) {
		events, err := visit.Close(ctx, tx, c)
		return &intakev1.CloseVisitResponse{}, events, err
	})
}

// StoreTare keeps a vehicle's tare for later visits.
func (s *Server) StoreTare(ctx context.Context, req *intakev1.StoreTareRequest) (*intakev1.StoreTareResponse, error) {
	at, err := lotwire.ParseTime(req.GetTime())
	if err != nil {
		return nil, err
	}
	t := visit.Tare{
		Plate: req.GetPlate(), Visit: req.GetVisit(), Weighing: req.GetWeighing(), Digits: req.GetDigits(), Unit: req.GetUnit(), Time: at,
		Draft: lot.Draft(req.GetDraft()), DriverOn: req.GetDriverOn(), Reason: req.GetReason(), By: desk.Actor(ctx),
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.StoreTareResponse, []lot.Event, error) {
		kept, events, err := visit.Store(ctx, tx, t)
		return &intakev1.StoreTareResponse{Tare: kept.Tare, Expires: lotwire.Time(kept.Expires)}, events, err
	})
}

// GetVisit gives one visit.
func (s *Server) GetVisit(ctx context.Context, req *intakev1.GetVisitRequest) (*intakev1.GetVisitResponse, error) {
	found, err := s.reads.VisitOf(ctx, req.GetVisit())
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, fault.NotFound("visit_unknown", "visit %d: there is none of this number", req.GetVisit())
	}
	v, err := visitOf(found[0])
	return &intakev1.GetVisitResponse{Visit: v}, err
}

// ListVisits lists visits by number, or the open ones alone.
func (s *Server) ListVisits(ctx context.Context, req *intakev1.ListVisitsRequest) (*intakev1.ListVisitsResponse, error) {
	after, err := numberAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.VisitPage(ctx, after, req.GetOpenOnly(), size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListVisitsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = numberToken(rows[size-1].ID)
	}
	for _, r := range rows {
		v, err := visitOf(r)
		if err != nil {
			return nil, err
		}
		answer.Visits = append(answer.Visits, v)
	}
	return answer, nil
}

func numberToken(n int64) string { return desk.PageToken(strconv.FormatInt(n, 10), true) }

// numberAfter is the number that a page of a list starts after.
func numberAfter(token string) (int64, error) {
	key, err := access.PageKey(token)
	if err != nil || key == "" {
		return 0, err
	}
	n, err := strconv.ParseInt(key, 10, 64)
	if err != nil {
		return 0, fault.Invalid("page_token_malformed", "page token %q: it is none of this list", token)
	}
	return n, nil
}

// visitOf is a visit on the wire.
func visitOf(s visit.State) (*intakev1.Visit, error) {
	v := &intakev1.Visit{Visit: s.ID, Plate: s.Plate, Party: string(s.Party), Open: s.Closed == nil, Opened: lotwire.Time(s.Opened)}
	for _, w := range s.Weighings {
		v.Weighings = append(v.Weighings, lotwire.VisitWeighed(w))
	}
	if s.Closed == nil {
		return v, nil
	}
	v.Closed = lotwire.VisitClosed(*s.Closed)
	if s.Tare != nil {
		v.Tare = lotwire.TareStored(*s.Tare)
	}
	lines, err := s.Lines()
	for _, l := range lines {
		v.Lines = append(v.Lines, &intakev1.VisitLine{
			Line: l.Number, GrossWeighing: l.Gross.Weighing, TareWeighing: l.Tare.Weighing, GrossMicropounds: int64(l.Gross.Mass),
			TareMicropounds: int64(l.Tare.Mass), NetMicropounds: int64(l.Net), Draft: lotwire.Draft(l.Draft), OtherScale: l.OtherScale,
			DriverDiffers: l.DriverDiffers, StoredTare: l.StoredTare, Keyed: l.Keyed, Lot: string(l.Lot),
		})
	}
	return v, err
}
