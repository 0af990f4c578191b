package weighfeed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	intakev1 "huskline/proto/huskline/intake/v1"

	"huskline/internal/fault"
)

const head = "scale,seq,time,reading,unit,kind,reference\n"

// post posts a feed and gives each line as "line outcome reason".
func post(t *testing.T, cfg Config, feed string) (got []string, r Report, err error) {
	t.Helper()
	cfg.Each = func(l Line) {
		got = append(got, strings.TrimSpace(fmt.Sprintf("%d %s %s", l.Line, l.Outcome, l.Reason)))
	}
	r, err = Post(context.Background(), cfg, strings.NewReader(feed))
	return got, r, err
}

func TestEachLineHasItsAnswer(t *testing.T) {
	t.Parallel()
	const at = "2024-10-01T08:00:00Z"
	for _, c := range []struct {
		name, feed string
		want       []string
	}{
		{"CSV", head + "T-1,1," + at + ",5.000,LBR,net,D-1\n", []string{"2 stored"}},
		{"columns in any order, one left out, byte order mark, CRLF", "\ufeffseq,scale,kind,unit,reading,time\r\n1,T-1,net,LBR,5," + at + "\r\n", []string{"2 stored"}},
		{"the last line without its end", head + "T-1,1," + at + ",5.000,LBR,net,D-1", []string{"2 stored"}},
		{"blank lines", "\n" + head + "\nT-1,1," + at + ",5.000,LBR,net,D-1\n\n", []string{"4 stored"}},
		{"repeat and conflict", head + "T-1,1," + at + ",5,LBR,net,\nT-1,1," + at + ",5,LBR,net,\nT-1,1," + at + ",6,LBR,net,\n",
			[]string{"2 stored", "3 repeated", "4 conflict reading_conflict"}},
		{"a quote that is not closed stops nothing", head + "T-1,1," + at + ",\"5,LBR,net,\nT-1,2," + at + ",5,LBR,net,\n",
			[]string{"2 refused line_malformed", "3 stored"}},
		{"too few cells", head + "T-1,1\nT-1,2," + at + ",5,LBR,net,\n", []string{"2 refused line_malformed", "3 stored"}},
		{"sequence, time and kind malformed", head + "T-1,01," + at + ",5,LBR,net,\nT-1,2,2024-10-01T08:00:00,5,LBR,net,\nT-1,3," + at + ",5,LBR,brutto,\n",
			[]string{"2 refused sequence_malformed", "3 refused time_malformed", "4 refused kind_unknown"}},
		{"refused by intake", head + "T-1,1," + at + ",,LBR,net,\n", []string{"2 refused number_empty"}},
		{"a line too long", head + strings.Repeat("x", maxLine+1) + "\nT-1,2," + at + ",5,LBR,net,\n", []string{"2 refused line_too_long", "3 stored"}},
		{"not UTF-8", head + "T-1,1," + at + ",5,LBR,net,\xff\n", []string{"2 refused not_utf8"}},
		{"JSON lines", `{"scale":"T-1","seq":1,"time":"` + at + `","reading":"5.000","unit":"LBR","kind":"net"}` + "\n" +
			`{"scale":"T-1","seq":1,"time":"` + at + `","reading":5.000,"unit":"LBR","kind":"net","reference":"D-1"}` + "\n", []string{"1 stored", "2 repeated"}},
		{"JSON broken, unknown field, missing field, wrong type, two values", `{"scale":` + "\n" + `{"scale":"T-1","weight":1}` + "\n" + `{"scale":"T-1"}` + "\n" +
			`{"scale":["T-1"]}` + "\n{} {}\n", []string{"1 refused line_malformed", "2 refused field_unknown", "3 refused field_missing",
			"4 refused field_malformed", "5 refused line_malformed"}},
		{"nothing", "", nil},
		{"a header alone", head, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, r, err := post(t, serve(t, &intake{}), c.feed)
			require.NoError(t, err)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("answers (-want +got):\n%s", diff)
			}
			if r.Lines != int64(len(c.want)) || r.Lines != r.Stored+r.Repeated+r.Refused+r.Conflicts {
				t.Errorf("report = %+v for %d lines", r, len(c.want))
			}
		})
	}
}

func TestHeaderFaultsStopTheFeed(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, header, want string }{
		{"unknown column", "scale,seq,time,reading,unit,kind,weight", "column_unknown"},
		{"column twice", "scale,seq,time,reading,unit,kind,kind", "column_twice"},
		{"missing column", "scale,seq,time,reading,unit", "column_missing"},
		{"no CSV", "scale,\"seq", "header_malformed"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			f := &intake{}
			got, _, err := post(t, serve(t, f), c.header+"\nT-1,1,2024-10-01T08:00:00Z,5,LBR,net,\n")
			if fault.ReasonOf(err) != c.want || got != nil || f.streams != 0 {
				t.Errorf("error = %v, answers = %v, streams = %d, want reason %s and nothing sent", err, got, f.streams, c.want)
			}
		})
	}
}

// Streams that break in the middle lose and double nothing. A poster that drops the batches in hand, or sends them under new ids, fails here.
func TestBrokenStreamsLoseNothing(t *testing.T) {
	t.Parallel()
	for _, window := range []int{1, 4} {
		f := &intake{breakAfter: 2}
		cfg := serve(t, f)
		cfg.Stream.Window = window
		source := &counted{left: 15}
		require.NoError(t, cfg.Stream.Post(context.Background(), source))
		if len(f.kept) != 15 || !slices.Equal(source.answered, []int64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15}) {
			t.Errorf("window %d: kept %d readings, answers came for %v, want 15, each once and in order", window, len(f.kept), source.answered)
		}
		if f.streams < 7 {
			t.Errorf("window %d: streams = %d, want at least 7: the fake did not break them", window, f.streams)
		}
	}
}

// counted is a source of batches of one reading each, numbered 1, 2, 3 …
type counted struct {
	left, sent int64
	answered   []int64
}

func (c *counted) Next() (*intakev1.StreamReadingsRequest, error) {
	if c.sent == c.left {
		return nil, nil
	}
	c.sent++
	return &intakev1.StreamReadingsRequest{CommandId: uuid.NewString(), Readings: []*intakev1.Reading{{Scale: "T-1", Sequence: c.sent, Digits: "5"}}}, nil
}

func (c *counted) Answered(batch *intakev1.StreamReadingsRequest, _ *intakev1.StreamReadingsResponse) error {
	c.answered = append(c.answered, batch.GetReadings()[0].GetSequence())
	return nil
}

func TestFeedOfManyBatches(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString(head)
	const lines = 7*batchLines + 3
	for n := 1; n <= lines; n++ {
		fmt.Fprintf(&b, "T-1,%d,2024-10-01T08:00:00Z,5,LBR,net,\n", n)
	}
	f := &intake{breakAfter: 3}
	_, r, err := post(t, serve(t, f), b.String())
	require.NoError(t, err)
	if want := (Report{Lines: lines, Stored: lines}); r != want || len(f.kept) != lines {
		t.Errorf("report = %+v, kept %d, want %+v", r, len(f.kept), want)
	}
}

// A live feed gets its answers without waiting for a full batch or for the feed's end.
func TestLiveFeedIsAnsweredAtOnce(t *testing.T) {
	t.Parallel()
	cfg := serve(t, &intake{})
	answers := make(chan Line, 1)
	cfg.Each = func(l Line) { answers <- l }
	r, w := io.Pipe()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		_, err := Post(ctx, cfg, r)
		ended <- err
	}()
	for n := 1; n <= 3; n++ {
		line := fmt.Sprintf("{\"scale\":\"T-1\",\"seq\":%d,\"time\":\"2024-10-01T08:00:00Z\",\"reading\":\"5\",\"unit\":\"LBR\",\"kind\":\"net\"}\n", n)
		_, err := io.WriteString(w, line)
		require.NoError(t, err)
		select {
		case got := <-answers:
			if got.Line != n || got.Outcome != Stored {
				t.Errorf("answer = %+v, want line %d stored", got, n)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("no answer to line %d while the feed is open", n)
		}
	}
	cancel()
	if err := <-ended; !errors.Is(err, context.Canceled) {
		t.Errorf("Post after the interrupt = %v, want context.Canceled", err)
	}
	require.NoError(t, w.Close())
}

func TestServiceThatStaysAwayEndsThePost(t *testing.T) {
	t.Parallel()
	cfg := serve(t, &intake{})
	now := time.Unix(0, 0)
	cfg.Stream.Patience.Now = func() time.Time { now = now.Add(10 * time.Second); return now }
	cfg.Stream.Intake = unreachable(t)
	_, _, err := post(t, cfg, head+"T-1,1,2024-10-01T08:00:00Z,5,LBR,net,\n")
	if fault.KindOf(err) != fault.KindUnavailable {
		t.Errorf("error = %v, want unavailable", err)
	}
}

// Catches: a mark of the scale, such as "in motion", that is taken for nothing.
func TestStatusFields(t *testing.T) {
	t.Parallel()
	for line, want := range map[string]string{
		`"in_motion":true,"range":2`:                     "true false false 2",
		`"high_resolution":true,"center_of_zero":"true"`: "false true true 0",
		`"in_motion":false`:                              "false false false 0",
		`"in_motion":"yes"`:                              "flag_malformed",
		`"in_motion":1`:                                  "flag_malformed",
		`"range":0`:                                      "range_malformed",
		`"range":1.5`:                                    "range_malformed",
		`"reference":true`:                               "field_malformed",
		`"range":1,"range":2`:                            "field_twice",
		`"stable":true`:                                  "field_unknown",
	} {
		r, err := (&Parser{}).Line(`{"scale":"T-1","seq":1,"time":"2024-10-01T08:00:00Z","reading":"5","unit":"LBR","kind":"net",` + line + `}`)
		got := fault.ReasonOf(err)
		if err == nil {
			got = fmt.Sprint(r.GetInMotion(), r.GetHighResolution(), r.GetCenterOfZero(), r.GetRange())
		}
		if got != want {
			t.Errorf("%s: %s, want %s", line, got, want)
		}
	}
}

func FuzzLine(f *testing.F) {
	f.Add("T-1,1,2024-10-01T08:00:00Z,5,LBR,net,")
	f.Add(`{"scale":"T-1","seq":1,"time":"2024-10-01T08:00:00Z","reading":5,"unit":"LBR","kind":"net"}`)
	f.Fuzz(func(t *testing.T, line string) {
		for _, p := range []*Parser{{begun: true, json: true}, {begun: true, place: []int{0, 1, 2, 3, 4, 5, 6}}, {}, {OwnNumbers: true}} {
			_, err := p.Line(line)
			if err != nil && fault.ReasonOf(err) == "" {
				t.Fatalf("line %q: error %v has no reason", line, err)
			}
		}
	})
}
