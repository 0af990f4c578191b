package feed

import (
	"context"
	"strconv"

	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/weighing"
)

// DiscardReading puts a refused reading aside for good.
func (s *Server) DiscardReading(ctx context.Context, req *intakev1.DiscardReadingRequest) (*intakev1.DiscardReadingResponse, error) {
	b, err := batchOf(ctx, &intakev1.PostReadingsRequest{Readings: []*intakev1.Reading{req.GetReading()}})
	if err != nil {
		return nil, err
	}
	by := desk.Actor(ctx)
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.DiscardReadingResponse, []lot.Event, error) {
		d, events, err := weighing.Discard(ctx, tx, b, req.GetReason(), by)
		return &intakev1.DiscardReadingResponse{Discarded: lotwire.ReadingDiscarded(d)}, events, err
	})
}

// ListDiscardedReadings lists the readings that were put aside for good, the last first.
func (s *Server) ListDiscardedReadings(
	ctx context.Context, req *intakev1.ListDiscardedReadingsRequest,
) (*intakev1.ListDiscardedReadingsResponse, error) {
	key, err := work.PageAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	before := int64(0)
	if key != "" {
		if before, err = strconv.ParseInt(key, 10, 64); err != nil {
			return nil, fault.Invalid("page_token", "page token %q: not one of ours", req.GetPageToken())
		}
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.DiscardedPage(ctx, before, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListDiscardedReadingsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = desk.PageToken(strconv.FormatInt(rows[size-1].Number, 10), true)
	}
	for _, d := range rows {
		answer.Readings = append(answer.Readings, &intakev1.DiscardedReading{Discarded: lotwire.ReadingDiscarded(d.ReadingDiscarded), Recorded: lotwire.Time(d.Recorded)})
	}
	return answer, nil
}
