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
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/server/judge"
)

// Server answers. It is safe for concurrent use.
type Server struct {
	judge *judge.Judge
	desk  *desk.Desk
	inbox *inbox.Inbox
}

// New makes the server.
func New(j *judge.Judge, d *desk.Desk, in *inbox.Inbox) *Server {
	return &Server{j, d, in}
}

// ReadKept streams what is kept of another producer's events to that producer, so that it can take back what it lost, or to an administrator.
func (s *Server) ReadKept(req *inventoryv1.ReadKeptRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadKeptResponse]) error {
	return s.desk.ReadKept(stream.Context(), req.GetProducer(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&inventoryv1.ReadKeptResponse{Envelopes: page})
	})
}

// ReadEvents streams this producer's envelopes of one epoch after a position.
func (s *Server) ReadEvents(req *inventoryv1.ReadEventsRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadEventsResponse]) error {
	return s.desk.ReadEvents(stream.Context(), req.GetEpoch(), req.GetAfterPosition(), req.GetLimit(), func(page []*eventv1.Envelope) error {
		return stream.Send(&inventoryv1.ReadEventsResponse{Envelopes: page})
	})
}

// GetHead gives this producer's head, and what it has applied of the others.
func (s *Server) GetHead(ctx context.Context, _ *inventoryv1.GetHeadRequest) (*inventoryv1.GetHeadResponse, error) {
	at, err := s.desk.Standing(ctx)
	if err != nil {
		return nil, err
	}
	return &inventoryv1.GetHeadResponse{Head: at.Head, Applied: lotwire.Receipts(at.Applied), Earlier: at.Earlier}, nil
}

// ListQuarantine lists events of the others that were set aside.
func (s *Server) ListQuarantine(ctx context.Context, req *inventoryv1.ListQuarantineRequest) (*inventoryv1.ListQuarantineResponse, error) {
	page, next, err := s.desk.Quarantined(ctx, req.GetPageSize(), req.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &inventoryv1.ListQuarantineResponse{NextPageToken: next}
	for _, q := range page {
		answer.Events = append(answer.Events, &inventoryv1.QuarantinedEvent{
			At: q.At, EventId: q.EventID, Type: q.Type, Lots: q.Lots, Reason: q.Reason, Waiting: q.Waiting, Attempts: q.Attempts,
		})
	}
	return answer, nil
}

// RetryQuarantine tries an event again, with those that wait behind it. It says nothing of its own, so that its receipt is the head.
func (s *Server) RetryQuarantine(ctx context.Context, req *inventoryv1.RetryQuarantineRequest) (*inventoryv1.RetryQuarantineResponse, error) {
	applied, reason, err := s.inbox.Retry(ctx, lotwire.ParseReceipt(req.GetAt()))
	if err != nil {
		return nil, err
	}
	at, err := s.desk.Standing(ctx)
	if err != nil {
		return nil, err
	}
	return &inventoryv1.RetryQuarantineResponse{Receipt: at.Head.GetAt(), Applied: int64(applied), Reason: reason}, nil
}

// IssueToken registers a token by its hash.
func (s *Server) IssueToken(ctx context.Context, req *inventoryv1.IssueTokenRequest) (*inventoryv1.IssueTokenResponse, error) {
	roles, err := access.ParseRoles(req.GetRoles())
	if err != nil {
		return nil, err
	}
	expires, err := lotwire.ParseTime(req.GetExpires())
	if err != nil {
		return nil, err
	}
	token := access.Token{ID: req.GetCommandId(), Name: req.GetName(), Roles: roles, Expires: expires}
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.IssueTokenResponse, []lot.Event, error) {
		return &inventoryv1.IssueTokenResponse{TokenId: token.ID}, nil, tx.IssueToken(ctx, token, req.GetSecretSha256())
	})
}

// ListTokens lists tokens without their hashes.
func (s *Server) ListTokens(ctx context.Context, req *inventoryv1.ListTokensRequest) (*inventoryv1.ListTokensResponse, error) {
	page, next, err := s.desk.Tokens(ctx, req.GetPageSize(), req.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &inventoryv1.ListTokensResponse{NextPageToken: next}
	for _, t := range page {
		m := &inventoryv1.Token{TokenId: t.ID, Name: t.Name, Expires: timestamppb.New(t.Expires)}
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
func (s *Server) RevokeToken(ctx context.Context, req *inventoryv1.RevokeTokenRequest) (*inventoryv1.RevokeTokenResponse, error) {
	return judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.RevokeTokenResponse, []lot.Event, error) {
		return &inventoryv1.RevokeTokenResponse{}, nil, tx.RevokeToken(ctx, req.GetTokenId())
	})
}
