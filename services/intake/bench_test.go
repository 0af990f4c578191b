package intake_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "huskline/proto/huskline/intake/v1"
)

// One stream, batches of 2,000 readings of four scales, four batches under way.
func BenchmarkStreamReadings(b *testing.B) {
	g := newGate(b)
	stream, err := g.client.StreamReadings(b.Context())
	require.NoError(b, err)
	const size, window = 2000, 4
	next := int64(0)
	batch := func() *intakev1.StreamReadingsRequest {
		req := &intakev1.StreamReadingsRequest{CommandId: id(), Historic: true, Readings: make([]*intakev1.Reading, size)}
		for i := range req.Readings {
			req.Readings[i] = line([]string{"W", "V", "U", "T"}[i%4], next/4+1, "48020.5")
			req.Readings[i].Time = timestamppb.New(day(3, 8).Add(time.Duration(next) * time.Millisecond))
			next++
		}
		return req
	}
	sent := 0
	for b.Loop() {
		require.NoError(b, stream.Send(batch()))
		if sent++; sent >= window {
			answer, err := stream.Recv()
			require.NoError(b, err)
			require.EqualValues(b, size, answer.GetStored())
		}
	}
	b.ReportMetric(float64(b.N)*size/b.Elapsed().Seconds(), "readings/s")
}

// Deliveries one after the other, under codes that the sender has claimed.
func BenchmarkRecordDelivery(b *testing.B) {
	g := newGate(b)
	for b.Loop() {
		req := delivered("D-" + id())
		req.Delivery.Claimant = id()
		g.record(req)
	}
}
