package weighfeed

import (
	"context"
	"errors"
	"io"
	"time"

	intakev1 "huskline/proto/huskline/intake/v1"

	"huskline/internal/fault"
	"huskline/internal/rpc"
)

// Source hands out batches and takes their answers, one call at a time.
type Source interface {
	// Next is the next batch with its id, nil at the end. It may wait for readings to come.
	Next() (*intakev1.StreamReadingsRequest, error)
	// Answered is told once for each batch, in the order they were handed out.
	Answered(batch *intakev1.StreamReadingsRequest, answer *intakev1.StreamReadingsResponse) error
}

// Stream makes a posting.
type Stream struct {
	Intake   intakev1.IntakeServiceClient
	Patience Patience
	Window   int // batches under way before an answer is waited for, 1 at least
}

// Post sends all batches of a source and returns when each is answered. A broken stream is opened again, as long as patience lasts without a
// single batch being answered.
func (p Stream) Post(ctx context.Context, source Source) error {
	f := &flow{stream: p, source: source}
	for {
		// Waiting for the source uses up no patience, and a source without a batch opens no stream.
		if b, err := f.batch(0); b == nil || err != nil {
			return err
		}
		before := f.answered
		err := p.Patience.repeat(ctx, func() error {
			err := f.once(ctx)
			if f.answered > before && fault.KindOf(err) == fault.KindUnavailable {
				return nil // it got on: patience begins anew
			}
			return err
		})
		if err != nil {
			return err
		}
	}
}

// flow is a posting across the streams that it takes.
type flow struct {
	stream   Stream
	source   Source
	open     []*intakev1.StreamReadingsRequest // handed out and not yet answered, in order
	ended    bool                              // the source is
	answered int
}

// once is one stream, from its opening until the source ends or the stream breaks. One on which no answer comes within the time of a call is
// given up.
func (f *flow) once(ctx context.Context) error {
	quiet := fault.Unavailable("no_answer", "no batch of readings was answered within %s", f.stream.Patience.Call)
	within, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	watch := time.AfterFunc(f.stream.Patience.Call, func() { cancel(quiet) })
	watch.Stop()
	defer watch.Stop()
	err := f.send(within, watch)
	if err != nil && errors.Is(context.Cause(within), quiet) {
		return quiet
	}
	return rpc.FromStatus(err)
}

// send sends batches, a window of them ahead of their answers. The watch runs only while an answer is waited for: a source may take its time.
func (f *flow) send(ctx context.Context, watch *time.Timer) error {
	s, err := f.stream.Intake.StreamReadings(ctx)
	if err != nil {
		return err
	}
	sent := 0
	for {
		for sent < max(f.stream.Window, 1) {
			b, err := f.batch(sent)
			if err != nil {
				return err
			}
			if b == nil {
				break
			}
			watch.Reset(f.stream.Patience.Call)
			if err := s.Send(b); err != nil {
				return f.drain(s, err)
			}
			watch.Stop()
			sent++
		}
		if sent == 0 {
			return s.CloseSend()
		}
		watch.Reset(f.stream.Patience.Call)
		answer, err := s.Recv()
		if err != nil {
			return f.drain(s, err)
		}
		watch.Stop()
		if err := f.settle(answer); err != nil {
			return err
		}
		sent--
	}
}

// drain takes the answers that are still to come on a stream that takes no more, and returns why it ended. One that the service ended with
// batches unanswered, as it does before it stops, counts as unavailable.
func (f *flow) drain(s intakev1.IntakeService_StreamReadingsClient, err error) error {
	if !errors.Is(err, io.EOF) {
		return err
	}
	for {
		answer, err := s.Recv()
		if errors.Is(err, io.EOF) {
			return fault.Unavailable("stream_ended", "the stream of readings ended before all batches were answered")
		}
		if err != nil {
			return err
		}
		if err := f.settle(answer); err != nil {
			return err
		}
	}
}

// batch is the n-th batch that is not answered, taken from the source where it is not in hand; nil at the end.
func (f *flow) batch(n int) (*intakev1.StreamReadingsRequest, error) {
	if n < len(f.open) {
		return f.open[n], nil
	}
	if f.ended {
		return nil, nil
	}
	b, err := f.source.Next()
	if err != nil {
		return nil, err
	}
	if b == nil {
		f.ended = true
		return nil, nil
	}
	f.open = append(f.open, b)
	return b, nil
}

// settle hands the answer of the oldest batch to the source.
func (f *flow) settle(answer *intakev1.StreamReadingsResponse) error {
	if len(f.open) == 0 {
		return fault.Bug("stream of readings: batch %s was answered, and none is open", answer.GetCommandId())
	}
	b := f.open[0]
	if answer.GetCommandId() != b.GetCommandId() {
		return fault.Bug("stream of readings: batch %s was answered as batch %s", b.GetCommandId(), answer.GetCommandId())
	}
	f.open = f.open[1:]
	f.answered++
	return f.source.Answered(b, answer)
}
