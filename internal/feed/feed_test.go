package feed_test

import (
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/feed"
	"huskline/internal/lot"
)

func at(epoch, position int64) lot.Receipt {
	return lot.Receipt{Producer: lot.Intake, Epoch: epoch, Position: position}
}

func newFeed(cursors ...feed.Cursor) *feed.Feed[string] {
	return feed.New[string](feed.Config{Self: "self", Producers: []lot.Producer{lot.Intake, lot.Inventory}}, cursors, nil)
}

func TestLots(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		e    lot.Event
		want []lot.ID
	}{
		{"a run's outputs", lot.Event{Lots: []lot.ID{"in"}, Body: lot.RunPosted{Outputs: []lot.RunOutput{{Lot: "out"}, {Lot: "in"}}}}, []lot.ID{"in", "out"}},
		{"a returned lot", lot.Event{Lots: []lot.ID{"sold"}, Body: lot.Returned{Origin: "sold", Lot: "back"}}, []lot.ID{"back", "sold"}},
		{"a bought lot", lot.Event{Body: lot.Bought{Lot: "theirs", NewLot: "ours"}}, []lot.ID{"ours"}},
		{"a bin", lot.Event{Body: lot.Poured{Lot: "l", Bin: "b"}}, []lot.ID{"b"}},
		{"a delivery", lot.Event{Body: lot.DeliveryCorrected{Now: lot.Received{Lot: "d"}}}, []lot.ID{"d"}},
		{"a received lot", lot.Event{Body: lot.Received{Lot: "r"}}, []lot.ID{"r"}},
		{"a correction set", lot.Event{Body: lot.Corrected{
			Deliveries: []lot.DeliveryCorrected{{Now: lot.Received{Lot: "d"}}},
			Runs:       []lot.RunPosted{{Outputs: []lot.RunOutput{{Lot: "o"}}}},
			Pours:      []lot.Poured{{Bin: "b"}},
		}}, []lot.ID{"b", "d", "o"}},
		{"no lots", lot.Event{Body: lot.PartyChanged{Party: "p"}}, nil},
		{"a body that could not be read", lot.Event{Lots: []lot.ID{"x", ""}}, []lot.ID{"x"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(tt.want, feed.Lots(tt.e)); diff != "" && len(tt.want)+len(feed.Lots(tt.e)) > 0 {
				t.Errorf("Lots(%+v): want, got: %s", tt.e, diff)
			}
		})
	}
}

func TestFindings(t *testing.T) {
	t.Parallel()
	ours, other := feed.Hash{1}, feed.Hash{2}
	tests := []struct {
		name    string
		cursor  lot.Receipt
		head    lot.Receipt
		hash    feed.Hash
		earlier map[int64]feed.End
		want    feed.Finding
	}{
		{"at the same place", at(1, 5), at(1, 5), ours, nil, feed.Sound},
		{"further", at(1, 5), at(1, 6), other, nil, feed.Sound},
		{"another past", at(1, 5), at(1, 5), other, nil, feed.Forked},
		{"went back", at(1, 5), at(1, 4), other, nil, feed.WentBack},
		{"restored and said so", at(1, 5), at(2, 1), other, map[int64]feed.End{1: {Position: 4, Hash: other}}, feed.Sound},
		{"another past in a closed epoch", at(1, 5), at(2, 1), other, map[int64]feed.End{1: {Position: 5, Hash: other}}, feed.Forked},
		{"nothing yet", at(1, 0), at(1, 0), feed.Hash{}, nil, feed.Sound},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			f := newFeed(feed.Cursor{Receipt: tt.cursor, Hash: ours})
			if got := f.Answer(tt.head, tt.hash, tt.earlier); got != tt.want {
				t.Errorf("Answer(%v, %v) with cursor %v: got %v, want %v", tt.head, tt.earlier, tt.cursor, got, tt.want)
			}
		})
	}
}

// TestRestoredTwice: the producer went back to before an epoch that we know and it does not. What it lost was partly never taken back.
func TestRestoredTwice(t *testing.T) {
	t.Parallel()
	f := newFeed(feed.Cursor{Receipt: at(2, 7), Hash: feed.Hash{2, 7}})
	f.Answer(at(4, 3), feed.Hash{4, 3}, map[int64]feed.End{1: {Position: 80, Hash: feed.Hash{1, 80}}})
	for _, epoch := range []int64{3, 4} {
		step := f.Next(lot.Intake, 0)
		require.Equal(t, feed.Turn, step.Act)
		require.Equal(t, feed.Cursor{Receipt: at(epoch, 0), Hash: feed.Hash{1, 80}}, step.To, "linked to what it still knew")
		f.Turned(step.To)
	}
	require.Equal(t, feed.Pull, f.Next(lot.Intake, 0).Act)
	lost := at(1, 95)
	require.False(t, f.Reached(lost))
	for n := int64(1); n <= 3; n++ {
		hash := feed.Hash{4, byte(n)}
		previous := feed.Hash{4, byte(n - 1)}
		if n == 1 {
			previous = feed.Hash{1, 80}
		}
		f.Offer(feed.Entry[string]{Receipt: at(4, n), Previous: previous, Hash: hash, Pulled: true})
	}
	step := f.Next(lot.Intake, 0)
	require.Len(t, step.Decisions, 3)
	for _, d := range step.Decisions {
		require.Equal(t, feed.Apply, d.Verdict, "%v", d)
	}
	f.Settled(step.Decisions)
	require.True(t, f.Reached(lost), "all that was taken back is here, although fewer came back than were lost")
	require.Equal(t, feed.Idle, f.Next(lot.Intake, 0).Act)
	require.Equal(t, feed.Dead, f.Offer(feed.Entry[string]{Receipt: at(2, 8)}))
}

func TestRelease(t *testing.T) {
	t.Parallel()
	held := []feed.Held{
		{At: at(1, 1), Lots: []lot.ID{"a"}},
		{At: at(1, 2), Lots: []lot.ID{"b"}},
		{At: at(1, 3), Lots: []lot.ID{"a", "c"}, Behind: at(1, 1)},
		{At: at(1, 4), Lots: []lot.ID{"b", "c"}, Behind: at(1, 2)},
		{At: at(1, 5), Lots: []lot.ID{"a"}, Behind: at(1, 1)},
	}
	away := errors.New("database away")
	tests := []struct {
		name  string
		at    lot.Receipt
		fails []int64
		away  int64 // an error at this position
		tried []int64
		left  []feed.Held
	}{
		{"goes on with those behind", at(1, 1), nil, 0, []int64{1, 3, 5}, []feed.Held{held[1], held[3]}},
		{"fails again", at(1, 1), []int64{1}, 0, []int64{1}, held},
		{"one behind fails itself", at(1, 1), []int64{3}, 0, []int64{1, 3},
			[]feed.Held{held[1], {At: at(1, 3), Lots: held[2].Lots}, held[3], {At: at(1, 5), Lots: held[4].Lots, Behind: at(1, 3)}}},
		{"still waits", at(1, 4), nil, 0, nil, held},
		{"stopped half-way", at(1, 1), nil, 3, []int64{1, 3}, held[1:]},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			q := feed.NewQuarantine(held)
			var tried []int64
			applied, err := q.Release(tt.at, func(h feed.Held) (bool, error) {
				tried = append(tried, h.At.Position)
				if h.At.Position == tt.away {
					return false, away
				}
				for _, n := range tt.fails {
					if n == h.At.Position {
						return false, nil
					}
				}
				return true, nil
			})
			if tt.away > 0 {
				require.ErrorIs(t, err, away)
			}
			require.Equal(t, len(held)-len(tt.left), applied)
			if diff := cmp.Diff(tt.tried, tried); diff != "" {
				t.Errorf("Release(%v) tried: want, got: %s", tt.at, diff)
			}
			if diff := cmp.Diff(tt.left, q.Held()); diff != "" {
				t.Errorf("Release(%v) left: want, got: %s", tt.at, diff)
			}
			require.Equal(t, map[lot.Producer]int{lot.Intake: len(tt.left)}, q.Count())
		})
	}
}
