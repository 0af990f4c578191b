package intake_test

import (
	"sync"
	"sync/atomic"
	"testing"

	"github.com/stretchr/testify/require"

	intakev1 "huskline/proto/huskline/intake/v1"
)

// listing is a delivery of weights alone: readings of W1 by their sequence, keyed weights by their number.
func listing(sequences, keyed []int64) *intakev1.RecordDeliveryRequest {
	req := delivered("")
	req.Delivery.Weighings = nil
	for _, n := range sequences {
		req.Delivery.Weighings = append(req.Delivery.Weighings, &intakev1.Weighing{
			Kind: intakev1.ReadingKind_READING_KIND_GROSS, Scale: "W1", Sequence: n,
		})
	}
	for _, n := range keyed {
		req.Delivery.Weighings = append(req.Delivery.Weighings, &intakev1.Weighing{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Keyed: n})
	}
	return req
}

// A stored reading that a delivery lists is used, for deliveries, visits and keyed weights alike, until the delivery is corrected or voided.
func TestListedReadingsAreUsedOnce(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	for n := range int64(4) {
		g.shows("W1", n+1, "48000", 7)
	}
	refused := func(reason string, req *intakev1.RecordDeliveryRequest) {
		t.Helper()
		_, err := g.client.RecordDelivery(ctx, req)
		want(t, err, reason)
	}
	refused("weight_twice", listing([]int64{1, 1}, nil))
	first := g.record(listing([]int64{1}, nil))
	refused("reading_used", listing([]int64{1}, nil))
	withDigits := listing([]int64{1}, nil)
	withDigits.Delivery.Weighings[0].Digits, withDigits.Delivery.Weighings[0].Unit = "48000", "LBR"
	refused("reading_used", withDigits)
	_, err := g.visits.WeighVehicle(ctx, weighed("T1", 0, "W1", 1))
	want(t, err, "reading_used")
	byNumber := g.key(keyed("1", "48000", 7))
	refused("keyed_used", listing(nil, []int64{byNumber}))
	both := g.key(keyed("2", "48000", 7))
	refused("weight_twice", listing([]int64{2}, []int64{both}))

	named := g.key(keyed("A-3", "48000", 7))
	g.record(listing(nil, []int64{named}))
	g.record(listing([]int64{3}, nil))
	_, err = g.visits.MatchWeight(ctx, &intakev1.MatchWeightRequest{CommandId: id(), Keyed: named, Sequence: 3, Reason: "same minute"})
	want(t, err, "reading_used")

	_, err = g.client.CorrectDelivery(ctx, &intakev1.CorrectDeliveryRequest{
		CommandId: id(), Lot: first.GetLot(), Reason: "variety", Delivery: listing([]int64{1}, nil).GetDelivery(),
	})
	require.NoError(t, err, "its own reading may stay")
	_, err = g.client.CorrectDelivery(ctx, &intakev1.CorrectDeliveryRequest{
		CommandId: id(), Lot: first.GetLot(), Reason: "the next truck's", Delivery: listing([]int64{4}, nil).GetDelivery(),
	})
	require.NoError(t, err)
	again := g.record(listing([]int64{1}, nil))
	refused("reading_used", listing([]int64{4}, nil))
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: again.GetLot(), Reason: "another seller's"})
	require.NoError(t, err)
	g.weigh(weighed("T1", 0, "W1", 1))

	unstored := listing([]int64{900}, nil)
	unstored.Delivery.Weighings[0].Digits, unstored.Delivery.Weighings[0].Unit = "48000", "LBR"
	g.record(unstored)
	unstored.CommandId = id()
	g.record(unstored)
}

// Deliveries, a visit and a keyed weight's use reach for one weight at the same moment: one has it. It catches a use that is looked up before the
// other's is there.
func TestOneWeightUsedAtOnce(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	for round := range int64(4) {
		n := round + 1
		g.shows("W1", n, "48000", 7)
		ticket := string(rune('0' + n))
		number := g.key(keyed(ticket, "48000", 7))
		var won atomic.Int32
		var all sync.WaitGroup
		count := func(err error) {
			if err == nil {
				won.Add(1)
			}
		}
		for range 3 {
			all.Go(func() {
				_, err := g.client.RecordDelivery(ctx, listing([]int64{n}, nil))
				count(err)
			})
		}
		all.Go(func() {
			_, err := g.client.RecordDelivery(ctx, listing(nil, []int64{number}))
			count(err)
		})
		all.Go(func() {
			_, err := g.visits.WeighVehicle(ctx, weighed("T"+ticket, 0, "W1", n))
			count(err)
		})
		all.Wait()
		require.EqualValues(t, 1, won.Load())
	}
}
