package main

import (
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// jsonReadings posts readings over HTTP. Each is judged by itself, one that cannot be read too; only a message that cannot be taken apart is refused whole. It
// catches a time that is guessed a zone, a number that is rounded or wrapped around, a bad reading that stops good ones, and one answered at another's place.
func jsonReadings(t *testing.T, up *planttest.One, _ *trade) {
	base, token := "http://"+up.HTTP, readToken(t, up.Dir)
	const good = `{"scale":"j-W1","sequence":"%d","time":"2024-10-02T08:00:00Z","digits":"10.5","unit":"LBR","kind":"READING_KIND_GROSS"}`
	post := func(id int, readings ...string) reply {
		body := fmt.Sprintf(`{"commandId":"9a7c2a52-9a68-4a43-8a3e-0f6a3b3c9f%02d","readings":[%s]}`, id, strings.Join(readings, ","))
		return ask(t, http.MethodPost, base+"/v1/intake/readings", token, body)
	}
	kept := func() int {
		got := ask(t, http.MethodGet, base+"/v1/intake/scales/j-W1/readings", token, "")
		require.Equal(t, http.StatusOK, got.code, got.body)
		return strings.Count(got.body, `"sequence"`)
	}
	one := func(n int, old, now string) string { return strings.Replace(fmt.Sprintf(good, n), old, now, 1) }
	mixed := post(0, one(1, "", ""), one(2, `"10.5"`, `"-10.5"`), one(3, `"10.5"`, `"1,050"`), one(4, `"10.5"`, `"１０"`), one(5, `"10.5"`, `"NaN"`),
		one(0, "", ""), one(6, `"time":"2024-10-02T08:00:00Z",`, ""), one(7, "2024-10-02T08:00:00Z", "2024-10-02T08:00:00-05:00"))
	require.Equal(t, http.StatusOK, mixed.code, mixed.body)
	text := strings.ReplaceAll(mixed.body, `": "`, `":"`)
	for _, says := range []string{
		`"stored":"2"`, `"refused":"6"`, "weight_negative", "number_malformed", "sequence_below_one", "time_missing", `"watermark`,
	} {
		require.Contains(t, text, says)
	}
	require.Equal(t, 2, kept())
	for i, tt := range []struct {
		name, reading string
		rule, says    string
	}{
		{"local time without a zone", one(9, "2024-10-02T08:00:00Z", "2024-10-02T08:00:00"), "time_malformed", "with a zone"},
		{"day and month swapped", one(9, "2024-10-02T08:00:00Z", "2024-25-10T08:00:00Z"), "time_malformed", "2024-25-10"},
		{"sequence beyond 64 bits", one(9, `"9"`, `"9223372036854775808"`), "sequence_malformed", "field sequence"},
		{"sequence with a fraction", one(9, `"9"`, `9.5`), "sequence_malformed", "field sequence"},
		{"digits as a number", one(9, `"10.5"`, `10.5`), "text_malformed", "field digits"},
		{"NaN that is no JSON", one(9, `"10.5"`, `NaN`), "text_malformed", "field digits"},
		{"text that is not UTF-8", one(9, `"10.5"`, "\"10\xff\""), "not_utf8", "field digits"},
		{"a kind that is none", one(9, "READING_KIND_GROSS", "READING_KIND_HEAVY"), "kind_unknown", "field kind"},
		{"an unknown field", one(9, `"unit"`, `"units"`), "field_unknown", "units"},
	} {
		before := kept()
		body := []string{one(100+2*i, "", ""), tt.reading, one(101+2*i, "", "")}
		got := post(i+1, body...)
		text := strings.ReplaceAll(got.body, `": "`, `":"`)
		for _, says := range []string{`"stored":"2"`, `"refused":"1"`, `"index":1,`, `"reason":"` + tt.rule + `"`, tt.says} {
			if got.code != http.StatusOK || !strings.Contains(strings.ReplaceAll(text, `": 1`, `":1`), says) {
				t.Errorf("%s: %d %s; want it answered with %s", tt.name, got.code, got.body, says)
			}
		}
		require.Equal(t, got, post(i+1, body...), "%s: the same message again", tt.name)
		require.Equal(t, before+2, kept(), tt.name)
	}
	before := kept()
	for i, tt := range []struct {
		name, reading string
		code          int
		says          string
	}{
		{"cut in the middle", fmt.Sprintf(good, 9)[:60], http.StatusBadRequest, "closes no bracket"},
		{"over 4 MiB", one(9, `"LBR"`, `"LBR","reference":"`+strings.Repeat("r", 4<<20)+`"`), http.StatusRequestEntityTooLarge, "4194304 bytes"},
		{"100,000 readings", strings.Repeat("{},", 99_999) + "{}", http.StatusBadRequest, "10000"},
	} {
		got := post(i+50, one(8, "", ""), tt.reading)
		if got.code != tt.code || !strings.Contains(got.body, tt.says) {
			t.Errorf("%s: %d %s; want %d with %q", tt.name, got.code, got.body, tt.code, tt.says)
		}
	}
	require.Equal(t, before, kept(), "nothing is kept of a message that cannot be read")
}
