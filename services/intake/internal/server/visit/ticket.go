package visit

import (
	"cmp"
	"context"

	"huskline/internal/desk"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/ticket"
)

// IssueTicket issues the weigh ticket of a line.
func (s *Server) IssueTicket(ctx context.Context, req *intakev1.IssueTicketRequest) (*intakev1.IssueTicketResponse, error) {
	t := ticket.Ticket{
		Series: req.GetSeries(), Visit: req.GetVisit(), Line: req.GetLine(), Party: lot.PartyID(req.GetParty()), Item: lot.ItemID(req.GetItem()),
		MoisturePPM: -1, Place: req.GetPlace(), Weigher: desk.Actor(ctx),
	}
	if req.MoisturePpm != nil {
		t.MoisturePPM = req.GetMoisturePpm()
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.IssueTicketResponse, []lot.Event, error) {
		made, events, err := ticket.Issue(ctx, tx, t)
		if err != nil {
			return nil, nil, err
		}
		return issued(made), events, nil
	})
}

func issued(t ticket.State) *intakev1.IssueTicketResponse {
	return &intakev1.IssueTicketResponse{Series: t.Series, Number: t.Number, Text: t.Text()}
}

// VoidTicket says that a ticket does not count, or that its paper was spoilt.
func (s *Server) VoidTicket(ctx context.Context, req *intakev1.VoidTicketRequest) (*intakev1.VoidTicketResponse, error) {
	m := lot.TicketMarked{Series: req.GetSeries(), Number: req.GetNumber(), Mark: lot.TicketVoid, Reason: req.GetReason(), By: desk.Actor(ctx)}
	if req.GetJammed() {
		m.Mark = lot.TicketJammed
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.VoidTicketResponse, []lot.Event, error) {
		_, events, err := ticket.Mark(ctx, tx, m)
		return &intakev1.VoidTicketResponse{}, events, err
	})
}

// ReprintTicket records that a ticket is printed again.
func (s *Server) ReprintTicket(ctx context.Context, req *intakev1.ReprintTicketRequest) (*intakev1.ReprintTicketResponse, error) {
	m := lot.TicketMarked{Series: req.GetSeries(), Number: req.GetNumber(), Mark: lot.TicketReprinted, Reason: req.GetReason(), By: desk.Actor(ctx)}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.ReprintTicketResponse, []lot.Event, error) {
		count, events, err := ticket.Mark(ctx, tx, m)
		return &intakev1.ReprintTicketResponse{Count: count}, events, err
	})
}

// GetTicket gives a ticket with all that became of it.
func (s *Server) GetTicket(ctx context.Context, req *intakev1.GetTicketRequest) (*intakev1.GetTicketResponse, error) {
	series := cmp.Or(req.GetSeries(), ticket.DefaultSeries)
	found, err := s.reads.Tickets(ctx, series, req.GetNumber()-1, 1)
	if err != nil {
		return nil, err
	}
	if len(found) == 0 || found[0].Number != req.GetNumber() {
		return nil, ticket.Unknown(series, req.GetNumber())
	}
	return &intakev1.GetTicketResponse{Ticket: ticketOf(found[0]), Text: found[0].Text()}, nil
}

// ListTickets lists the tickets of a series by number.
func (s *Server) ListTickets(ctx context.Context, req *intakev1.ListTicketsRequest) (*intakev1.ListTicketsResponse, error) {
	after, err := numberAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Tickets(ctx, cmp.Or(req.GetSeries(), ticket.DefaultSeries), after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListTicketsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = numberToken(rows[size-1].Number)
	}
	for _, t := range rows {
		answer.Tickets = append(answer.Tickets, ticketOf(t))
	}
	return answer, nil
}

// ticketOf is a ticket on the wire.
func ticketOf(t ticket.State) *intakev1.Ticket {
	out := &intakev1.Ticket{Ticket: lotwire.TicketIssued(t.TicketIssued), Issued: lotwire.Time(t.Issued)}
	for _, f := range t.Fates {
		out.Fates = append(out.Fates, &intakev1.TicketFate{Mark: lotwire.TicketMarked(f.TicketMarked), At: lotwire.Time(f.At)})
	}
	return out
}
