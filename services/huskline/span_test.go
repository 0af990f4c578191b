package main

import (
	"strings"
	"testing"
	"time"

	eventv1 "huskline/proto/huskline/event/v1"
)

func TestSpansForPeople(t *testing.T) {
	t.Parallel()
	for span, want := range map[time.Duration]string{
		0: "0.0 s", 300 * time.Millisecond: "0.3 s", -2500 * time.Millisecond: "-2.5 s", 59 * time.Second: "59.0 s", 185 * time.Second: "3 min 5 s",
		-time.Hour: "-1 h 0 min", 26*time.Hour + 59*time.Minute: "1 d 2 h", 400 * 24 * time.Hour: "400 d 0 h",
	} {
		if got := spanText(span.Microseconds()); got != want {
			t.Errorf("%v: %q, want %q", span, got, want)
		}
	}
}

// Positions that nothing follows are told in words for people, and stay as --as-of reads them in what programs read.
func TestPositionsAfterARestore(t *testing.T) {
	t.Parallel()
	at := func(epoch, position int64) []*eventv1.Receipt {
		return []*eventv1.Receipt{{Producer: "intake", Epoch: epoch, Position: position}}
	}
	if got := asOfText(at(2, 0)); !strings.Contains(got, "after a restore") {
		t.Errorf("positions right after a restore: %q", got)
	}
	for _, other := range [][]*eventv1.Receipt{at(1, 0), at(2, 1)} {
		if got := asOfText(other); got != printAsOf(other) {
			t.Errorf("%v: %q, want positions alone", other, got)
		}
	}
}
