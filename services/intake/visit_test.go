package intake_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// truckScale registers a vehicle scale of 20 lb divisions.
func (g *gate) truckScale(code string) {
	g.t.Helper()
	_, err := g.client.RegisterScale(g.t.Context(), &intakev1.RegisterScaleRequest{CommandId: id(), Scale: &intakev1.Scale{
		Scale: code, AccuracyClass: "III L", CapacityMicropounds: 120_000_000_000, DivisionMicropounds: 20_000_000, InService: true,
	}})
	require.NoError(g.t, err)
}

// shows posts a reading of a scale at an hour of the second.
func (g *gate) shows(scale string, sequence int64, digits string, hour int) {
	g.t.Helper()
	_, c := g.post(g.client, &intakev1.Reading{
		Scale: scale, Sequence: sequence, Time: timestamppb.New(day(2, hour)), Digits: digits, Unit: "LBR", Kind: intakev1.ReadingKind_READING_KIND_GROSS,
	})
	require.Equal(g.t, int64(1), c.Stored)
}

// weighed is a single draft on a reading, with the driver on.
func weighed(plate string, visit int64, scale string, sequence int64) *intakev1.WeighVehicleRequest {
	return &intakev1.WeighVehicleRequest{
		CommandId: id(), Plate: plate, Visit: visit, Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE, DriverOn: true,
		Weights: []*intakev1.WeightSource{{Scale: scale, Sequence: sequence}},
	}
}

func (g *gate) weigh(req *intakev1.WeighVehicleRequest) *intakev1.WeighVehicleResponse {
	g.t.Helper()
	answer, err := g.visits.WeighVehicle(g.t.Context(), req)
	require.NoError(g.t, err)
	return answer
}

func (g *gate) visit(number int64) *intakev1.Visit {
	g.t.Helper()
	answer, err := g.visits.GetVisit(g.t.Context(), &intakev1.GetVisitRequest{Visit: number})
	require.NoError(g.t, err)
	return answer.GetVisit()
}

// came is a delivery that names a visit.
func came(visit, line int64) *intakev1.RecordDeliveryRequest {
	req := delivered("")
	req.Delivery.Weighings, req.Delivery.Visit, req.Delivery.VisitLine = nil, visit, line
	return req
}

// A visit by two weighings on two scales, hours apart: the larger is gross, the same net comes out as of listed weighings, and its weighings are
// used once. It is as it was after a restart, and a repeated command gives the first answer.
func TestVisit(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	g.truckScale("W2")
	g.shows("W1", 1, "26000", 7)
	g.shows("W2", 9, "48020", 9)
	first := weighed("ab 12-34", 0, "W1", 1)
	first.Party = "S1"
	opened := g.weigh(first)
	require.Equal(t, [2]int64{1, 1}, [2]int64{opened.GetVisit(), opened.GetWeighing()})
	require.False(t, opened.GetClosed())
	_, err := g.visits.WeighVehicle(ctx, weighed("AB1234", 0, "W2", 9))
	want(t, err, "visit_open")
	_, err = g.client.RecordDelivery(ctx, came(1, 0))
	want(t, err, "visit_open")

	open, err := g.visits.ListVisits(ctx, &intakev1.ListVisitsRequest{OpenOnly: true})
	require.NoError(t, err)
	require.Len(t, open.GetVisits(), 1)
	p, err := g.visits.ProposeVisit(ctx, &intakev1.ProposeVisitRequest{Plate: "AB-1234"})
	require.NoError(t, err)
	require.Equal(t, []any{"AB1234", int64(1), "S1"}, []any{p.GetPlate(), p.GetVisit(), p.GetParty()})

	second := weighed("AB1234", 1, "W2", 9)
	second.DriverOn = false
	require.True(t, g.weigh(second).GetClosed())
	got := g.visit(1)
	line := &intakev1.VisitLine{
		Line: 1, GrossWeighing: 2, TareWeighing: 1, GrossMicropounds: 48_020_000_000, TareMicropounds: 26_000_000_000, NetMicropounds: 22_020_000_000,
		Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE, OtherScale: true, DriverDiffers: true,
	}
	if diff := cmp.Diff([]*intakev1.VisitLine{line}, got.GetLines(), protocmp.Transform()); diff != "" {
		t.Errorf("lines (-want +got):\n%s", diff)
	}

	born := g.record(came(1, 0))
	listed := delivered("")
	listed.Delivery.Weighings = weighings("48020", "26000")
	require.Equal(t, g.record(listed).GetNetMicropounds(), born.GetNetMicropounds(), "the same net as of listed weighings")
	_, err = g.client.RecordDelivery(ctx, came(1, 1))
	want(t, err, "visit_used")
	byReading := delivered("")
	byReading.Delivery.Weighings[0].Scale, byReading.Delivery.Weighings[0].Sequence = "W2", 9
	_, err = g.client.RecordDelivery(ctx, byReading)
	want(t, err, "reading_used")
	require.Equal(t, born.GetLot(), g.visit(1).GetLines()[0].GetLot())

	g.stop()
	g.start()
	again := g.weigh(first)
	if diff := cmp.Diff(opened, again, protocmp.Transform()); diff != "" {
		t.Errorf("the first weighing again (-first +now):\n%s", diff)
	}
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: born.GetLot(), Reason: "another seller's"})
	require.NoError(t, err)
	require.Equal(t, born.GetNetMicropounds(), g.record(came(1, 1)).GetNetMicropounds(), "a voided delivery lets the visit go")
}

// A truck that drops its load at three pits: successive differences, one per lot.
func TestVisitOfSeveralLots(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.truckScale("W1")
	for i, digits := range []string{"60000", "48000", "40020", "26000"} {
		g.shows("W1", int64(i+1), digits, 7+i)
		req := weighed("T1", min(int64(i), 1), "W1", int64(i+1))
		req.StaysOpen = i < 3
		require.Equal(t, i == 3, g.weigh(req).GetClosed())
	}
	var nets []int64
	for line := int64(1); line <= 3; line++ {
		nets = append(nets, g.record(came(1, line)).GetNetMicropounds())
	}
	require.Equal(t, []int64{12_000_000_000, 7_980_000_000, 14_020_000_000}, nets)
	_, err := g.client.RecordDelivery(t.Context(), came(1, 0))
	want(t, err, "visit_used")
	_, err = g.client.RecordDelivery(t.Context(), came(1, 4))
	want(t, err, "visit_line_unknown")
}

// A re-weigh stands in place of what it names, and nothing is taken away; what a delivery rests on is not changed.
func TestReweigh(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	for i, digits := range []string{"48000", "26000", "48040", "48060"} {
		g.shows("W1", int64(i+1), digits, 7+i)
	}
	g.weigh(weighed("T1", 0, "W1", 1))
	g.weigh(weighed("T1", 1, "W1", 2))
	again := weighed("T1", 1, "W1", 3)
	again.Supersedes = 1
	_, err := g.visits.WeighVehicle(ctx, again)
	want(t, err, "reason_missing")
	again.Reason = "a wheel stood off the deck"
	require.Equal(t, int64(3), g.weigh(again).GetWeighing())
	got := g.visit(1)
	require.Len(t, got.GetWeighings(), 3, "the superseded one is kept")
	require.Equal(t, int64(22_040_000_000), got.GetLines()[0].GetNetMicropounds())
	g.record(came(1, 0))
	more := weighed("T1", 1, "W1", 4)
	more.Supersedes, more.Reason = 3, "once more"
	_, err = g.visits.WeighVehicle(ctx, more)
	want(t, err, "visit_used")
}

// A weight of one end after the other is recorded, and prices nothing: not at the gate, not by a settlement, not by a purchase.
func TestOneEndAfterTheOtherPricesNothing(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	for i, digits := range []string{"20000", "28000", "26000"} {
		g.shows("W1", int64(i+1), digits, 7+i)
	}
	ends := weighed("T1", 0, "W1", 1)
	ends.Weights = append(ends.Weights, &intakev1.WeightSource{Scale: "W1", Sequence: 2})
	_, err := g.visits.WeighVehicle(ctx, ends)
	want(t, err, "draft_not_single")
	ends.Draft = eventv1.DraftKind_DRAFT_KIND_ENDS
	g.weigh(ends)
	g.weigh(weighed("T1", 1, "W1", 3))
	priced := came(1, 0)
	_, err = g.client.RecordDelivery(ctx, priced)
	want(t, err, "draft_prices_nothing")
	priced.Delivery.PriceMicrosPerLb = nil
	born := g.record(priced)
	require.Equal(t, int64(22_000_000_000), born.GetNetMicropounds())
	_, err = g.client.SettlePrice(ctx, &intakev1.SettlePriceRequest{
		CommandId: id(), Lot: born.GetLot(), PriceMicrosPerLb: 1, Effective: timestamppb.New(day(9, 9)),
	})
	want(t, err, "draft_prices_nothing")
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: born.GetLot(), Reason: "the seller keeps it"})
	require.NoError(t, err)
	sellers := came(1, 0)
	sellers.Delivery.Ownership, sellers.Delivery.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_SELLER, nil
	_, err = g.client.BuyLot(ctx, &intakev1.BuyLotRequest{
		CommandId: id(), Lot: g.record(sellers).GetLot(), PriceMicros: 7, Effective: timestamppb.New(day(9, 9)),
	})
	want(t, err, "draft_prices_nothing")
}

// A stored tare holds as long as the register says, stands in place of the second weighing where a person names it, and is marked.
func TestStoredTare(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	keyed := &intakev1.StoreTareRequest{
		CommandId: id(), Plate: "T1", Digits: "26000", Unit: "LBR", Time: timestamppb.New(day(2, 6)), Reason: "paper of the weighmaster",
		Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE, DriverOn: true,
	}
	_, err := g.visits.StoreTare(ctx, keyed)
	want(t, err, "vehicle_unknown")
	_, err = g.visits.RegisterVehicle(ctx, &intakev1.RegisterVehicleRequest{CommandId: id(), Plate: "T1", TareDays: 30})
	require.NoError(t, err)
	kept, err := g.visits.StoreTare(ctx, keyed)
	require.NoError(t, err)
	require.Equal(t, day(2, 6).AddDate(0, 0, 30), kept.GetExpires().AsTime())
	old := &intakev1.StoreTareRequest{
		CommandId: id(), Plate: "T1", Digits: "25000", Unit: "LBR", Time: timestamppb.New(day(2, 6).Add(-30 * 24 * time.Hour)), Reason: "last winter's",
		Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE,
	}
	_, err = g.visits.StoreTare(ctx, old)
	want(t, err, "tare_expired")

	p, err := g.visits.ProposeVisit(ctx, &intakev1.ProposeVisitRequest{Plate: "T1"})
	require.NoError(t, err)
	require.Equal(t, kept.GetTare(), p.GetTare().GetTare())
	g.shows("W1", 1, "48000", 9)
	g.shows("W1", 2, "20000", 10)
	req := weighed("T1", 0, "W1", 1)
	req.Tare = kept.GetTare()
	require.True(t, g.weigh(req).GetClosed())
	line := g.visit(1).GetLines()[0]
	require.Equal(t, []any{int64(22_000_000_000), true, true}, []any{line.GetNetMicropounds(), line.GetStoredTare(), line.GetKeyed()})
	light := weighed("T1", 0, "W1", 2)
	light.Tare = kept.GetTare()
	_, err = g.visits.WeighVehicle(ctx, light)
	want(t, err, "tare_above_gross")
	other := weighed("T2", 0, "W1", 2)
	other.Tare = kept.GetTare()
	_, err = g.visits.WeighVehicle(ctx, other)
	want(t, err, "tare_plate")
}

// The database goes back to before a visit; its facts come back from the others. Breaks it catches: a fact whose effect is left out, a number that
// is given twice, a line that is free again although a lot took it.
func TestVisitsRestored(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	for i, digits := range []string{"48000", "26000", "26020", "30000"} {
		g.shows("W1", int64(i+1), digits, 7+i)
	}
	earlier := g.copied()
	_, err := g.visits.RegisterVehicle(ctx, &intakev1.RegisterVehicleRequest{CommandId: id(), Plate: "T1", TareDays: 30})
	require.NoError(t, err)
	first, second := weighed("T1", 0, "W1", 1), weighed("T1", 1, "W1", 2)
	first.Party = "S1"
	opened, closed := g.weigh(first), g.weigh(second)
	again := weighed("T1", 1, "W1", 3)
	again.Supersedes, again.Reason = 2, "mud on the deck"
	g.weigh(again)
	tare := &intakev1.StoreTareRequest{CommandId: id(), Plate: "T1", Visit: 1, Weighing: 3}
	kept, err := g.visits.StoreTare(ctx, tare)
	require.NoError(t, err)
	born := g.record(came(1, 1))
	before, lot := g.visit(1), g.received(born.GetLot())

	g.back(earlier)
	for _, do := range []struct {
		want, got *intakev1.WeighVehicleResponse
	}{{opened, g.weigh(first)}, {closed, g.weigh(second)}} {
		if diff := cmp.Diff(do.want, do.got, protocmp.Transform(), protocmp.IgnoreFields(do.got, "receipt")); diff != "" {
			t.Errorf("a weighing again (-first +now):\n%s", diff)
		}
	}
	kept2, err := g.visits.StoreTare(ctx, tare)
	require.NoError(t, err)
	require.Equal(t, kept.GetTare(), kept2.GetTare())
	if diff := cmp.Diff(before, g.visit(1), protocmp.Transform()); diff != "" {
		t.Errorf("the visit (-before +after):\n%s", diff)
	}
	if diff := cmp.Diff(lot, g.received(born.GetLot()), protocmp.Transform()); diff != "" {
		t.Errorf("the lot, with its weighings (-before +after):\n%s", diff)
	}
	require.Equal(t, born.GetLot(), g.visit(1).GetLines()[0].GetLot())
	_, err = g.client.RecordDelivery(ctx, came(1, 1))
	want(t, err, "visit_used")
	require.Equal(t, int64(2), g.weigh(weighed("T2", 0, "W1", 4)).GetVisit(), "the next number")
}

// A re-weigh of a visit that a stored tare closed is judged by its own time: a tare that expired meanwhile does not count.
func TestReweighAfterTheTareExpired(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	_, err := g.visits.RegisterVehicle(ctx, &intakev1.RegisterVehicleRequest{CommandId: id(), Plate: "T1", TareDays: 18})
	require.NoError(t, err)
	kept, err := g.visits.StoreTare(ctx, &intakev1.StoreTareRequest{
		CommandId: id(), Plate: "T1", Digits: "26000", Unit: "LBR", Time: timestamppb.New(day(2, 21)), Reason: "paper of the weighmaster",
		Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE, DriverOn: true,
	})
	require.NoError(t, err)
	for i, at := range []time.Time{day(20, 19), kept.GetExpires().AsTime(), day(20, 20)} {
		g.post(g.client, &intakev1.Reading{
			Scale: "W1", Sequence: int64(i + 1), Time: timestamppb.New(at), Digits: "48000", Unit: "LBR", Kind: intakev1.ReadingKind_READING_KIND_GROSS,
		})
	}
	first := weighed("T1", 0, "W1", 1)
	first.Tare = kept.GetTare()
	require.True(t, g.weigh(first).GetClosed())
	again := weighed("T1", 1, "W1", 2)
	again.Supersedes, again.Reason = 1, "mud on the deck"
	_, err = g.visits.WeighVehicle(ctx, again)
	want(t, err, "tare_expired")
	again = weighed("T1", 1, "W1", 3)
	again.Supersedes, again.Reason = 1, "mud on the deck"
	require.EqualValues(t, 2, g.weigh(again).GetWeighing())
}
