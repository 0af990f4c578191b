// Package register is the door for parties and items, and for scales by its part.
package register

import (
	"context"
	"time"

	"huskline/internal/desk"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/item"
	"huskline/services/intake/internal/party"
	"huskline/services/intake/internal/server/scales"
	"huskline/services/intake/internal/server/work"
)

// Reads is what the door lists.
type Reads interface {
	scales.Reads
	// Parties lists parties by code after one, at most limit.
	Parties(ctx context.Context, after string, limit int) ([]lot.PartyChanged, error)
	// Items lists items by code after one, as they stand now, at most limit.
	Items(ctx context.Context, after string, limit int) ([]lot.ItemChanged, error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	scalesPart
	run   *work.Runner
	reads Reads
}

// scalesPart is the door for scales.
type scalesPart struct{ *scales.Server }

// New makes the server. now is the service's clock.
func New(run *work.Runner, reads Reads, now func() time.Time) *Server {
	return &Server{scalesPart{scales.New(run, reads, now)}, run, reads}
}

// RegisterParty adds a party or changes it from now on.
func (s *Server) RegisterParty(ctx context.Context, req *intakev1.RegisterPartyRequest) (*intakev1.RegisterPartyResponse, error) {
	p, err := lotwire.ParsePartyChanged(req.GetParty())
	if err != nil {
		return nil, err
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.RegisterPartyResponse, []lot.Event, error) {
		events, err := party.Register(ctx, tx, p)
		return &intakev1.RegisterPartyResponse{}, events, err
	})
}

// RegisterItem adds an item or changes it from a time on.
func (s *Server) RegisterItem(ctx context.Context, req *intakev1.RegisterItemRequest) (*intakev1.RegisterItemResponse, error) {
	i, err := lotwire.ParseItemChanged(req.GetItem())
	if err != nil {
		return nil, err
	}
	from, err := lotwire.ParseTime(req.GetEffective())
	if err != nil {
		return nil, err
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.RegisterItemResponse, []lot.Event, error) {
		events, err := item.Register(ctx, tx, i, from)
		return &intakev1.RegisterItemResponse{}, events, err
	})
}

// page is one page of a list and where the next one starts; a row more than the page was asked for.
func page[R any](rows []R, size int, key func(R) string) ([]R, string) {
	if len(rows) <= size {
		return rows, ""
	}
	return rows[:size], desk.PageToken(key(rows[size-1]), true)
}

// ListParties lists parties by code.
func (s *Server) ListParties(ctx context.Context, req *intakev1.ListPartiesRequest) (*intakev1.ListPartiesResponse, error) {
	after, err := work.PageAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Parties(ctx, after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListPartiesResponse{}
	rows, answer.NextPageToken = page(rows, size, func(p lot.PartyChanged) string { return string(p.Party) })
	for _, p := range rows {
		answer.Parties = append(answer.Parties, lotwire.PartyChanged(p))
	}
	return answer, nil
}

// ListItems lists items by code, as they stand now.
func (s *Server) ListItems(ctx context.Context, req *intakev1.ListItemsRequest) (*intakev1.ListItemsResponse, error) {
	after, err := work.PageAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Items(ctx, after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListItemsResponse{}
	rows, answer.NextPageToken = page(rows, size, func(i lot.ItemChanged) string { return string(i.Item) })
	for _, i := range rows {
		answer.Items = append(answer.Items, lotwire.ItemChanged(i))
	}
	return answer, nil
}
