package jsondoor_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/jsondoor"
)

const good = `{"scale":"W1","sequence":"9","time":"2024-10-02T08:00:00Z","digits":"10.5","unit":"LBR","kind":"READING_KIND_GROSS"}`

// TestReadingsOneByOne puts one reading that cannot be read between two good ones. It catches a batch that falls with it, a place that is told wrong, and a
// value that is guessed, rounded or cut.
func TestReadingsOneByOne(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ name, old, now, reason, says string }{
		{"local time without a zone", "08:00:00Z", "08:00:00", "time_malformed", "field time"},
		{"day and month swapped", "2024-10-02", "2024-25-10", "time_malformed", "field time"},
		{"a time of day alone", "2024-10-02T08:00:00Z", "08:00", "time_malformed", "with a zone"},
		{"sequence beyond 64 bits", `"9"`, `"9223372036854775808"`, "sequence_malformed", "field sequence"},
		{"sequence with a fraction", `"9"`, `9.5`, "sequence_malformed", "9.5"},
		{"sequence that is endless", `"9"`, `1e999`, "sequence_malformed", "1e999"},
		{"sequence with a separator", `"9"`, `"1,000"`, "sequence_malformed", "1,000"},
		{"digits as a number", `"10.5"`, `10.5`, "text_malformed", "field digits"},
		{"digits with an exponent", `"10.5"`, `1e3`, "text_malformed", "1e3"},
		{"NaN that is no JSON", `"10.5"`, `NaN`, "text_malformed", "NaN"},
		{"text that is not UTF-8", `"10.5"`, "\"10\xff\"", "not_utf8", "field digits"},
		{"a kind that is none", "READING_KIND_GROSS", "READING_KIND_HEAVY", "kind_unknown", "READING_KIND_TARE"},
		{"an unknown field", `"unit"`, `"units"`, "field_unknown", "units"},
		{"a field twice", `"unit":"LBR"`, `"unit":"LBR","unit":"KGM"`, "field_twice", "unit"},
		{"a flag that is none", `"unit"`, `"inMotion":"yes","unit"`, "flag_malformed", "inMotion"},
		{"a range beyond 32 bits", `"unit"`, `"range":2147483648,"unit"`, "range_malformed", "range"},
		{"no name", `"unit":`, ``, "reading_malformed", "name"},
		{"no value", `"LBR"`, ``, "reading_malformed", "value"},
		{"no object", good, `7`, "reading_malformed", "object"},
		{"nothing", good, ``, "reading_malformed", "object"},
		{"null", good, `null`, "reading_malformed", "object"},
		{"a comma too many", `"LBR",`, `"LBR",,`, "reading_malformed", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			bad := strings.Replace(good, tt.old, tt.now, 1)
			require.NotEqual(t, good, bad)
			var got intakev1.PostReadingsRequest
			require.NoError(t, jsondoor.Batch([]byte(` {"commandId":"c","readings":[`+good+","+bad+" ,\n"+good+`],"historic":true} `), &got))
			want := &intakev1.Reading{}
			require.NoError(t, protojson.Unmarshal([]byte(good), want))
			require.Len(t, got.GetReadings(), 3)
			for _, i := range []int{0, 2} {
				if diff := cmp.Diff(want, got.GetReadings()[i], protocmp.Transform()); diff != "" {
					t.Errorf("reading %d beside the bad one (-want +got):\n%s", i, diff)
				}
			}
			require.True(t, got.GetHistoric())
			d := got.GetReadings()[1].GetDefect()
			if d.GetReason() != tt.reason || !strings.Contains(d.GetMessage(), tt.says) {
				t.Errorf("%s: %v; want %s with %q", bad, d, tt.reason, tt.says)
			}
		})
	}
}

// What cannot be taken apart, or is wrong of the batch itself, is refused whole.
func TestBatchesRefusedWhole(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ name, text, says string }{
		{"no JSON", "scale,seq", "does not begin"},
		{"cut between readings", `{"readings":[` + good + ",", "cut off"},
		{"cut in a text", `{"readings":[` + good[:len(good)-8], "end is missing"},
		{"cut at the end", `{"readings":[` + good + "]", "cut off"},
		{"brackets that cross", `{"readings":[` + good + "}]", "closes no bracket"},
		{"two messages", `{"readings":[]}{"readings":[]}`, "follows"},
		{"readings twice", `{"readings":[],"readings":[]}`, "twice"},
		{"readings twice, once in disguise", `{"readings":[],"\u0072eadings":[` + good + `]}`, "twice"},
		{"readings as text", `{"readings":"none"}`, "field readings"},
		{"an unknown field", `{"reading":[` + good + `]}`, "reading"},
		{"a flag that is none", `{"historic":"perhaps"}`, "historic"},
		{"too deep", `{"readings":` + strings.Repeat("[", 100) + strings.Repeat("]", 100) + `}`, "deep"},
		{"100,000 readings", `{"readings":[` + strings.Repeat("{},", 99_999) + `{}]}`, "100000 readings, at most 10000"},
	} {
		var got intakev1.PostReadingsRequest
		if err := jsondoor.Batch([]byte(tt.text), &got); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: %v; want it refused with %q", tt.name, err, tt.says)
		}
	}
}

// FuzzBatch: what the standard reader takes is read the same, and nothing else is taken without a defect.
func FuzzBatch(f *testing.F) {
	for _, text := range []string{"", "{}", `{"readings":[` + good + `]}`, `{"historic":true,"readings":[null,{"defect":{"reason":"x"}}]}`, `{"readings":[{"a":"\\\"]}"}]}`, `{"a":[{]}`} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got, want := &intakev1.PostReadingsRequest{}, &intakev1.PostReadingsRequest{}
		err := jsondoor.Batch([]byte(text), got)
		wantErr := protojson.Unmarshal([]byte(text), want)
		switch {
		case wantErr == nil && err != nil && len(want.GetReadings()) <= 10_000 && fault.ReasonOf(err) != "json_deep":
			t.Fatalf("%q: refused: %v", text, err)
		case wantErr == nil && err == nil && !proto.Equal(got, want):
			t.Fatalf("%q: %v, want %v", text, got, want)
		case wantErr != nil && err == nil:
			for _, r := range got.GetReadings() {
				if r.GetDefect() != nil {
					return
				}
			}
			t.Fatalf("%q: taken as %v, and the standard reader says %v", text, got, wantErr)
		}
	})
}

// TestBounded: a body over the limit is refused by name whether its length is told or not; one at the limit is passed on whole.
func TestBounded(t *testing.T) {
	t.Parallel()
	const limit = 1000
	var came int
	door := httptest.NewServer(jsondoor.Bounded(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		n, err := r.Body.Read(make([]byte, 2*limit))
		if err == nil {
			came = n
		}
	}), limit))
	t.Cleanup(door.Close)
	for _, tt := range []struct {
		name string
		body string
		told bool
		code int
	}{
		{"at the limit", strings.Repeat("x", limit), true, http.StatusOK},
		{"a byte over", strings.Repeat("x", limit+1), true, http.StatusRequestEntityTooLarge},
		{"over, its length not told", strings.Repeat("x", 5*limit), false, http.StatusRequestEntityTooLarge},
	} {
		came = 0
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, door.URL, strings.NewReader(tt.body))
		require.NoError(t, err)
		if !tt.told {
			req.ContentLength = -1
		}
		resp, err := http.DefaultClient.Do(req)
		require.NoError(t, err)
		text := make([]byte, 4096)
		n, _ := resp.Body.Read(text)
		require.NoError(t, resp.Body.Close())
		wantCame := 0
		if tt.code == http.StatusOK {
			wantCame = limit
		} else if !strings.Contains(string(text[:n]), "message_too_large") || !strings.Contains(string(text[:n]), "1000 bytes") {
			t.Errorf("%s: %s; want the limit by name", tt.name, text[:n])
		}
		if resp.StatusCode != tt.code || came != wantCame {
			t.Errorf("%s: %d with %d bytes passed on; want %d with %d", tt.name, resp.StatusCode, came, tt.code, wantCame)
		}
	}
}
