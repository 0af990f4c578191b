// Package watch shows what happens to runs as it comes.
package watch

import (
	"context"
	"log/slog"
	"slices"

	"google.golang.org/grpc"

	"huskline/internal/follow"
	"huskline/internal/live"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	productionv1 "huskline/proto/huskline/production/v1"
)

// none is an index of nothing: what happens to a run stands in the event.
type none struct{}

// Apply keeps nothing.
func (none) Apply(lot.Recorded) error { return nil }

// Server answers. It is safe for concurrent use.
type Server struct{ hub *live.Hub[none, struct{}] }

// New makes the server on what a database records.
func New(db *postgres.DB, logger *slog.Logger) *Server {
	return &Server{live.New(live.Config[none, struct{}]{
		Follow: follow.Config[none]{DB: db, Self: lot.Production, New: func() none { return none{} }, Logger: logger, Tail: true},
		Fold: func(_ none, e lot.Recorded, apply func() error) (struct{}, int, error) {
			return struct{}{}, len(changes(e)), apply()
		},
	})}
}

// Run follows what is recorded as long as somebody watches, until ctx ends.
func (s *Server) Run(ctx context.Context) error { return s.hub.Follower().Run(ctx) }

// Nudge tells that something was recorded; it does not block.
func (s *Server) Nudge() { s.hub.Follower().Nudge() }

// Close ends all views.
func (s *Server) Close() { s.hub.Close() }

// WatchRuns streams what happens to runs until the caller ends it.
func (s *Server) WatchRuns(req *productionv1.WatchRunsRequest, stream grpc.ServerStreamingServer[productionv1.WatchRunsResponse]) error {
	after, err := live.After(req.GetAfter())
	if err != nil {
		return err
	}
	return s.hub.Watch(stream.Context(), after, func(n *live.Note[struct{}], _, mark follow.Mark) error {
		m := &productionv1.WatchRunsResponse{Resume: mark.String()}
		if n == nil {
			return stream.Send(m)
		}
		for _, c := range changes(n.Event) {
			if len(req.GetRuns()) == 0 || slices.Contains(req.GetRuns(), c.GetRun()) {
				m.Runs = append(m.Runs, c)
			}
		}
		if m.Runs == nil {
			return nil
		}
		e := n.Event
		m.At, m.EventId, m.Actor = lotwire.Receipt(e.Receipt), e.EventID, e.Actor
		m.Recorded, m.Effective = lotwire.Time(e.RecordedAt), lotwire.Time(e.Effective)
		return stream.Send(m)
	})
}

// changes is what an event says of runs.
func changes(e lot.Recorded) []*productionv1.RunChange {
	switch b := e.Body.(type) {
	case lot.RunOpened:
		return []*productionv1.RunChange{{Run: string(b.Run), Kind: productionv1.RunChangeKind_RUN_CHANGE_KIND_OPENED, Opened: lotwire.RunOpened(b)}}
	case lot.RunPosted:
		return []*productionv1.RunChange{posted(b)}
	case lot.RunCompleted:
		return []*productionv1.RunChange{{
			Run: string(b.Run), Kind: productionv1.RunChangeKind_RUN_CHANGE_KIND_COMPLETED, Completed: lotwire.RunCompleted(b),
		}}
	case lot.RunCorrected:
		return []*productionv1.RunChange{{
			Run: string(b.Completed.Run), Kind: productionv1.RunChangeKind_RUN_CHANGE_KIND_CORRECTED, Opened: lotwire.RunOpened(b.Opened),
			Completed: lotwire.RunCompleted(b.Completed),
		}}
	case lot.ChargePosted:
		var out []*productionv1.RunChange
		for _, run := range b.Runs {
			out = append(out, &productionv1.RunChange{
				Run: string(run), Kind: productionv1.RunChangeKind_RUN_CHANGE_KIND_CHARGED, Charge: lotwire.ChargePosted(b),
			})
		}
		return out
	case lot.Corrected:
		var out []*productionv1.RunChange
		for _, r := range b.Runs {
			out = append(out, posted(r))
		}
		return out
	}
	return nil
}

func posted(b lot.RunPosted) *productionv1.RunChange {
	return &productionv1.RunChange{Run: string(b.Run), Kind: productionv1.RunChangeKind_RUN_CHANGE_KIND_POSTED, Posted: lotwire.RunPosted(b)}
}
