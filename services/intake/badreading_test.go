package intake_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "huskline/proto/huskline/intake/v1"
)

// badReadings is what a device may send wrong in one reading, and the rule that it breaks.
func badReadings() []struct {
	name   string
	change func(*intakev1.Reading)
	rule   string
} {
	digits := func(text string) func(*intakev1.Reading) { return func(r *intakev1.Reading) { r.Digits = text } }
	unit := func(text string) func(*intakev1.Reading) { return func(r *intakev1.Reading) { r.Unit = text } }
	return []struct {
		name   string
		change func(*intakev1.Reading)
		rule   string
	}{
		{"negative", digits("-20"), "weight_negative"},
		{"minus nothing", digits("-0"), "weight_negative"},
		{"empty", digits(""), "number_empty"},
		{"not a number", digits("NaN"), "number_malformed"},
		{"endless", digits("+Inf"), "number_malformed"},
		{"exponent", digits("4.8e4"), "number_malformed"},
		{"thousands", digits("48,020"), "number_malformed"},
		{"thousands by blanks", digits("48 020"), "number_malformed"},
		{"thousands by underscores", digits("48_020"), "number_malformed"},
		{"decimal comma", digits("48020,5"), "number_malformed"},
		{"full-width", digits("４８０２０"), "number_malformed"},
		{"Arabic-Indic", digits("٤٨٠٢٠"), "number_malformed"},
		{"plus", digits("+48020"), "number_malformed"},
		{"hexadecimal", digits("0x10"), "number_malformed"},
		{"no whole part", digits(".5"), "number_malformed"},
		{"a unit in the digits", digits("48020lb"), "number_malformed"},
		{"ten decimals", digits("0.0000000001"), "number_too_fine"},
		{"nineteen digits", digits("1000000000000000000"), "number_too_large"},
		{"beyond any weight", digits("999999999999999999"), "weight_out_of_range"},
		{"off the division", digits("48021"), "off_division"},
		{"above capacity", digits("105020"), "above_capacity"},
		{"in pounds, said so otherwise", unit("lb"), "unit_unknown"},
		{"lower case", unit("lbr"), "unit_unknown"},
		{"grams", unit("GRM"), "unit_unknown"},
		{"no unit", unit(""), "unit_unknown"},
		{"no time", func(r *intakev1.Reading) { r.Time = nil }, "time_missing"},
		{"nanoseconds below zero", func(r *intakev1.Reading) { r.Time = &timestamppb.Timestamp{Seconds: 1, Nanos: -1} }, "time_missing"},
		{"the year 10000", func(r *intakev1.Reading) { r.Time = &timestamppb.Timestamp{Seconds: 253402300800} }, "time_missing"},
		{"no kind", func(r *intakev1.Reading) { r.Kind = 0 }, "kind_unknown"},
		{"a kind of a later version", func(r *intakev1.Reading) { r.Kind = 77 }, "kind_unknown"},
		{"sequence 0", func(r *intakev1.Reading) { r.Sequence = 0 }, "sequence_below_one"},
		{"sequence wrapped around", func(r *intakev1.Reading) { r.Sequence = -9223372036854775808 }, "sequence_below_one"},
		{"no scale", func(r *intakev1.Reading) { r.Scale = "" }, "code_malformed"},
		{"a scale with a blank", func(r *intakev1.Reading) { r.Scale = "W 1" }, "code_malformed"},
		{"a NUL in the reference", func(r *intakev1.Reading) { r.Reference = "a\x00" }, "text_malformed"},
		{"a long reference", func(r *intakev1.Reading) { r.Reference = strings.Repeat("x", 501) }, "text_too_long"},
		{"range below zero", func(r *intakev1.Reading) { r.Range = -1 }, "range_below_one"},
		{"a range that the scale has not", func(r *intakev1.Reading) { r.Range = 2 }, "range_wrong"},
		{"in motion", func(r *intakev1.Reading) { r.InMotion = true }, "in_motion"},
		{"high resolution", func(r *intakev1.Reading) { r.HighResolution = true }, "high_resolution"},
	}
}

// Good and bad readings in turn, by a call and on a stream: each bad one is named with its place and its rule, each good one between them is stored, and
// the numbers of the bad ones stay open for what is right.
func TestBadReadingsAreNamedOneByOne(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.scale(truck("W"))
	type exception struct {
		Index  int32
		Reason string
	}
	var batch []*intakev1.Reading
	var want []exception
	for i, bad := range badReadings() {
		n := int64(2*i + 1)
		wrong := line("W", n+1, "48020")
		bad.change(wrong)
		batch = append(batch, line("W", n, "48020"), wrong)
		want = append(want, exception{int32(2*i + 1), bad.rule})
	}
	named := func(answers []*intakev1.ReadingAnswer) (got []exception) {
		for _, x := range answers {
			if x.GetOutcome() == intakev1.ReadingOutcome_READING_OUTCOME_REFUSED {
				require.NotEmpty(t, x.GetMessage())
				got = append(got, exception{x.GetIndex(), x.GetReason()})
			}
		}
		return got
	}
	answer, got := g.post(g.client, batch...)
	require.Equal(t, counts{Stored: int64(len(want)), Refused: int64(len(want)), Watermark: 1}, got)
	if diff := cmp.Diff(want, named(answer.GetExceptions())); diff != "" {
		t.Errorf("by a call (-want +got):\n%s", diff)
	}
	stream, err := g.client.StreamReadings(t.Context())
	require.NoError(t, err)
	require.NoError(t, stream.Send(&intakev1.StreamReadingsRequest{CommandId: id(), Readings: batch}))
	streamed, err := stream.Recv()
	require.NoError(t, err)
	require.EqualValues(t, len(want), streamed.GetRepeated())
	if diff := cmp.Diff(want, named(streamed.GetExceptions())); diff != "" {
		t.Errorf("on a stream (-want +got):\n%s", diff)
	}
	var right []*intakev1.Reading
	for i := range want {
		right = append(right, line("W", int64(2*i+2), "48040"))
	}
	_, got = g.post(g.client, right...)
	require.Equal(t, counts{Stored: int64(len(want)), Watermark: int64(2 * len(want))}, got)
	for i, r := range g.readings("W") {
		require.EqualValues(t, i+1, r.GetReading().GetSequence())
	}
}

// raw sends bytes as they are and keeps what comes.
type raw struct{}

func (raw) Name() string                       { return "proto" }
func (raw) Marshal(v any) ([]byte, error)      { return *v.(*[]byte), nil }
func (raw) Unmarshal(data []byte, v any) error { *v.(*[]byte) = data; return nil }

// A message that cannot be read, or that is too much for one, is refused whole with its limit; nothing of it is kept and the next one is taken.
func TestBadBatchesAreRefusedWhole(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.scale(truck("W"))
	conn := dial(t, g.listener, "anna")
	sound, err := proto.Marshal(&intakev1.PostReadingsRequest{CommandId: id(), Readings: []*intakev1.Reading{line("W", 1, "48020")}})
	require.NoError(t, err)
	many := func(n int, reference string) []byte {
		req := &intakev1.PostReadingsRequest{CommandId: id()}
		for i := range n {
			r := line("W", int64(i+1), "48020")
			r.Reference, r.Time = reference, timestamppb.New(day(3, 8).Add(time.Duration(i)*time.Second))
			req.Readings = append(req.Readings, r)
		}
		out, err := proto.Marshal(req)
		require.NoError(t, err)
		return out
	}
	for _, tc := range []struct {
		name string
		sent []byte
		code codes.Code
		says string
	}{
		{"a frame cut in the middle", sound[:len(sound)-5], codes.Internal, "failed to unmarshal"},
		{"text that is not UTF-8", []byte(strings.Replace(string(sound), "48020", "48\xff20", 1)), codes.Internal, "UTF-8"},
		{"10,001 readings", many(10_001, ""), codes.InvalidArgument, "10000"},
		{"100,000 readings", many(100_000, ""), codes.InvalidArgument, "10000"},
		{"over 4 MiB", many(10_000, strings.Repeat("r", 400)), codes.ResourceExhausted, "4194304"},
		{"no reading", many(0, ""), codes.InvalidArgument, ""},
	} {
		var answer []byte
		err := conn.Invoke(t.Context(), intakev1.IntakeService_PostReadings_FullMethodName, &tc.sent, &answer, grpc.ForceCodec(raw{}))
		if status.Code(err) != tc.code || !strings.Contains(status.Convert(err).Message(), tc.says) {
			t.Errorf("%s: %v; want %s with %q", tc.name, err, tc.code, tc.says)
		}
		require.Empty(t, g.readings("W"), tc.name)
	}
	var answer []byte
	full := many(10_000, strings.Repeat("r", 50))
	require.Greater(t, len(full), 800<<10)
	require.NoError(t, conn.Invoke(t.Context(), intakev1.IntakeService_PostReadings_FullMethodName, &full, &answer, grpc.ForceCodec(raw{})))
	var got intakev1.PostReadingsResponse
	require.NoError(t, proto.Unmarshal(answer, &got))
	require.EqualValues(t, 10_000, got.GetStored())
}

// One number, two weights: the first is kept, the other kept apart, both are shown and neither is replaced, whatever comes again and in what order.
func TestConflictIsKeptApart(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.scale(truck("W"))
	for _, digits := range []string{"48020", "48040", "48020", "48040", "48060", "48020.0"} {
		g.post(g.client, line("W", 1, digits))
	}
	var got []string
	for _, r := range g.readings("W") {
		text := r.GetReading().GetDigits()
		if r.GetConflict() {
			text += "!"
		}
		got = append(got, text)
	}
	require.Len(t, got, 4)
	require.Equal(t, "48020", got[0])
	require.ElementsMatch(t, []string{"48020", "48040!", "48060!", "48020.0!"}, got)
}
