package follow

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

func markAt(inventory, intake, production, releases int64) Mark {
	return Mark{At: []lot.Receipt{
		{Producer: lot.Inventory, Epoch: 1, Position: inventory}, {Producer: lot.Intake, Epoch: 1, Position: intake},
		{Producer: lot.Production, Epoch: 1, Position: production},
	}, Releases: releases}
}

func TestMarkReadsWhatItWrites(t *testing.T) {
	t.Parallel()
	want := markAt(7, 3, 0, 2)
	const text = "inventory/1/7,intake/1/3,production/1/0,2"
	if got := want.String(); got != text {
		t.Errorf("got %s, want %s", got, text)
	}
	got, err := ParseMark(text)
	if d := cmp.Diff(want, got); d != "" || err != nil {
		t.Errorf("%v (-want +got)\n%s", err, d)
	}
	for _, bad := range []string{"", ",", "0", "intake/1/3,0", "inventory/1/7,intake/1/3,production/0/0,2", "inventory/1/7,intake/1/-3,production/1/0,2", text + ",1", text + "x", "inventory/1/7,intake/1/3,intake/1/3,production/1/0,2"} {
		if _, err := ParseMark(bad); fault.ReasonOf(err) != "mark_malformed" {
			t.Errorf("%q: %v, want mark_malformed", bad, err)
		}
	}
}

// Of two marks the raised one lies behind all that lies before either. The deliberate break it catches: a mark that takes one producer's place back.
func TestMarksAreCompared(t *testing.T) {
	t.Parallel()
	a, b := markAt(7, 3, 1, 0), markAt(5, 4, 1, 1)
	want := markAt(7, 4, 1, 1)
	for _, got := range []Mark{a.Raised(b), b.Raised(a)} {
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("-want +got\n%s", d)
		}
	}
	if a.Covers(b) || b.Covers(a) || !want.Covers(a) || !want.Covers(b) || !a.Covers(a) {
		t.Error("a raised mark covers both, and of two that differ in both ways neither covers the other")
	}
	for position, want := range map[int64]bool{6: false, 7: false, 8: true} {
		if got := a.Behind(lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: position}); got != want {
			t.Errorf("position %d behind 7: %t", position, got)
		}
	}
	if !a.Behind(lot.Receipt{Producer: lot.Inventory, Epoch: 2, Position: 1}) {
		t.Error("a later epoch lies behind")
	}
}
