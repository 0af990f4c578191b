// Package feed is the weigh door: batches of readings by a call or on a stream, and what is stored of them.
package feed

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/weighing"
)

// Reads is what the door shows.
type Reads interface {
	// FeedTotals adds up the feeds.
	FeedTotals(ctx context.Context) (weighing.Totals, error)
	// Readings lists what is stored of a scale by sequence after a place.
	Readings(ctx context.Context, l weighing.List) ([]weighing.Listed, error)
	// DiscardedPage lists readings that were put aside for good, the last first, before a number.
	DiscardedPage(ctx context.Context, before int64, limit int) ([]weighing.Discarded, error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	run   *work.Runner
	reads Reads
	now   func() time.Time
}

// New makes the server. now is the service's clock, which the senders' are compared with.
func New(run *work.Runner, reads Reads, now func() time.Time) *Server {
	return &Server{run, reads, now}
}

// clock is what the sender's clock is ahead of the service's, nil where it does not tell. On a stream it is compared once, when the stream opens.
func (s *Server) clock(ctx context.Context) (*time.Duration, error) {
	at, err := rpc.ClockOf(ctx)
	if err != nil || at.IsZero() {
		return nil, err
	}
	ahead := at.Sub(s.now())
	return &ahead, nil
}

// batch is a message that brings readings.
type batch interface {
	command.Request
	GetReadings() []*intakev1.Reading
	GetHistoric() bool
}

// PostReadings stores one batch.
func (s *Server) PostReadings(ctx context.Context, req *intakev1.PostReadingsRequest) (*intakev1.PostReadingsResponse, error) {
	b, err := batchOf(ctx, req)
	if err != nil {
		return nil, err
	}
	if b.Clock, err = s.clock(ctx); err != nil {
		return nil, err
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.PostReadingsResponse, []lot.Event, error) {
		r, events, err := weighing.Post(ctx, tx, b)
		return posted(r), events, err
	})
}

func posted(r weighing.Result) *intakev1.PostReadingsResponse {
	return &intakev1.PostReadingsResponse{
		Exceptions: exceptions(r), Stored: r.Stored, Repeated: r.Repeated, Refused: r.Refused, Conflicts: r.Conflicts, Watermarks: watermarks(r),
		Marked: marked(r),
	}
}

func streamed(r weighing.Result) *intakev1.StreamReadingsResponse {
	return &intakev1.StreamReadingsResponse{
		Exceptions: exceptions(r), Stored: r.Stored, Repeated: r.Repeated, Refused: r.Refused, Conflicts: r.Conflicts, Watermarks: watermarks(r),
		Marked: marked(r),
	}
}

// Retell is the answer again of a command that was answered before the database went back to an earlier moment: of a discarded reading by its event; a
// batch is stored again; nil where the request is another door's. What scales posted is in no event, so that it comes back with the sender's repeat alone.
func Retell(ctx context.Context, tx work.Tx, req command.Request, said lot.Body) (proto.Message, error) {
	if d, ok := said.(lot.ReadingDiscarded); ok {
		return &intakev1.DiscardReadingResponse{Discarded: lotwire.ReadingDiscarded(d)}, nil
	}
	sent, ok := req.(batch)
	if !ok {
		return nil, nil
	}
	b, err := batchOf(ctx, sent)
	if err != nil {
		return nil, err
	}
	b.Retold = true
	r, _, err := weighing.Post(ctx, tx, b)
	if _, one := req.(*intakev1.PostReadingsRequest); one {
		return posted(r), err
	}
	return streamed(r), err
}

// StreamReadings stores batches as they come and answers them in order. A batch that is refused as a whole is answered so, and the stream lives
// on; a failure of ours ends it, and the sender sends again what was not answered.
func (s *Server) StreamReadings(stream grpc.BidiStreamingServer[intakev1.StreamReadingsRequest, intakev1.StreamReadingsResponse]) error {
	clock, err := s.clock(stream.Context())
	if err != nil {
		return err
	}
	for {
		req, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		answer, err := s.stored(stream.Context(), req, clock)
		if fault.Refused(err) {
			answer, err = &intakev1.StreamReadingsResponse{BatchReason: fault.ReasonOf(err), BatchMessage: err.Error()}, nil
		}
		if err != nil {
			return err
		}
		answer.CommandId = req.GetCommandId()
		if err := stream.Send(answer); err != nil {
			return err
		}
	}
}

func (s *Server) stored(
	ctx context.Context, req *intakev1.StreamReadingsRequest, clock *time.Duration,
) (*intakev1.StreamReadingsResponse, error) {
	if err := rpc.WellFormed(req); err != nil {
		return nil, err
	}
	b, err := batchOf(ctx, req)
	if err != nil {
		return nil, err
	}
	b.Clock = clock
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.StreamReadingsResponse, []lot.Event, error) {
		r, events, err := weighing.Post(ctx, tx, b)
		return streamed(r), events, err
	})
}

// batchOf reads a batch. Records, which no rule for live scales measures, are an administrator's to bring; so is a scale that is not known.
func batchOf(ctx context.Context, req batch) (weighing.Batch, error) {
	administrator := access.ActorOf(ctx).Has(access.Administrator)
	if req.GetHistoric() && !administrator {
		return weighing.Batch{}, fault.Denied("historic_denied", "readings from records: only an administrator brings them")
	}
	b := weighing.Batch{
		Command: req.GetCommandId(), Historic: req.GetHistoric(), Register: administrator, Readings: make([]weighing.Reading, len(req.GetReadings())),
	}
	for i, m := range req.GetReadings() {
		at, err := lotwire.ParseTime(m.GetTime())
		if err != nil {
			at = time.Time{} // no time: refused with its reading, not with the batch
		}
		if d := m.GetDefect(); d != nil {
			if b.Defects == nil {
				b.Defects = map[int]error{}
			}
			b.Defects[i] = fault.Invalid(d.GetReason(), "%s", d.GetMessage())
		}
		b.Readings[i] = weighing.Reading{
			Scale: m.GetScale(), Sequence: m.GetSequence(), Time: at, Digits: m.GetDigits(), Unit: m.GetUnit(), Kind: weighing.Kind(m.GetKind()),
			Reference: m.GetReference(), Status: weighing.Status{
				InMotion: m.GetInMotion(), HighResolution: m.GetHighResolution(), CenterOfZero: m.GetCenterOfZero(), Range: m.GetRange(),
			},
		}
	}
	return b, nil
}

func exceptions(r weighing.Result) []*intakev1.ReadingAnswer {
	out := make([]*intakev1.ReadingAnswer, len(r.Exceptions))
	for i, a := range r.Exceptions {
		out[i] = &intakev1.ReadingAnswer{Index: int32(a.Index), Outcome: intakev1.ReadingOutcome(a.Outcome), Reason: a.Reason, Message: a.Message}
	}
	return out
}

func watermarks(r weighing.Result) []*intakev1.Watermark {
	out := make([]*intakev1.Watermark, len(r.Watermarks))
	for i, w := range r.Watermarks {
		out[i] = &intakev1.Watermark{Scale: w.Scale, Sequence: w.Sequence}
	}
	return out
}

func marked(r weighing.Result) []*intakev1.ReadingMarks {
	out := make([]*intakev1.ReadingMarks, len(r.Marked))
	for i, m := range r.Marked {
		out[i] = &intakev1.ReadingMarks{Index: int32(m.Index), Marks: m.Marks.Names()}
	}
	return out
}

// GetFeedTotals counts lines and readings over all scales.
func (s *Server) GetFeedTotals(ctx context.Context, _ *intakev1.GetFeedTotalsRequest) (*intakev1.GetFeedTotalsResponse, error) {
	t, err := s.reads.FeedTotals(ctx)
	if err != nil {
		return nil, err
	}
	return &intakev1.GetFeedTotalsResponse{Lines: t.Lines, Distinct: t.Stored, Conflicts: t.Conflicts, Scales: t.Scales}, nil
}

// ListReadings lists stored readings of a scale by sequence, and conflicting ones beside them.
func (s *Server) ListReadings(ctx context.Context, req *intakev1.ListReadingsRequest) (*intakev1.ListReadingsResponse, error) {
	after, err := placeOf(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.Readings(ctx, weighing.List{Scale: req.GetScale(), ConflictsOnly: req.GetConflictsOnly(), After: after, Limit: size + 1})
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListReadingsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		answer.NextPageToken = tokenOf(rows[size-1].Place)
	}
	for _, r := range rows {
		answer.Readings = append(answer.Readings, stored(r.Stored))
	}
	return answer, nil
}

func stored(r weighing.Stored) *intakev1.StoredReading {
	m := &intakev1.StoredReading{
		Micropounds: int64(r.Mass), Recorded: lotwire.Time(r.Recorded), Historic: r.Historic, Conflict: r.Conflict, Marks: r.Marks.Names(),
		Reading: &intakev1.Reading{
			Scale: r.Scale, Sequence: r.Sequence, Time: lotwire.Time(r.Time), Digits: r.Digits, Unit: r.Unit, Kind: intakev1.ReadingKind(r.Kind),
			Reference: r.Reference, InMotion: r.Status.InMotion, HighResolution: r.Status.HighResolution, CenterOfZero: r.Status.CenterOfZero,
			Range: r.Status.Range,
		},
	}
	if r.Offset != 0 {
		m.ClockOffsetMicros = proto.Int64(r.Offset.Microseconds())
	}
	return m
}

// tokenBytes is the length of a place as a page token carries it: sequence, conflict, hash.
const tokenBytes = 8 + 1 + 16

func tokenOf(p weighing.Place) string {
	b := binary.BigEndian.AppendUint64(make([]byte, 0, tokenBytes), uint64(p.Sequence))
	if p.Conflict {
		b = append(b, 1)
	} else {
		b = append(b, 0)
	}
	return base64.RawURLEncoding.EncodeToString(append(b, p.Hash[:]...))
}

func placeOf(token string) (p weighing.Place, err error) {
	if token == "" {
		return p, nil
	}
	b, err := base64.RawURLEncoding.DecodeString(token)
	if err != nil || len(b) != tokenBytes {
		return p, fault.Invalid("page_token", "page token %q: not one of ours", token)
	}
	p.Sequence, p.Conflict = int64(binary.BigEndian.Uint64(b)), b[8] == 1
	copy(p.Hash[:], b[9:])
	return p, nil
}
