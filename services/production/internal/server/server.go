// Package server is the production service's door: commands from package write, costs from package answer, and here the reads of stages and runs
// and what every service is asked alike.
package server

import (
	"context"
	"log/slog"
	"time"

	"google.golang.org/grpc"

	"huskline/internal/access"
	"huskline/internal/desk"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/server/answer"
	"huskline/services/production/internal/server/write"
	"huskline/services/production/internal/stage"
)

// Reads is what is read from the tables.
type Reads interface {
	// Stages lists stages by code after one, at most limit.
	Stages(ctx context.Context, after string, limit int) ([]stage.Stage, error)
	// Run shows a run; reason run_unknown where there is none.
	Run(ctx context.Context, id lot.RunID) (run.View, error)
	// Runs lists runs by code after one, at most limit.
	Runs(ctx context.Context, openOnly bool, after lot.RunID, limit int) ([]run.View, error)
}

// Server serves the contract.
type Server struct {
	unimplemented
	*write.Commands
	*answer.Costs
	*answer.Runs
	reads Reads
	desk  *desk.Desk
	inbox *inbox.Inbox
}

// Nudge tells that something was recorded; it does not block.
func (s *Server) Nudge() {
	s.Costs.Nudge()
	s.Runs.Nudge()
}

// unimplemented puts what a newer contract may have one step behind what is served here.
type unimplemented struct {
	productionv1.UnimplementedProductionServiceServer
}

var _ productionv1.ProductionServiceServer = (*Server)(nil)

// Config is what the server is made of.
type Config struct {
	DB       *postgres.DB
	Logger   *slog.Logger
	Now      func() time.Time
	Commands *write.Commands
	Reads    Reads
	Desk     *desk.Desk
	Inbox    *inbox.Inbox
}

// New makes a server.
func New(cfg Config) *Server {
	return &Server{
		Commands: cfg.Commands, Costs: answer.New(answer.Config{DB: cfg.DB, Logger: cfg.Logger, Now: cfg.Now, CatchUp: cfg.Inbox.CatchUp, Reach: cfg.Inbox.Reach}),
		Runs: answer.NewRuns(cfg.DB, cfg.Logger), reads: cfg.Reads, desk: cfg.Desk, inbox: cfg.Inbox,
	}
}

// Register lets a gRPC server serve it.
func (s *Server) Register(r grpc.ServiceRegistrar) {
	productionv1.RegisterProductionServiceServer(r, s)
}

// ListStages lists stages by code.
func (s *Server) ListStages(ctx context.Context, r *productionv1.ListStagesRequest) (*productionv1.ListStagesResponse, error) {
	after, err := access.PageKey(r.GetPageToken())
	if err != nil {
		return nil, err
	}
	n := desk.PageSize(r.GetPageSize())
	list, err := s.reads.Stages(ctx, after, n+1)
	if err != nil {
		return nil, err
	}
	answer := &productionv1.ListStagesResponse{}
	for i, st := range list {
		if i == n {
			answer.NextPageToken = desk.PageToken(list[n-1].Code, true)
			break
		}
		answer.Stages = append(answer.Stages, &productionv1.Stage{Stage: st.Code, Name: st.Name})
	}
	return answer, nil
}

// GetRun gives one run with its lines and mass balance.
func (s *Server) GetRun(ctx context.Context, r *productionv1.GetRunRequest) (*productionv1.GetRunResponse, error) {
	v, err := s.reads.Run(ctx, lot.RunID(r.GetRun()))
	if err != nil {
		return nil, err
	}
	return &productionv1.GetRunResponse{Run: runState(v)}, nil
}

// ListRuns lists runs by code.
func (s *Server) ListRuns(ctx context.Context, r *productionv1.ListRunsRequest) (*productionv1.ListRunsResponse, error) {
	after, err := access.PageKey(r.GetPageToken())
	if err != nil {
		return nil, err
	}
	n := desk.PageSize(r.GetPageSize())
	list, err := s.reads.Runs(ctx, r.GetOpenOnly(), lot.RunID(after), n+1)
	if err != nil {
		return nil, err
	}
	answer := &productionv1.ListRunsResponse{}
	for i, v := range list {
		if i == n {
			answer.NextPageToken = desk.PageToken(string(list[n-1].Run), true)
			break
		}
		answer.Runs = append(answer.Runs, runState(v))
	}
	return answer, nil
}

func runState(v run.View) *productionv1.RunState {
	s := &productionv1.RunState{Opened: lotwire.RunOpened(v.Opened()), Lines: lotwire.RunPosted(v.Posted())}
	if done, ok := v.Completed(); ok {
		s.Completed = lotwire.RunCompleted(done)
	}
	for _, c := range v.Charges {
		if c.ReplacedBy == "" {
			s.Charges = append(s.Charges, lotwire.ChargePosted(c.ChargePosted))
		}
	}
	return s
}

// ReadEvents streams this producer's own events.
func (s *Server) ReadEvents(r *productionv1.ReadEventsRequest, stream grpc.ServerStreamingServer[productionv1.ReadEventsResponse]) error {
	return s.desk.ReadEvents(stream.Context(), r.GetEpoch(), r.GetAfterPosition(), r.GetLimit(), func(page []*eventv1.Envelope) error {
		return stream.Send(&productionv1.ReadEventsResponse{Envelopes: page})
	})
}

// ReadKept streams what is kept of a producer's events, so that it can take back what it lost.
func (s *Server) ReadKept(r *productionv1.ReadKeptRequest, stream grpc.ServerStreamingServer[productionv1.ReadKeptResponse]) error {
	return s.desk.ReadKept(stream.Context(), r.GetProducer(), r.GetEpoch(), r.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&productionv1.ReadKeptResponse{Envelopes: page})
	})
}

// GetHead gives this producer's head and what it has applied of the others.
func (s *Server) GetHead(ctx context.Context, _ *productionv1.GetHeadRequest) (*productionv1.GetHeadResponse, error) {
	st, err := s.desk.Standing(ctx)
	if err != nil {
		return nil, err
	}
	return &productionv1.GetHeadResponse{Head: st.Head, Applied: lotwire.Receipts(st.Applied), Earlier: st.Earlier}, nil
}

// ListQuarantine lists events of the others that could not be applied.
func (s *Server) ListQuarantine(ctx context.Context, r *productionv1.ListQuarantineRequest) (*productionv1.ListQuarantineResponse, error) {
	page, next, err := s.desk.Quarantined(ctx, r.GetPageSize(), r.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &productionv1.ListQuarantineResponse{NextPageToken: next}
	for _, q := range page {
		answer.Events = append(answer.Events, &productionv1.QuarantinedEvent{
			At: q.At, EventId: q.EventID, Type: q.Type, Lots: q.Lots, Reason: q.Reason, Waiting: q.Waiting, Attempts: q.Attempts,
		})
	}
	return answer, nil
}

// RetryQuarantine tries an event again, with those that wait behind it. Repeating it is harmless, so its id is not kept.
func (s *Server) RetryQuarantine(ctx context.Context, r *productionv1.RetryQuarantineRequest) (*productionv1.RetryQuarantineResponse, error) {
	applied, reason, err := s.inbox.Retry(ctx, lotwire.ParseReceipt(r.GetAt()))
	if err != nil {
		return nil, err
	}
	st, err := s.desk.Standing(ctx)
	if err != nil {
		return nil, err
	}
	return &productionv1.RetryQuarantineResponse{Receipt: st.Head.GetAt(), Applied: int64(applied), Reason: reason}, nil
}

// ListTokens lists tokens without their hashes.
func (s *Server) ListTokens(ctx context.Context, r *productionv1.ListTokensRequest) (*productionv1.ListTokensResponse, error) {
	page, next, err := s.desk.Tokens(ctx, r.GetPageSize(), r.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &productionv1.ListTokensResponse{NextPageToken: next}
	for _, t := range page {
		m := &productionv1.Token{TokenId: t.ID, Name: t.Name, Expires: lotwire.Time(t.Expires), Revoked: lotwire.Time(t.Revoked)}
		for _, role := range t.Roles {
			m.Roles = append(m.Roles, string(role))
		}
		answer.Tokens = append(answer.Tokens, m)
	}
	return answer, nil
}
