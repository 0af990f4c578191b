// Package form judges what people and devices type: codes, free text, times.
package form

import (
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"huskline/internal/fault"
)

// Ahead is how far a time may lie after the service's clock: enough for clocks that differ, too little to post-date a fact.
const Ahead = 5 * time.Minute

// maxCode is the length of the longest code.
const maxCode = 64

// Code refuses what is no code: 1 to 64 printable ASCII characters without blanks.
func Code(field, code string) error {
	if code == "" || len(code) > maxCode {
		return fault.Invalid("code_malformed", "%s %q: a code has 1 to %d characters", field, code, maxCode)
	}
	for i := range len(code) {
		if code[i] <= ' ' || code[i] > '~' {
			return fault.Invalid("code_malformed", "%s %q: a code is of printable ASCII characters without blanks", field, code)
		}
	}
	return nil
}

// Text refuses a text that is longer than most characters, or that cannot be stored or printed: control characters other than a line feed, and
// bytes that are no UTF-8.
func Text(field, text string, most int) error {
	switch {
	case strings.ContainsFunc(text, func(r rune) bool { return unicode.IsControl(r) && r != '\n' }) || !utf8.ValidString(text):
		return fault.Invalid("text_malformed", "%s %q: a text is UTF-8 without control characters", field, text)
	case len(text) > most && utf8.RuneCountInString(text) > most:
		return fault.Invalid("text_too_long", "%s: %d characters, at most %d are allowed", field, utf8.RuneCountInString(text), most)
	}
	return nil
}

// Moment refuses a time of a command that is not given or lies more than 5 minutes after the service's clock. That one is refused for now only:
// later the same command may stand.
func Moment(field string, t, now time.Time) error {
	switch {
	case t.IsZero():
		return fault.Invalid("time_missing", "%s: a time is required", field)
	case t.After(now.Add(Ahead)):
		return fault.Precondition("effective_in_future", "%s %s: it is more than 5 minutes after the service's clock, %s", field, stamp(t), stamp(now))
	}
	return nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
