package intake_test

import (
	"strings"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// keyed is a weight off the indicator of W1, at an hour of the second.
func keyed(ticket, digits string, hour int) *intakev1.KeyWeightRequest {
	return &intakev1.KeyWeightRequest{
		CommandId: id(), Scale: "W1", Ticket: ticket, Digits: digits, Unit: "LBR", Time: timestamppb.New(day(2, hour)), Reason: "the link is down",
	}
}

func (g *gate) key(req *intakev1.KeyWeightRequest) int64 {
	g.t.Helper()
	answer, err := g.visits.KeyWeight(g.t.Context(), req)
	require.NoError(g.t, err)
	return answer.GetKeyed()
}

// found is a keyed weight by what was found of it.
type found struct {
	Keyed, Sequence, Difference int64
	ByNumber                    bool
	SupersededBy, Visit         int64
	InLot                       bool
}

func (g *gate) keyedWeights(unmatchedOnly bool) []found {
	g.t.Helper()
	answer, err := g.visits.ListKeyedWeights(g.t.Context(), &intakev1.ListKeyedWeightsRequest{UnmatchedOnly: unmatchedOnly})
	require.NoError(g.t, err)
	var out []found
	for _, w := range answer.GetWeights() {
		out = append(out, found{
			w.GetWeight().GetKeyed(), w.GetSequence(), w.GetDifferenceMicropounds(), w.GetByNumber(), w.GetSupersededBy(), w.GetVisit(), w.GetLot() != "",
		})
	}
	return out
}

// The link is down: weights are keyed in and used, marked so. When the readings come they are found by number or matched by a person; the difference
// is shown, nothing is replaced, and no weight is used a second time under its other name.
func TestKeyedWeights(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	_, err := g.visits.KeyWeight(ctx, keyed("31", "48010", 7))
	want(t, err, "off_division")
	mistyped, right, empty := g.key(keyed("31", "84000", 7)), keyed("31", "48000", 7), keyed("A-7", "26000", 9)
	_, err = g.visits.KeyWeight(ctx, right)
	want(t, err, "ticket_keyed")
	right.Supersedes = mistyped
	gross, tare := g.key(right), g.key(empty)
	require.Equal(t, []int64{1, 2, 3}, []int64{mistyped, gross, tare})
	require.Equal(t, gross, g.key(right), "a repeated command")

	weigh := func(visit, keyed int64) *intakev1.WeighVehicleRequest {
		req := weighed("T1", visit, "", 0)
		req.Weights = []*intakev1.WeightSource{{Keyed: keyed}}
		return req
	}
	_, err = g.visits.WeighVehicle(ctx, weigh(0, mistyped))
	want(t, err, "keyed_superseded")
	g.weigh(weigh(0, gross))
	_, err = g.visits.WeighVehicle(ctx, weigh(1, gross))
	want(t, err, "keyed_used")
	g.weigh(weigh(1, tare))
	require.True(t, g.visit(1).GetLines()[0].GetKeyed())
	require.Equal(t, []found{{2, 0, 0, false, 0, 1, false}, {3, 0, 0, false, 0, 1, false}}, g.keyedWeights(true))

	g.shows("W1", 31, "48020", 7)
	g.shows("W1", 32, "26000", 9)
	match := &intakev1.MatchWeightRequest{CommandId: id(), Keyed: tare, Sequence: 32, Reason: "same weight, same minute"}
	answer, err := g.visits.MatchWeight(ctx, match)
	require.NoError(t, err)
	require.Zero(t, answer.GetDifferenceMicropounds())
	require.Empty(t, g.keyedWeights(true))
	twice := weighed("T2", 0, "W1", 31)
	_, err = g.visits.WeighVehicle(ctx, twice)
	want(t, err, "reading_used")
	require.Equal(t, int64(22_000_000_000), g.visit(1).GetLines()[0].GetNetMicropounds(), "nothing is replaced by itself")

	byReading := weighed("T1", 1, "W1", 31)
	byReading.Supersedes, byReading.Reason = 1, "the scale's own reading has come"
	g.weigh(byReading)
	require.Equal(t, int64(22_020_000_000), g.visit(1).GetLines()[0].GetNetMicropounds())
	born := g.record(came(1, 1))
	require.Equal(t, []int64{tare}, g.received(born.GetLot()).GetFacts().GetKeyed())
	require.Equal(t, []found{{1, 31, -35_980_000_000, true, 2, 1, false}, {2, 31, 20_000_000, true, 0, 1, false}, {3, 32, 0, false, 0, 1, true}}, g.keyedWeights(false))
}

// A delivery lists keyed weights without a visit.
func TestKeyedWeightsOfADelivery(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.truckScale("W1")
	gross, tare := g.key(keyed("1", "48000", 7)), g.key(keyed("2", "26000", 9))
	listed := func() *intakev1.RecordDeliveryRequest {
		req := delivered("")
		req.Delivery.Weighings = []*intakev1.Weighing{
			{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Keyed: gross}, {Kind: intakev1.ReadingKind_READING_KIND_TARE, Keyed: tare},
		}
		return req
	}
	born := g.record(listed())
	require.Equal(t, int64(22_000_000_000), born.GetNetMicropounds())
	require.Equal(t, gross, g.received(born.GetLot()).GetWeighings()[0].GetKeyed())
	_, err := g.client.RecordDelivery(t.Context(), listed())
	want(t, err, "keyed_used")
	_, err = g.client.CorrectDelivery(t.Context(), &intakev1.CorrectDeliveryRequest{
		CommandId: id(), Lot: born.GetLot(), Reason: "variety", Delivery: listed().GetDelivery(),
	})
	require.NoError(t, err, "its own weights may stay")
	_, err = g.client.VoidDelivery(t.Context(), &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: born.GetLot(), Reason: "another seller's"})
	require.NoError(t, err)
	g.record(listed())
}

// oneVisit is a closed visit 1 of one line.
func (g *gate) oneVisit() {
	g.t.Helper()
	g.truckScale("W1")
	g.shows("W1", 1, "48020", 7)
	g.shows("W1", 2, "26000", 9)
	g.weigh(weighed("AB 1234", 0, "W1", 1))
	g.weigh(weighed("AB 1234", 1, "W1", 2))
}

func issue(visit, line int64) *intakev1.IssueTicketRequest {
	return &intakev1.IssueTicketRequest{CommandId: id(), Visit: visit, Line: line, Place: "Millbrook"}
}

// A ticket has its number for good: void and jammed ones keep theirs, the next one names the last; a reprint says so.
func TestTickets(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.oneVisit()
	bare := issue(1, 1)
	_, err := g.visits.IssueTicket(ctx, bare)
	want(t, err, "party_unknown")
	bare.Party = "S1"
	_, err = g.visits.IssueTicket(ctx, bare)
	want(t, err, "item_unknown")
	sampled := came(1, 1)
	sampled.Delivery.Sample = &eventv1.Sample{MoisturePpm: new(int64(53_000))}
	born := g.record(sampled)
	first := issue(1, 1)
	printed, err := g.visits.IssueTicket(ctx, first)
	require.NoError(t, err)
	require.Equal(t, int64(1), printed.GetNumber(), "a refused ticket took no number")
	for _, text := range []string{
		"WEIGH TICKET W-000001", "a seller (S1)", "nuts (NUT)", born.GetLot(), "AB1234", "48020 lb", "26000 lb", "22020 lb", "5.3 %", "Millbrook",
		"2025-01-02 07:00:00 UTC, 48020 LBR, scale W1, number 1", "driver on, weighed by anna", "replaces neither",
	} {
		require.Contains(t, printed.GetText(), text)
	}
	_, err = g.visits.IssueTicket(ctx, issue(1, 1))
	want(t, err, "ticket_stands")

	jam := &intakev1.VoidTicketRequest{CommandId: id(), Number: 1, Jammed: true, Reason: "paper torn"}
	_, err = g.visits.VoidTicket(ctx, jam)
	require.NoError(t, err)
	_, err = g.visits.ReprintTicket(ctx, &intakev1.ReprintTicketRequest{CommandId: id(), Number: 1, Reason: "try again"})
	want(t, err, "ticket_ended")
	second, err := g.visits.IssueTicket(ctx, issue(1, 1))
	require.NoError(t, err)
	require.Contains(t, second.GetText(), "Replaces   ticket W-000001")
	reprint := &intakev1.ReprintTicketRequest{CommandId: id(), Number: 2, Reason: "the driver lost it"}
	for range 2 {
		answer, err := g.visits.ReprintTicket(ctx, reprint)
		require.NoError(t, err)
		require.Equal(t, int64(1), answer.GetCount(), "a repeated command prints once")
	}
	got, err := g.visits.GetTicket(ctx, &intakev1.GetTicketRequest{Number: 2})
	require.NoError(t, err)
	require.Contains(t, got.GetText(), "REPRINT    1, 2025-01-20 20:00:00 UTC, by anna: the driver lost it")
	spoilt, err := g.visits.GetTicket(ctx, &intakev1.GetTicketRequest{Number: 1})
	require.NoError(t, err)
	require.Contains(t, spoilt.GetText(), "JAMMED     2025-01-20 20:00:00 UTC, by anna: paper torn")
	_, err = g.visits.GetTicket(ctx, &intakev1.GetTicketRequest{Number: 3})
	want(t, err, "ticket_unknown")

	g.stop()
	g.start()
	again, err := g.visits.IssueTicket(ctx, first)
	require.NoError(t, err)
	require.Equal(t, printed.GetText(), again.GetText(), "the first answer again")
	list, err := g.visits.ListTickets(ctx, &intakev1.ListTicketsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetTickets(), 2)
}

// Many issue at once, some are refused: the numbers of the series are 1, 2, 3 … without a gap, in the order of their times. It catches a number that
// is drawn outside the transaction.
func TestTicketNumbersHaveNoGaps(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.truckScale("W1")
	const visits = 8
	for v := range int64(visits) {
		g.shows("W1", 2*v+1, "48020", 7)
		g.shows("W1", 2*v+2, "26000", 9)
		plate := "T" + string(rune('A'+v))
		g.weigh(weighed(plate, 0, "W1", 2*v+1))
		g.weigh(weighed(plate, v+1, "W1", 2*v+2))
	}
	var all sync.WaitGroup
	for v := range int64(visits) {
		for _, party := range []string{"S1", "NOBODY", "S1"} {
			all.Go(func() {
				req := issue(v+1, 1)
				req.Item, req.Party = "NUT", party
				_, _ = g.visits.IssueTicket(ctx, req)
			})
		}
	}
	all.Wait()
	list, err := g.visits.ListTickets(ctx, &intakev1.ListTicketsRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetTickets(), visits, "one of each line")
	for i, one := range list.GetTickets() {
		require.Equal(t, int64(i+1), one.GetTicket().GetNumber())
	}
}

// The database goes back to before keyed weights and tickets. It catches one whose event leaves its effect out, and a number given twice.
func TestTicketsRestored(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.oneVisit()
	g.shows("W1", 9, "30020", 10)
	earlier := g.copied()
	number := g.key(keyed("X", "30000", 10))
	_, err := g.visits.MatchWeight(ctx, &intakev1.MatchWeightRequest{CommandId: id(), Keyed: number, Sequence: 9, Reason: "same minute"})
	require.NoError(t, err)
	req := issue(1, 1)
	req.Item, req.Party = "NUT", "S1"
	first, err := g.visits.IssueTicket(ctx, req)
	require.NoError(t, err)
	_, err = g.visits.ReprintTicket(ctx, &intakev1.ReprintTicketRequest{CommandId: id(), Number: 1, Reason: "lost"})
	require.NoError(t, err)
	_, err = g.visits.VoidTicket(ctx, &intakev1.VoidTicketRequest{CommandId: id(), Number: 1, Reason: "wrong party"})
	require.NoError(t, err)
	weights := g.keyedWeights(false)
	before, err := g.visits.GetTicket(ctx, &intakev1.GetTicketRequest{Number: 1})
	require.NoError(t, err)

	g.back(earlier)
	again, err := g.visits.IssueTicket(ctx, req)
	require.NoError(t, err)
	require.Equal(t, first.GetText(), again.GetText())
	after, err := g.visits.GetTicket(ctx, &intakev1.GetTicketRequest{Number: 1})
	require.NoError(t, err)
	if diff := cmp.Diff(before, after, protocmp.Transform()); diff != "" {
		t.Errorf("the ticket (-before +after):\n%s", diff)
	}
	require.Equal(t, weights, g.keyedWeights(false))
	next := issue(1, 1)
	next.Item, next.Party = "NUT", "S1"
	second, err := g.visits.IssueTicket(ctx, next)
	require.NoError(t, err)
	require.Equal(t, int64(2), second.GetNumber())
	require.True(t, strings.Contains(second.GetText(), "Replaces   ticket W-000001"))
}

// What is keyed in off an indicator is held to the rules that refuse a reading of the scale.
func TestKeyedWeightsKeepTheRulesOfTheirScale(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.scale(truck("W1"))
	for _, tc := range []struct {
		name, digits string
		hour         int
		change       func(*intakev1.Scale)
		reason       string
	}{
		{"at 105 %", "105000", 7, func(*intakev1.Scale) {}, ""},
		{"above it", "105020", 7, func(*intakev1.Scale) {}, "above_capacity"},
		{"between divisions", "48010", 7, func(*intakev1.Scale) {}, "off_division"},
		{"seal held", "48000", 8, func(s *intakev1.Scale) { s.SealedUntil = timestamppb.New(day(2, 8)) }, ""},
		{"seal over", "48000", 9, func(s *intakev1.Scale) { s.SealedUntil = timestamppb.New(day(2, 8)) }, "seal_expired"},
		{"before it went out", "48000", 9, func(s *intakev1.Scale) { s.InService = false }, ""},
		{"out of service", "48000", 18*24 + 20, func(s *intakev1.Scale) { s.InService = false }, "scale_out_of_service"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			as := truck("W1")
			tc.change(as)
			g.scale(as)
			_, err := g.visits.KeyWeight(t.Context(), keyed("K-"+id()[:8], tc.digits, tc.hour))
			want(t, err, tc.reason)
		})
	}
}
