package stock

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

func hour(h int) time.Time { return time.Date(2025, 1, 1, h, 0, 0, 0, time.UTC) }

func TestOrderOfLegs(t *testing.T) {
	t.Parallel()
	want := []Key{
		DrawKey(hour(1), Shipment, "z"),
		FillKey(hour(2), Receipt, "r"),
		GainKey(hour(2), "over-book/run/b/1"), // before all that draws
		DrawKey(hour(2), OwnerChange, "o"),
		FillKey(hour(2), Run, "b"), // at one rank what fills goes before what draws, whatever its name
		DrawKey(hour(2), Run, "a"),
		DrawKey(hour(2), Run, "b"),
		DrawKey(hour(2), Transfer, "m"),
		DrawKey(hour(2), Adjustment, "a"),
		DrawKey(hour(2), Shipment, "B"), // bytes: capitals first
		DrawKey(hour(2), Shipment, "a"),
	}
	got := slices.Clone(want)
	slices.Reverse(got)
	slices.SortFunc(got, Key.Compare)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("order of legs (-want +got):\n%s", diff)
	}
}

var spot = Spot{Lot: "L"}

func entry(h int, q lot.Quantity, name string) Entry {
	k := FillKey(hour(h), Shipment, name)
	if q < 0 {
		k = DrawKey(hour(h), Shipment, name)
	}
	return Entry{spot, k, q}
}

// What settle accepts is what a walk through all legs from the beginning accepts. The deliberate break it catches: judging a back-dated leg
// by the last balance, or leaving out the moments after it.
func TestSettleAgreesWithAWalkFromTheBeginning(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		var accepted []Entry
		have, known := Balance{}, false
		for n := range rapid.IntRange(1, 12).Draw(rt, "facts") {
			var ours []Entry
			for range rapid.IntRange(1, 3).Draw(rt, "legs") {
				q := lot.Quantity(rapid.IntRange(-6, 8).Filter(func(q int) bool { return q != 0 }).Draw(rt, "quantity"))
				ours = append(ours, entry(rapid.IntRange(1, 6).Draw(rt, "hour"), q, fmt.Sprint(n)))
			}
			b := NewBook(&Known{Balances: map[Spot]Balance{}, Lots: map[lot.ID]*Lot{}}, "m", hour(0))
			if known {
				b.known.Balances[spot] = have
			}
			pending := map[Spot][]Entry{spot: merge(slices.Clone(ours))}
			later := map[Spot][]Entry{}
			if b.backdated(spot, pending[spot]) {
				for _, e := range accepted {
					if !e.Key.At.Before(pending[spot][0].Key.At) {
						later[spot] = append(later[spot], e)
					}
				}
			}
			err := b.settle(pending, later)
			all := slices.Concat(accepted, ours)
			if got, want := err == nil, neverBelow(all); got != want {
				rt.Fatalf("accepted %v, want %v (%v): had %v, adds %v", got, want, err, accepted, ours)
			}
			if err == nil {
				accepted, have, known = all, b.change.Balances[spot], true
			} else if fault.ReasonOf(err) != "stock_short" {
				rt.Fatalf("refused with %v", err)
			}
		}
		var sum lot.Quantity
		for _, e := range accepted {
			sum += e.Quantity
		}
		if sum != have.Quantity {
			rt.Fatalf("balance %d, legs add up to %d", have.Quantity, sum)
		}
	})
}

func neverBelow(entries []Entry) bool {
	var running lot.Quantity
	for _, e := range merge(slices.Clone(entries)) {
		if running += e.Quantity; running < 0 {
			return false
		}
	}
	return true
}

func TestRefusalSaysHowMuchAndWhen(t *testing.T) {
	t.Parallel()
	have := Balance{Quantity: 10 * 1e6, Latest: DrawKey(hour(9), Shipment, "S-9")}
	for _, test := range []struct {
		name  string
		ours  []Entry
		later []Entry
		want  string
	}{
		{"now", []Entry{entry(10, -11e6, "S-10")}, nil, "lot L: S-10 takes 11.000 lb at 2025-01-01T10:00:00Z, when there was 10.000 lb"},
		{
			"in the past", []Entry{entry(5, -15e6, "S-5")}, []Entry{entry(9, -30e6, "S-9")},
			"lot L: S-5 changes it by -15.000 lb at 2025-01-01T05:00:00Z, which leaves 25.000 lb when S-9 takes 30.000 lb at 2025-01-01T09:00:00Z: 5.000 lb too little",
		},
		{
			"worse later", []Entry{entry(5, -25e6, "S-5")}, []Entry{entry(7, -20e6, "S-7"), entry(9, -10e6, "S-9")},
			"lot L: S-5 changes it by -25.000 lb at 2025-01-01T05:00:00Z, which leaves 15.000 lb when S-7 takes 20.000 lb at 2025-01-01T07:00:00Z: " +
				"5.000 lb too little, and later 15.000 lb",
		},
	} {
		b := NewBook(&Known{Balances: map[Spot]Balance{spot: have}, Lots: map[lot.ID]*Lot{}}, "m", hour(0))
		err := b.settle(map[Spot][]Entry{spot: test.ours}, map[Spot][]Entry{spot: test.later})
		require.EqualError(t, err, test.want, test.name)
	}
}

func TestMovementAddsUp(t *testing.T) {
	t.Parallel()
	b := NewBook(&Known{}, "m", hour(0))
	_, err := b.Draw(Draw{Lot: &Lot{ID: "L", Measure: lot.ByWeight}, Quantity: 5, Key: DrawKey(hour(1), Run, "r"), Fact: "run/r"})
	require.NoError(t, err)
	var bug *fault.BugError
	require.ErrorAs(t, b.balanced(), &bug)
	b.Post(RunAccount("r"), lot.ByWeight, 5, DrawKey(hour(1), Run, "r"), "run/r")
	require.NoError(t, b.balanced())
}
