package form_test

import (
	"strings"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/services/intake/internal/form"
)

func TestCodesAndTexts(t *testing.T) {
	t.Parallel()
	code := func(s string) error { return form.Code("lot", s) }
	text := func(s string) error { return form.Text("name", s, 3) }
	for _, tc := range []struct {
		judge func(string) error
		in    string
		want  string
	}{
		{code, "D-1", ""},
		{code, strings.Repeat("x", 64), ""},
		{code, strings.Repeat("x", 65), "code_malformed"},
		{code, "", "code_malformed"},
		{code, "D 1", "code_malformed"},
		{code, "D\t1", "code_malformed"},
		{code, "Dé", "code_malformed"},
		{text, "", ""},
		{text, "äöü", ""},
		{text, "äöü!", "text_too_long"},
		{text, "a\x00", "text_malformed"},
		{text, "\x1b[", "text_malformed"},
		{text, "a\nb", ""},
		{text, "\xff", "text_malformed"},
	} {
		if got := fault.ReasonOf(tc.judge(tc.in)); got != tc.want {
			t.Errorf("%q: reason %q, want %q", tc.in, got, tc.want)
		}
	}
}

func TestMoment(t *testing.T) {
	t.Parallel()
	now := time.Date(2025, 11, 3, 12, 0, 0, 0, time.UTC)
	for _, tc := range []struct {
		at            time.Time
		want, reading string
	}{
		{now.AddDate(-50, 0, 0), "", ""},
		{now.Add(form.Ahead), "", ""},
		{now.Add(form.Ahead).In(time.FixedZone("", -6*3600)), "", ""},
		{now.Add(form.Ahead + time.Microsecond), "effective_in_future", "time_ahead"},
		{time.Time{}, "time_missing", "time_missing"},
	} {
		if got := fault.ReasonOf(form.ReadingMoment(tc.at, now)); got != tc.reading {
			t.Errorf("reading of %s: reason %q, want %q", tc.at, got, tc.reading)
		}
		if got := fault.ReasonOf(form.Moment("effective", tc.at, now)); got != tc.want {
			t.Errorf("%s: reason %q, want %q", tc.at, got, tc.want)
		}
	}
}

func TestMomentAheadMayPassLater(t *testing.T) {
	t.Parallel()
	if got := fault.KindOf(form.Moment("effective", time.Unix(1000, 0), time.Unix(1, 0))); got != fault.KindPrecondition {
		t.Errorf("kind %v, want precondition, as in the other services", got)
	}
}
