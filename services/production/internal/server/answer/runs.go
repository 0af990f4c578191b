package answer

import (
	"context"
	"log/slog"
	"slices"

	"google.golang.org/grpc"

	"huskline/internal/live"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Runs shows what happens to runs as it comes. It is safe for concurrent use.
type Runs struct{ hub *live.Tail[struct{}] }

// NewRuns shows what a database records.
func NewRuns(db *postgres.DB, logger *slog.Logger) *Runs {
	return &Runs{live.NewTail(db, lot.Production, logger, func(e lot.Recorded) (struct{}, int) { return struct{}{}, len(changes(e)) })}
}

// Run follows what is recorded as long as somebody watches, until ctx ends.
func (r *Runs) Run(ctx context.Context) error { return r.hub.Follower().Run(ctx) }

// Nudge tells that something was recorded; it does not block.
func (r *Runs) Nudge() { r.hub.Follower().Nudge() }

// Close ends all views.
func (r *Runs) Close() { r.hub.Close() }

// WatchRuns streams what happens to runs until the caller ends it.
func (r *Runs) WatchRuns(req *productionv1.WatchRunsRequest, stream grpc.ServerStreamingServer[productionv1.WatchRunsResponse]) error {
	after, err := live.After(req.GetAfter())
	if err != nil {
		return err
	}
	return r.hub.Watch(stream.Context(), after, func(n *live.Note[struct{}], _, mark live.Mark) error {
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
