package form_test

import (
	"strings"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
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
		at   time.Time
		want string
	}{
		{now.AddDate(-50, 0, 0), ""},
		{now.Add(form.Ahead), ""},
		{now.Add(form.Ahead).In(time.FixedZone("", -6*3600)), ""},
		{now.Add(form.Ahead + time.Microsecond), "effective_in_future"},
		{time.Time{}, "time_missing"},
	} {
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

func TestLimits(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"a billion pounds", form.Quantity("net", lot.Quantity(form.MaxPounds), lot.ByWeight), ""},
		{"a micropound more", form.Quantity("net", lot.Quantity(form.MaxPounds)+1, lot.ByWeight), "quantity_out_of_range"},
		{"a billion pieces", form.Quantity("quantity", 1_000_000_000, lot.ByCount), ""},
		{"a piece more", form.Quantity("quantity", 1_000_000_001, lot.ByCount), "quantity_out_of_range"},
		{"a billion dollars", form.Amount("freight", form.MaxAmount), ""},
		{"a millionth more", form.Amount("freight", form.MaxAmount+1), "amount_out_of_range"},
		{"money below zero", form.Amount("freight", -1), "amount_negative"},
		{"a thousand dollars a pound", form.Price("price", form.MaxPrice), ""},
		{"more", form.Price("price", form.MaxPrice+1), "price_out_of_range"},
		{"a price below zero", form.Price("price", -1), "price_negative"},
	} {
		if got := fault.ReasonOf(c.err); got != c.want {
			t.Errorf("%s: %v, want reason %q", c.name, c.err, c.want)
		}
	}
	if _, err := money.Line(form.MaxPounds, form.MaxPrice); err != nil {
		t.Errorf("the highest price of the largest lot: %v, want that it can be reckoned", err)
	}
}
