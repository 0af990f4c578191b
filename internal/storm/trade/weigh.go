package trade

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// stream is the trader's open stream of readings, made anew when it breaks.
type stream struct {
	s      grpc.BidiStreamingClient[intakev1.StreamReadingsRequest, intakev1.StreamReadingsResponse]
	cancel context.CancelFunc
}

func (f *stream) end() {
	if f.cancel != nil {
		f.cancel()
	}
	*f = stream{}
}

// weigh posts a batch of readings on the stream: new ones, some twice, in any order.
func (t *Trader) weigh(ctx context.Context) error {
	id, n := t.id(), 1+t.rng.IntN(40)
	req := &intakev1.StreamReadingsRequest{CommandId: id, Historic: true}
	at := t.now()
	for range n {
		t.seq++
		req.Readings = append(req.Readings, &intakev1.Reading{
			Scale: "S-" + t.name, Sequence: t.seq, Time: at, Digits: fmt.Sprint(1_000 + t.rng.Int64N(50_000)), Unit: "LBR", Kind: intakev1.ReadingKind_READING_KIND_GROSS,
		})
	}
	for range t.rng.IntN(3) {
		req.Readings = append(req.Readings, req.GetReadings()[t.rng.IntN(n)])
	}
	t.rng.Shuffle(len(req.Readings), func(i, j int) { req.Readings[i], req.Readings[j] = req.Readings[j], req.Readings[i] })
	answer, err := send(ctx, t, t.onStream, req)
	if err != nil {
		return err
	}
	if stored := answer.GetStored(); stored != int64(n) || answer.GetRepeated() != int64(len(req.Readings)-n) {
		return fmt.Errorf("batch %s: %d readings, %d of them new: answered %v", id, len(req.Readings), n, answer)
	}
	for _, w := range answer.GetWatermarks() {
		if w.GetSequence() != t.seq {
			return fmt.Errorf("batch %s: the watermark is %d, all up to %d were stored", id, w.GetSequence(), t.seq)
		}
	}
	return nil
}

// onStream sends a batch and waits for its answer, as a call does.
func (t *Trader) onStream(ctx context.Context, req *intakev1.StreamReadingsRequest, _ ...grpc.CallOption) (*intakev1.StreamReadingsResponse, error) {
	if t.flow.s == nil {
		long, cancel := context.WithCancel(context.WithoutCancel(ctx))
		s, err := t.clients.Intake.StreamReadings(long)
		if err != nil {
			cancel()
			return nil, err
		}
		t.flow = stream{s, cancel}
	}
	defer time.AfterFunc(tryLimit, t.flow.cancel).Stop()
	if err := t.flow.s.Send(req); err != nil {
		_, err = t.flow.s.Recv() // it has the cause
		t.flow.end()
		return nil, notRefused(err)
	}
	answer, err := t.flow.s.Recv()
	if err != nil {
		t.flow.end()
		return nil, notRefused(err)
	}
	if answer.GetCommandId() != req.GetCommandId() {
		t.flow.end()
		return nil, fault.Bug("the stream answered %s, it was sent %s", answer.GetCommandId(), req.GetCommandId())
	}
	if answer.GetBatchReason() != "" {
		return nil, batchFault(answer)
	}
	answer.CommandId = "" // it tells the stream's answers apart and is no part of what is kept
	return answer, nil
}

// notRefused keeps what ends a stream from being taken for a judgement on the batch, unless it is one; a stream that just ends is to be made anew.
func notRefused(err error) error {
	if err == nil || fault.KindOf(rpc.FromStatus(err)) == fault.KindInternal {
		return fault.Unavailable("stream_ended", "the stream ended: %v", err)
	}
	return err
}

// batchFault is the judgement on a whole batch; one that says to come again is none.
func batchFault(answer *intakev1.StreamReadingsResponse) error {
	return fault.Invalid(answer.GetBatchReason(), "%s", answer.GetBatchMessage())
}
