package feed

import (
	"bytes"
	"context"
	"log/slog"
	"math"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/grpc"

	"huskline/internal/fault"
	"huskline/internal/live"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/weighing"
)

// View shows readings as they are stored. It is safe for concurrent use.
type View struct {
	hub   *live.Tail[lot.ReadingsStored]
	reads Reads
}

// NewView makes a view on what a database records.
func NewView(db *postgres.DB, reads Reads, logger *slog.Logger) *View {
	return &View{reads: reads, hub: live.NewTail(db, lot.Intake, logger, func(e lot.Recorded) (lot.ReadingsStored, int) {
		b, ok := e.Body.(lot.ReadingsStored)
		if !ok || b.Stored == 0 {
			return b, 0
		}
		weight := 0
		for _, s := range b.Scales {
			weight += 1 + len(s.Ranges)
		}
		return b, weight
	})}
}

// Run follows what is recorded as long as somebody watches, until ctx ends.
func (v *View) Run(ctx context.Context) error { return v.hub.Follower().Run(ctx) }

// Nudge tells that something was recorded; it does not block.
func (v *View) Nudge() { v.hub.Follower().Nudge() }

// Close ends all views.
func (v *View) Close() { v.hub.Close() }

// WatchReadings streams readings as they are stored until the caller ends it.
func (v *View) WatchReadings(req *intakev1.WatchReadingsRequest, stream grpc.ServerStreamingServer[intakev1.WatchReadingsResponse]) error {
	text, told, err := cutLines(req.GetAfter())
	if err != nil {
		return err
	}
	after, err := live.After(text)
	if err != nil {
		return err
	}
	return v.hub.Watch(stream.Context(), after, func(n *live.Note[lot.ReadingsStored], before, mark live.Mark) error {
		if n == nil {
			return stream.Send(&intakev1.WatchReadingsResponse{Resume: withLines(mark, told)})
		}
		p := &parts{event: n.Event, before: before, mark: mark, skip: told, send: stream.Send}
		told = 0
		for _, s := range n.Body.Scales {
			if len(req.GetScales()) > 0 && !slices.Contains(req.GetScales(), s.Scale) {
				continue
			}
			if err := v.expand(stream.Context(), s, p.add); err != nil {
				return err
			}
		}
		return p.end()
	})
}

// cutLines takes from a position how many readings of the batch that follows it were told already.
func cutLines(after string) (mark string, lines int, err error) {
	mark, text, found := strings.Cut(after, ":")
	if !found {
		return after, 0, nil
	}
	if lines, err = strconv.Atoi(text); err != nil || lines < 0 {
		return "", 0, fault.Invalid("mark_malformed", "position %q: not one that a live view gave", after)
	}
	return mark, lines, nil
}

func withLines(mark live.Mark, lines int) string {
	if lines == 0 {
		return mark.String()
	}
	return mark.String() + ":" + strconv.Itoa(lines)
}

// pageOfReadings is the most readings of one message and of one read.
const pageOfReadings = 1000

// expand reads what a batch stored of a scale, in the order of sequence. Numbers between its ranges that other batches stored are passed over.
func (v *View) expand(ctx context.Context, s lot.ScaleReadings, add func(weighing.Listed) error) error {
	ranges, from := s.Ranges, int64(0)
	for len(ranges) > 0 {
		from = max(from, ranges[0].First)
		last := weighing.Place{Sequence: from - 1, Conflict: true}
		copy(last.Hash[:], bytes.Repeat([]byte{math.MaxUint8}, len(last.Hash)))
		rows, err := v.reads.Readings(ctx, weighing.List{Scale: s.Scale, After: last, Limit: pageOfReadings})
		if err != nil {
			return err
		}
		for _, r := range rows {
			for len(ranges) > 0 && ranges[0].Last < r.Sequence {
				ranges = ranges[1:]
			}
			if len(ranges) == 0 {
				return nil
			}
			if from = r.Sequence + 1; r.Conflict || r.Sequence < ranges[0].First {
				continue
			}
			if err := add(r); err != nil {
				return err
			}
		}
		if len(rows) < pageOfReadings {
			return nil
		}
	}
	return nil
}

// parts cuts the readings of one batch into messages.
type parts struct {
	event        lot.Recorded
	before, mark live.Mark
	skip         int // told already
	told         int
	readings     []*intakev1.StoredReading
	send         func(*intakev1.WatchReadingsResponse) error
}

func (p *parts) add(r weighing.Listed) error {
	if p.told++; p.told <= p.skip {
		return nil
	}
	if len(p.readings) == pageOfReadings { // another comes after it
		if err := p.sendPart(withLines(p.before, p.told-1)); err != nil {
			return err
		}
	}
	p.readings = append(p.readings, stored(r.Stored))
	return nil
}

func (p *parts) end() error {
	if len(p.readings) == 0 {
		return nil
	}
	return p.sendPart(p.mark.String())
}

func (p *parts) sendPart(resume string) error {
	e := p.event
	m := &intakev1.WatchReadingsResponse{
		At: lotwire.Receipt(e.Receipt), EventId: e.EventID, Actor: e.Actor, Recorded: lotwire.Time(e.RecordedAt), Effective: lotwire.Time(e.Effective),
		Resume: resume, Readings: p.readings,
	}
	p.readings = nil
	return p.send(m)
}
