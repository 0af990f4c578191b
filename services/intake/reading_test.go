package intake_test

import (
	"context"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// counts is an answer in numbers: stored, repeated, refused, in conflict, and the watermark of scale W.
type counts struct{ Stored, Repeated, Refused, Conflicts, Watermark int64 }

func (g *gate) post(client intakev1.IntakeServiceClient, readings ...*intakev1.Reading) (*intakev1.PostReadingsResponse, counts) {
	g.t.Helper()
	answer, err := client.PostReadings(g.t.Context(), &intakev1.PostReadingsRequest{CommandId: id(), Readings: readings})
	require.NoError(g.t, err)
	c := counts{answer.GetStored(), answer.GetRepeated(), answer.GetRefused(), answer.GetConflicts(), 0}
	for _, w := range answer.GetWatermarks() {
		if w.GetScale() == "W" {
			c.Watermark = w.GetSequence()
		}
	}
	return answer, c
}

func (g *gate) totals() (lines, distinct, conflicts, scales int64) {
	g.t.Helper()
	t, err := g.client.GetFeedTotals(g.t.Context(), &intakev1.GetFeedTotalsRequest{})
	require.NoError(g.t, err)
	return t.GetLines(), t.GetDistinct(), t.GetConflicts(), t.GetScales()
}

// Out of order, repeated in the batch and across batches, in conflict, refused: each reading gets its own answer and the watermark stands at the
// first number that is not taken.
func TestReadingsAreAnsweredOneByOne(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	bad := line("W", 3, "1,0")
	for _, step := range []struct {
		name string
		in   []*intakev1.Reading
		want counts
	}{
		{"out of order, one missing", []*intakev1.Reading{line("W", 4, "40"), line("W", 2, "20"), line("W", 1, "10")}, counts{3, 0, 0, 0, 2}},
		{"a repeat in the batch and one of before", []*intakev1.Reading{line("W", 6, "60"), line("W", 6, "60"), line("W", 2, "20")}, counts{1, 2, 0, 0, 2}},
		{"a refused one leaves its number open", []*intakev1.Reading{bad, line("W", 5, "50")}, counts{1, 0, 1, 0, 2}},
		{"other contents: of before, and in the batch", []*intakev1.Reading{line("W", 4, "41"), line("W", 7, "70"), line("W", 7, "71")}, counts{1, 0, 0, 2, 2}},
		{"the same again", []*intakev1.Reading{line("W", 4, "41"), line("W", 7, "71")}, counts{0, 0, 0, 2, 2}},
		{"the gap is filled", []*intakev1.Reading{line("W", 3, "30")}, counts{1, 0, 0, 0, 7}},
		{"nothing new", []*intakev1.Reading{line("W", 3, "30"), line("W", 7, "70")}, counts{0, 2, 0, 0, 7}},
	} {
		if _, got := g.post(g.client, step.in...); got != step.want {
			t.Errorf("%s: %+v, want %+v", step.name, got, step.want)
		}
	}
	lines, distinct, conflicts, scales := g.totals()
	if got, want := []int64{lines, distinct, conflicts, scales}, []int64{16, 7, 2, 1}; !cmp.Equal(got, want) {
		t.Errorf("lines, distinct, conflicts, scales: %v, want %v", got, want)
	}
	page, err := g.client.ListReadings(t.Context(), &intakev1.ListReadingsRequest{Scale: "W", PageSize: 5})
	require.NoError(t, err)
	rest, err := g.client.ListReadings(t.Context(), &intakev1.ListReadingsRequest{Scale: "W", PageSize: 5, PageToken: page.GetNextPageToken()})
	require.NoError(t, err)
	var got []string
	for _, r := range append(page.GetReadings(), rest.GetReadings()...) {
		text := r.GetReading().GetDigits()
		if r.GetConflict() {
			text += "!"
		}
		got = append(got, text)
	}
	require.Empty(t, rest.GetNextPageToken())
	if diff := cmp.Diff([]string{"10", "20", "30", "40", "41!", "50", "60", "70", "71!"}, got); diff != "" {
		t.Errorf("readings of W (-want +got):\n%s", diff)
	}
	apart, err := g.client.ListReadings(t.Context(), &intakev1.ListReadingsRequest{Scale: "W", ConflictsOnly: true})
	require.NoError(t, err)
	require.Len(t, apart.GetReadings(), 2)
}

// A post is answered one by one too, and its exceptions name the place in the batch, the rule and the limit.
func TestExceptionsNameTheRule(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	none := line("W", 6, "1")
	none.Time = nil
	answer, _ := g.post(g.client, line("W", 1, "1"), line("W", 0, "1"), line("bad scale", 2, "1"), line("W", 3, "-1"), line("W", 1, "2"), none)
	type exception struct {
		Index  int32
		Reason string
	}
	var got []exception
	for _, x := range answer.GetExceptions() {
		got = append(got, exception{x.GetIndex(), x.GetReason()})
		require.NotEmpty(t, x.GetMessage())
	}
	want := []exception{{1, "sequence_below_one"}, {2, "code_malformed"}, {3, "weight_negative"}, {4, "sequence_taken"}, {5, "time_missing"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("exceptions (-want +got):\n%s", diff)
	}
	lines, distinct, _, _ := g.totals()
	require.Equal(t, []int64{6, 1}, []int64{lines, distinct}, "a line of no scale counts as a line")
}

// A device's token posts live readings of registered scales only; an administrator's registers what is unknown, without limits.
func TestWhoPostsWhat(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	device := g.as("post")
	_, got := g.post(device, line("W", 1, "1"))
	require.Equal(t, counts{Refused: 1}, got)
	_, err := device.PostReadings(t.Context(), &intakev1.PostReadingsRequest{CommandId: id(), Historic: true, Readings: []*intakev1.Reading{line("W", 1, "1")}})
	want(t, err, "historic_denied")
	g.post(g.client, line("W", 1, "1"))
	_, got = g.post(device, line("W", 2, "1"))
	require.Equal(t, counts{Stored: 1, Watermark: 2}, got)
	scales, err := g.client.ListScales(t.Context(), &intakev1.ListScalesRequest{})
	require.NoError(t, err)
	require.Len(t, scales.GetScales(), 1)
	require.Zero(t, scales.GetScales()[0].GetScale().GetCapacityMicropounds(), "registered without limits")
	require.True(t, scales.GetScales()[0].GetScale().GetInService())
}

// A scale's figures measure live readings and not those from records; what was stored before stays a repeat whatever the scale is now.
func TestLiveScales(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	register := func(s *intakev1.Scale) {
		_, err := g.client.RegisterScale(ctx, &intakev1.RegisterScaleRequest{CommandId: id(), Scale: s})
		require.NoError(t, err)
	}
	register(&intakev1.Scale{Scale: "W", CapacityMicropounds: 100_000_000_000, DivisionMicropounds: 20_000_000, InService: true, AccuracyClass: "III L"})
	answer, got := g.post(g.client, line("W", 1, "9980"), line("W", 2, "105020"), line("W", 3, "9990"))
	require.Equal(t, counts{Stored: 1, Refused: 2, Watermark: 1}, got)
	require.Equal(t, "above_capacity", answer.GetExceptions()[0].GetReason())
	require.Equal(t, "off_division", answer.GetExceptions()[1].GetReason())
	old, err := g.client.PostReadings(ctx, &intakev1.PostReadingsRequest{CommandId: id(), Historic: true, Readings: []*intakev1.Reading{line("W", 2, "105021")}})
	require.NoError(t, err)
	require.EqualValues(t, 1, old.GetStored())
	register(&intakev1.Scale{Scale: "W", InService: false})
	after := line("W", 4, "20")
	after.Time = timestamppb.New(clock())
	answer, got = g.post(g.client, line("W", 1, "9980"), after)
	require.Equal(t, counts{Repeated: 1, Refused: 1, Watermark: 2}, got)
	require.Equal(t, "scale_out_of_service", answer.GetExceptions()[1].GetReason())
	listed, err := g.client.ListReadings(ctx, &intakev1.ListReadingsRequest{Scale: "W"})
	require.NoError(t, err)
	require.Equal(t, []bool{false, true}, []bool{listed.GetReadings()[0].GetHistoric(), listed.GetReadings()[1].GetHistoric()})
}

// A batch that cannot be kept as a whole is answered with its reason and the stream goes on; each batch is answered in order.
func TestStreamLivesOnAfterARefusedBatch(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	stream, err := g.client.StreamReadings(t.Context())
	require.NoError(t, err)
	good := &intakev1.StreamReadingsRequest{CommandId: id(), Readings: []*intakev1.Reading{line("W", 1, "1")}}
	other := &intakev1.StreamReadingsRequest{CommandId: good.GetCommandId(), Readings: []*intakev1.Reading{line("W", 1, "2")}}
	last := &intakev1.StreamReadingsRequest{CommandId: id(), Readings: []*intakev1.Reading{line("W", 2, "2")}}
	batches := []*intakev1.StreamReadingsRequest{
		good, {CommandId: "no uuid", Readings: good.GetReadings()}, {CommandId: id()}, other, good, last,
	}
	for _, b := range batches {
		require.NoError(t, stream.Send(b))
	}
	reasons := []string{"", "form", "form", "command_id_reused", "", ""}
	for i, b := range batches {
		answer, err := stream.Recv()
		require.NoError(t, err)
		if answer.GetCommandId() != b.GetCommandId() || answer.GetBatchReason() != reasons[i] {
			t.Errorf("batch %d: answered as %s, reason %q (%s); want %s, reason %q", i, answer.GetCommandId(), answer.GetBatchReason(),
				answer.GetBatchMessage(), b.GetCommandId(), reasons[i])
		}
	}
	lines, distinct, _, _ := g.totals()
	require.Equal(t, []int64{2, 2}, []int64{lines, distinct}, "the repeated batch adds nothing")
}

// Four writers post the same readings of two scales, shuffled, cut otherwise, some twice: every number is stored once, the watermark ends at the
// last, and the feed's state is what its readings add up to.
func TestWritersSideBySide(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	const n = 400
	stored := make([]int64, 4)
	var wait sync.WaitGroup
	for w := range stored {
		wait.Go(func() {
			random := rand.New(rand.NewPCG(1, uint64(w)))
			var lines []*intakev1.Reading
			for i := int64(1); i <= n; i++ {
				lines = append(lines, line("W", i, "5"), line("V", i, "6"))
			}
			random.Shuffle(len(lines), func(i, j int) { lines[i], lines[j] = lines[j], lines[i] })
			for len(lines) > 0 {
				size := min(1+random.IntN(90), len(lines))
				req := &intakev1.PostReadingsRequest{CommandId: id(), Readings: lines[:size]}
				for range 1 + random.IntN(2) {
					answer, err := g.client.PostReadings(context.WithoutCancel(t.Context()), req)
					if err != nil {
						t.Error(err)
						return
					}
					if answer.GetConflicts()+answer.GetRefused() > 0 {
						t.Errorf("writer %d: %v", w, answer)
					}
				}
				lines = lines[size:]
			}
		})
	}
	wait.Wait()
	lines, distinct, conflicts, _ := g.totals()
	require.Equal(t, []int64{4 * 2 * n, 2 * n, 0}, []int64{lines, distinct, conflicts})
	scales, err := g.client.ListScales(t.Context(), &intakev1.ListScalesRequest{})
	require.NoError(t, err)
	for _, s := range scales.GetScales() {
		require.EqualValues(t, n, s.GetWatermark(), s.GetScale().GetScale())
		require.EqualValues(t, n, s.GetStored(), s.GetScale().GetScale())
	}
	g.feedsAddUp()
}

// feedsAddUp compares the state of the feeds with what the readings, and the events, say.
func (g *gate) feedsAddUp() {
	g.t.Helper()
	const differ = `select count(*) from scale_feeds f where scale_id > 0 and (
		stored <> (select count(*) from readings r where r.scale_id = f.scale_id)
		or conflicts <> (select count(*) from readings_conflicts r where r.scale_id = f.scale_id)
		or watermark <> (select coalesce(min(n), 1) - 1 from generate_series(1, 1 + (select coalesce(max(sequence), 0) from readings r
			where r.scale_id = f.scale_id)) n where not exists (select from readings r where r.scale_id = f.scale_id and r.sequence = n)))`
	var n int
	require.NoError(g.t, g.db.Pool().QueryRow(g.t.Context(), differ).Scan(&n))
	require.Zero(g.t, n, "feeds that differ from their readings")
	lines, distinct, _, _ := g.totals()
	var said lot.ReadingsStored
	for _, e := range g.events() {
		if b, ok := e.Body.(lot.ReadingsStored); ok {
			said.Lines += b.Lines
			said.Stored += b.Stored
			for _, s := range b.Scales {
				for _, r := range s.Ranges {
					said.Stored -= r.Last - r.First + 1
				}
				said.Scales = append(said.Scales, s)
			}
		}
	}
	require.Zero(g.t, said.Stored, "the ranges said are what was stored")
	require.Equal(g.t, lines, said.Lines)
	var counted int64
	for _, s := range said.Scales {
		counted += s.Count
	}
	require.Equal(g.t, distinct, counted)
}

// events is all that intake has said.
func (g *gate) events() (out []lot.Recorded) {
	g.t.Helper()
	stream, err := g.client.ReadEvents(g.t.Context(), &intakev1.ReadEventsRequest{Epoch: 1})
	require.NoError(g.t, err)
	for {
		page, err := stream.Recv()
		if err != nil {
			return out
		}
		for _, env := range page.GetEnvelopes() {
			require.NoError(g.t, lotwire.Verify(env))
			e, err := lotwire.Unmarshal(env)
			require.NoError(g.t, err)
			out = append(out, e)
		}
	}
}

// What is recorded stays: the role that the service runs under can add to these tables and do no more.
func TestInsertOnly(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	for _, table := range []string{
		"party_versions", "item_versions", "scale_versions", "readings", "readings_conflicts", "codes", "received_versions", "received_weighings",
		"settlements", "settlement_ids", "purchases", "events", "commands", "reading_notes",
		"scale_checks", "correction_proposals", "correction_decisions", "proposal_deliveries",
	} {
		var column string
		const first = `select column_name from information_schema.columns where table_name = $1 order by ordinal_position limit 1`
		require.NoError(t, g.db.Pool().QueryRow(t.Context(), first, table).Scan(&column), table)
		for _, sql := range []string{"delete from " + table, "update " + table + " set " + column + " = " + column, "truncate " + table} {
			if _, err := g.db.Pool().Exec(t.Context(), sql); !postgres.IsForbidden(err) {
				t.Errorf("%s: %v, want it forbidden", sql, err)
			}
		}
	}
}

// Six writers post two contents under one number at the same moment: one is stored, its like are repeats, the others are in conflict.
func TestSameReadingAtOnce(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	var wait sync.WaitGroup
	answers := make([]*intakev1.PostReadingsResponse, 6)
	for i := range answers {
		wait.Go(func() {
			digits := "10"
			if i%2 == 1 {
				digits = "11"
			}
			var err error
			answers[i], err = g.client.PostReadings(context.WithoutCancel(t.Context()),
				&intakev1.PostReadingsRequest{CommandId: id(), Readings: []*intakev1.Reading{line("W", 1, digits)}})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	var got counts
	for _, a := range answers {
		got.Stored += a.GetStored()
		got.Repeated += a.GetRepeated()
		got.Conflicts += a.GetConflicts()
	}
	require.Equal(t, counts{Stored: 1, Repeated: 2, Conflicts: 3}, got)
	g.feedsAddUp()
}
