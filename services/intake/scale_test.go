package intake_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// truck is a truck scale of class III L, 100,000 lb by 20 lb.
func truck(code string) *intakev1.Scale {
	return &intakev1.Scale{
		Scale: code, AccuracyClass: "III L", CapacityMicropounds: 100_000_000_000, DivisionMicropounds: 20_000_000, Unit: "LBR", InService: true,
	}
}

func (g *gate) scale(s *intakev1.Scale) {
	g.t.Helper()
	_, err := g.client.RegisterScale(g.t.Context(), &intakev1.RegisterScaleRequest{CommandId: id(), Scale: s})
	require.NoError(g.t, err)
}

func (g *gate) readings(scale string) []*intakev1.StoredReading {
	g.t.Helper()
	page, err := g.client.ListReadings(g.t.Context(), &intakev1.ListReadingsRequest{Scale: scale, PageSize: 1000})
	require.NoError(g.t, err)
	require.Empty(g.t, page.GetNextPageToken())
	return page.GetReadings()
}

// What a scale is registered with is listed again; what breaks a rule is refused by its name.
func TestScaleRegister(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	full := &intakev1.Scale{
		Scale: "P1", AccuracyClass: "III", CapacityMicropounds: 10_000_000_000, DivisionMicropounds: 1_000_000, Place: "DOCK", InService: true,
		SealedUntil: timestamppb.New(day(31, 0)), Unit: "LBR", MinimumMicropounds: 40_000_000, TimeZone: "America/Chicago", SilentAfterSeconds: 1800,
		Ranges: []*intakev1.ScaleRange{
			{UpToMicropounds: 5_000_000_000, DivisionMicropounds: 1_000_000}, {UpToMicropounds: 10_000_000_000, DivisionMicropounds: 2_000_000},
		},
		Hours: []*intakev1.ScaleHours{{Weekday: 1, Opens: "06:30", Closes: "18:00"}, {Weekday: 7, Opens: "20:00", Closes: "24:00"}},
	}
	g.scale(full)
	g.scale(truck("W1"))
	listed, err := g.client.ListScales(t.Context(), &intakev1.ListScalesRequest{})
	require.NoError(t, err)
	require.Len(t, listed.GetScales(), 2)
	if diff := cmp.Diff(full, listed.GetScales()[0].GetScale(), protocmp.Transform()); diff != "" {
		t.Errorf("as listed (-want +got):\n%s", diff)
	}
	for _, tc := range []struct {
		change func(*intakev1.Scale)
		reason string
	}{
		{func(s *intakev1.Scale) { s.AccuracyClass = "III M" }, "accuracy_class"},
		{func(s *intakev1.Scale) { s.DivisionMicropounds = 30_000_000 }, "division_step"},
		{func(s *intakev1.Scale) { s.CapacityMicropounds = 200_020_000_000 }, "division_20_lb"},
		{func(s *intakev1.Scale) { s.CapacityMicropounds = 39_980_000_000 }, "class_divisions"},
		{func(s *intakev1.Scale) { s.Ranges = full.GetRanges() }, "scale_ranges"},
		{func(s *intakev1.Scale) { s.Unit = "lb" }, "form"},
		{func(s *intakev1.Scale) {
			s.Hours = []*intakev1.ScaleHours{{Weekday: 8, Opens: "06:00", Closes: "07:00"}}
		}, "form"},
		{func(s *intakev1.Scale) {
			s.Hours = []*intakev1.ScaleHours{{Weekday: 1, Opens: "6 am", Closes: "07:00"}}
		}, "form"},
	} {
		s := truck("W2")
		tc.change(s)
		_, err := g.client.RegisterScale(t.Context(), &intakev1.RegisterScaleRequest{CommandId: id(), Scale: s})
		want(t, err, tc.reason)
	}
}

// A reading that breaks a rule which marks is stored, counted and listed with its marks; what the scale said of itself is part of what the reading is.
func TestMarksAreKept(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.scale(truck("W"))
	future, light, zero, moving := line("W", 1, "48020"), line("W", 2, "980"), line("W", 3, "0"), line("W", 4, "48020")
	future.Time = timestamppb.New(clock().Add(6 * time.Minute))
	zero.CenterOfZero = true
	moving.InMotion = true
	answer, got := g.post(g.client, future, light, zero, moving)
	require.Equal(t, counts{Stored: 3, Refused: 1, Watermark: 3}, got)
	require.Equal(t, "in_motion", answer.GetExceptions()[0].GetReason())
	marked := []*intakev1.ReadingMarks{{Index: 0, Marks: []string{"time_doubtful"}}, {Index: 1, Marks: []string{"under_minimum"}}}
	if diff := cmp.Diff(marked, answer.GetMarked(), protocmp.Transform()); diff != "" {
		t.Errorf("marked (-want +got):\n%s", diff)
	}
	plain := line("W", 3, "0")
	_, got = g.post(g.client, zero, plain)
	require.Equal(t, counts{Repeated: 1, Conflicts: 1, Watermark: 3}, got, "without the center of zero it is another reading")
	type row struct {
		Marks    []string
		Zero     bool
		Conflict bool
		Offset   int64
	}
	var rows []row
	for _, r := range g.readings("W") {
		rows = append(rows, row{r.GetMarks(), r.GetReading().GetCenterOfZero(), r.GetConflict(), r.GetClockOffsetMicros()})
	}
	want := []row{{Marks: []string{"time_doubtful"}, Offset: 360_000_000}, {Marks: []string{"under_minimum"}}, {Zero: true}, {Conflict: true}}
	if diff := cmp.Diff(want, rows); diff != "" {
		t.Errorf("listed (-want +got):\n%s", diff)
	}
}

// The sender's clock is told beside the message: the same batch may be sent again by another clock and is the same batch.
func TestClockIsToldBesideTheMessage(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	req := &intakev1.PostReadingsRequest{CommandId: id(), Readings: []*intakev1.Reading{line("W", 1, "1"), line("W", 2, "1")}}
	for _, ahead := range []time.Duration{-90 * time.Second, time.Hour} {
		answer, err := g.client.PostReadings(rpc.WithClock(ctx, clock().Add(ahead)), req)
		require.NoError(t, err)
		require.EqualValues(t, 2, answer.GetStored())
		require.Empty(t, answer.GetMarked())
	}
	stream, err := g.client.StreamReadings(rpc.WithClock(ctx, clock().Add(-2*time.Hour)))
	require.NoError(t, err)
	require.NoError(t, stream.Send(&intakev1.StreamReadingsRequest{CommandId: id(), Readings: []*intakev1.Reading{line("W", 3, "1")}}))
	answer, err := stream.Recv()
	require.NoError(t, err)
	require.Equal(t, []string{"time_doubtful"}, answer.GetMarked()[0].GetMarks())
	var offsets []int64
	for _, r := range g.readings("W") {
		offsets = append(offsets, r.GetClockOffsetMicros())
	}
	require.Equal(t, []int64{-90_000_000, -90_000_000, -7_200_000_000}, offsets)
}

// The table names every rule that a refusal or a mark may carry, says which figures are from memory, and what Huskline is not.
func TestListWeighingRules(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	answer, err := g.as("post").ListWeighingRules(t.Context(), &intakev1.ListWeighingRulesRequest{})
	require.NoError(t, err)
	require.Equal(t, "Huskline supports the sealed scale and the weighmaster and replaces neither.", answer.GetStatement())
	rules := map[string]*intakev1.WeighingRule{}
	for _, r := range answer.GetRules() {
		require.NotContains(t, rules, r.GetName())
		require.NotZero(t, r.GetStage())
		require.NotZero(t, r.GetEffect())
		require.NotZero(t, r.GetBasis())
		rules[r.GetName()] = r
	}
	for name, basis := range map[string]intakev1.RuleBasis{
		"above_capacity": intakev1.RuleBasis_RULE_BASIS_READ, "division_20_lb": intakev1.RuleBasis_RULE_BASIS_READ,
		"class_divisions": intakev1.RuleBasis_RULE_BASIS_READ, "division_step": intakev1.RuleBasis_RULE_BASIS_MEMORY,
		"under_minimum": intakev1.RuleBasis_RULE_BASIS_MEMORY, "time_doubtful": intakev1.RuleBasis_RULE_BASIS_OWN,
	} {
		require.Equal(t, basis, rules[name].GetBasis(), name)
	}
}

// The table of scales tells of each how its feed does: what is missing, how late, what the clock is off, how many in an hour, what went wrong last,
// and whether it is silent inside its hours. Records tell nothing of this. It catches a figure that the next batch forgets, or an import moves.
func TestHealthOfFeeds(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	w := truck("W")
	w.TimeZone, w.SilentAfterSeconds = "UTC", 1800
	w.Hours = []*intakev1.ScaleHours{{Weekday: 1, Opens: "06:00", Closes: "24:00"}} // 20 January 2025 is a Monday
	g.scale(w)
	state := func() *intakev1.ScaleState {
		page, err := g.client.ListScales(ctx, &intakev1.ListScalesRequest{})
		require.NoError(t, err)
		require.Len(t, page.GetScales(), 1)
		s := page.GetScales()[0]
		s.Scale = nil
		return s
	}
	if diff := cmp.Diff(&intakev1.ScaleState{Silent: true, SilentSince: timestamppb.New(day(20, 6))}, state(), protocmp.Transform()); diff != "" {
		t.Errorf("never heard (-want +got):\n%s", diff)
	}
	at := func(n int64, before time.Duration) *intakev1.Reading { return weighedAt("W", n, clock().Add(-before)) }
	off := at(5, time.Minute)
	off.Digits = "48021"
	doubtful := at(6, -time.Hour)
	_, err := g.client.PostReadings(rpc.WithClock(ctx, clock().Add(-3*time.Second)), &intakev1.PostReadingsRequest{
		CommandId: id(), Readings: []*intakev1.Reading{at(1, 40*time.Second), at(2, 30*time.Second), at(9, time.Hour), off},
	})
	require.NoError(t, err)
	other := at(2, 30*time.Second)
	other.Digits = "48040"
	g.post(g.client, other, doubtful)
	_, err = g.client.PostReadings(ctx, &intakev1.PostReadingsRequest{CommandId: id(), Historic: true, Readings: []*intakev1.Reading{at(3, 0), at(0, 0)}})
	require.NoError(t, err)
	want := &intakev1.ScaleState{
		Watermark: 3, Stored: 5, Conflicts: 1, Highest: 9, Missing: 4, Newest: timestamppb.New(clock().Add(-30 * time.Second)), Heard: timestamppb.New(clock()),
		LatenessMicros: 30_000_000, ClockOffsetMicros: new(int64(3_600_000_000)), ReadingsPerHour: 4, Refused: 2, SilentSince: timestamppb.New(clock()),
		Faults: []*intakev1.ReadingFault{
			{At: timestamppb.New(clock()), Reason: "sequence_below_one"}, {At: timestamppb.New(clock()), Sequence: 2, Reason: "sequence_taken"},
			{At: timestamppb.New(clock()), Sequence: 5, Reason: "off_division"},
		},
	}
	if diff := cmp.Diff(want, state(), protocmp.Transform(), protocmp.IgnoreFields(&intakev1.ReadingFault{}, "message")); diff != "" {
		t.Errorf("state (-want +got):\n%s", diff)
	}
	for n := int64(10); n < 20; n++ {
		bad := at(n, 0)
		bad.Digits = "-1"
		g.post(g.client, bad)
	}
	faults := state().GetFaults()
	require.Len(t, faults, 5)
	require.EqualValues(t, 19, faults[0].GetSequence())
	require.EqualValues(t, 15, faults[4].GetSequence())
}
