// Package office answers what every service is asked alike: its events, its quarantine, its tokens.
package office

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/access"
	"huskline/internal/desk"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/work"
)

// Server answers. It is safe for concurrent use.
type Server struct {
	run   *work.Runner
	desk  *desk.Desk
	inbox *inbox.Inbox
}

// New makes the server.
func New(run *work.Runner, d *desk.Desk, in *inbox.Inbox) *Server {
	return &Server{run, d, in}
}

// ReadKept streams what is kept of a producer's events, so that it can take back what it lost.
func (s *Server) ReadKept(req *intakev1.ReadKeptRequest, stream grpc.ServerStreamingServer[intakev1.ReadKeptResponse]) error {
	return s.desk.ReadKept(stream.Context(), req.GetProducer(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&intakev1.ReadKeptResponse{Envelopes: page})
	})
}

// ReadEvents streams this producer's envelopes of one epoch after a position.
func (s *Server) ReadEvents(req *intakev1.ReadEventsRequest, stream grpc.ServerStreamingServer[intakev1.ReadEventsResponse]) error {
	return s.desk.ReadEvents(stream.Context(), req.GetEpoch(), req.GetAfterPosition(), req.GetLimit(), func(page []*eventv1.Envelope) error {
		return stream.Send(&intakev1.ReadEventsResponse{Envelopes: page})
	})
}

// GetHead gives this producer's head, and what it has applied of the others.
func (s *Server) GetHead(ctx context.Context, _ *intakev1.GetHeadRequest) (*intakev1.GetHeadResponse, error) {
	at, err := s.desk.Standing(ctx)
	if err != nil {
		return nil, err
	}
	return &intakev1.GetHeadResponse{Head: at.Head, Applied: lotwire.Receipts(at.Applied), Earlier: at.Earlier}, nil
}

// ListQuarantine lists events of the others that were set aside.
func (s *Server) ListQuarantine(ctx context.Context, req *intakev1.ListQuarantineRequest) (*intakev1.ListQuarantineResponse, error) {
	page, next, err := s.desk.Quarantined(ctx, req.GetPageSize(), req.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListQuarantineResponse{NextPageToken: next}
	for _, q := range page {
		answer.Events = append(answer.Events, &intakev1.QuarantinedEvent{
			At: q.At, EventId: q.EventID, Type: q.Type, Lots: q.Lots, Reason: q.Reason, Waiting: q.Waiting, Attempts: q.Attempts,
		})
	}
	return answer, nil
}

// RetryQuarantine tries an event again, with those that wait behind it. It says nothing of its own, so that its receipt is the head.
func (s *Server) RetryQuarantine(ctx context.Context, req *intakev1.RetryQuarantineRequest) (*intakev1.RetryQuarantineResponse, error) {
	applied, reason, err := s.inbox.Retry(ctx, lotwire.ParseReceipt(req.GetAt()))
	if err != nil {
		return nil, err
	}
	at, err := s.desk.Standing(ctx)
	if err != nil {
		return nil, err
	}
	return &intakev1.RetryQuarantineResponse{Receipt: at.Head.GetAt(), Applied: int64(applied), Reason: reason}, nil
}

// IssueToken registers a token by its hash.
func (s *Server) IssueToken(ctx context.Context, req *intakev1.IssueTokenRequest) (*intakev1.IssueTokenResponse, error) {
	roles, err := access.ParseRoles(req.GetRoles())
	if err != nil {
		return nil, err
	}
	expires, err := lotwire.ParseTime(req.GetExpires())
	if err != nil {
		return nil, err
	}
	token := access.Token{ID: req.GetCommandId(), Name: req.GetName(), Roles: roles, Expires: expires}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.IssueTokenResponse, []lot.Event, error) {
		return &intakev1.IssueTokenResponse{TokenId: token.ID}, nil, tx.IssueToken(ctx, token, req.GetSecretSha256())
	})
}

// ListTokens lists tokens without their hashes.
func (s *Server) ListTokens(ctx context.Context, req *intakev1.ListTokensRequest) (*intakev1.ListTokensResponse, error) {
	page, next, err := s.desk.Tokens(ctx, req.GetPageSize(), req.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListTokensResponse{NextPageToken: next}
	for _, t := range page {
		m := &intakev1.Token{TokenId: t.ID, Name: t.Name, Expires: timestamppb.New(t.Expires)}
		for _, r := range t.Roles {
			m.Roles = append(m.Roles, string(r))
		}
		if !t.Revoked.IsZero() {
			m.Revoked = timestamppb.New(t.Revoked)
		}
		answer.Tokens = append(answer.Tokens, m)
	}
	return answer, nil
}

// RevokeToken ends a token at once.
func (s *Server) RevokeToken(ctx context.Context, req *intakev1.RevokeTokenRequest) (*intakev1.RevokeTokenResponse, error) {
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.RevokeTokenResponse, []lot.Event, error) {
		return &intakev1.RevokeTokenResponse{}, nil, tx.RevokeToken(ctx, req.GetTokenId())
	})
}
