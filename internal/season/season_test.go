package season

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

var folders = []string{"season", "season-2"}

func load(t *testing.T, folder string) *Season {
	t.Helper()
	s, err := Load(filepath.Join("..", "..", "testdata", folder))
	require.NoError(t, err)
	return s
}

func pounds(t *testing.T, text string) lot.Quantity {
	t.Helper()
	m, err := weight.Parse(text)
	require.NoError(t, err)
	return lot.Quantity(m)
}

// tally is what the facts of a season add up to.
type tally struct {
	Deliveries, Runs, Shipments, Lots          int
	Received, Shipped, Returned, Adjusted, Gap lot.Quantity
	Lines, Stored                              int64
}

func count(facts []lot.Recorded) tally {
	var got tally
	born := map[lot.ID]bool{}
	for _, f := range facts {
		switch b := f.Body.(type) {
		case lot.Received:
			if b.Source == lot.Delivery {
				got.Deliveries++
			}
			born[b.Lot], got.Received = true, got.Received+b.Quantity
		case lot.RunPosted:
			for _, in := range b.Inputs {
				got.Gap += in.Quantity
			}
			for _, out := range b.Outputs {
				born[out.Lot], got.Gap = true, got.Gap-out.Quantity
			}
		case lot.RunCompleted:
			got.Runs++
		case lot.Poured:
			born[b.Bin] = true
		case lot.Adjusted:
			got.Adjusted += b.Delta
		case lot.Shipped:
			got.Shipments, got.Shipped = got.Shipments+1, got.Shipped+b.Lines[0].Quantity
		case lot.Returned:
			born[b.Lot], got.Returned = true, got.Returned+b.Quantity
		case lot.ReadingsStored:
			got.Lines, got.Stored = got.Lines+b.Lines, got.Stored+b.Stored
		}
	}
	got.Lots = len(born)
	return got
}

// A row that is dropped, doubled or read in the wrong unit moves a count or a sum away from the independent calculation.
func TestFactsAddUpToExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		t.Run(folder, func(t *testing.T) {
			t.Parallel()
			s := load(t, folder)
			want := tally{
				Deliveries: number(t, s.Expected.Season["deliveries"].String()), Runs: number(t, s.Expected.Season["runs"].String()),
				Shipments: number(t, s.Expected.Season["shipments"].String()), Lots: number(t, s.Expected.Season["lots"].String()),
				Received: pounds(t, s.Expected.Season["received_lb"].String()), Shipped: pounds(t, s.Expected.Season["shipped_lb"].String()),
				Adjusted: pounds(t, s.Expected.Season["adjusted_lb"].String()), Gap: pounds(t, s.Expected.Season["unaccounted_lb"].String()),
				Lines:  int64(number(t, s.Expected.Weighings["lines"].String())),
				Stored: int64(number(t, s.Expected.Weighings["distinct"].String())),
			}
			if returned := s.Expected.Season["returned_lb"].String(); returned != "" {
				want.Returned = pounds(t, returned)
			}
			if diff := cmp.Diff(want, count(s.Facts())); diff != "" {
				t.Errorf("facts of %s (-want +got):\n%s", folder, diff)
			}
		})
	}
}

func number(t *testing.T, text string) int {
	t.Helper()
	n, err := weight.ParseDecimal(text, 0)
	require.NoError(t, err)
	return int(n)
}

// A sequence by time alone draws season-2's outputs before the run that made them is posted: this fails on it.
func TestEachProducerSaysBirthsBeforeUses(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		born, heads := map[lot.ID]bool{}, map[lot.Producer]int64{}
		for _, f := range load(t, folder).Facts() {
			heads[f.Producer]++
			if f.Position != heads[f.Producer] {
				t.Errorf("%s: %s position %d, want %d", folder, f.Producer, f.Position, heads[f.Producer])
			}
			var uses []lot.ID
			switch b := f.Body.(type) {
			case lot.Received:
				born[b.Lot] = true
			case lot.RunPosted:
				for _, in := range b.Inputs {
					uses = append(uses, in.Lot)
				}
				for _, out := range b.Outputs {
					born[out.Lot] = true
				}
			case lot.Poured:
				uses, born[b.Bin] = append(uses, b.Lot), true
			case lot.Adjusted:
				uses = append(uses, b.Lot)
			case lot.Shipped:
				uses = append(uses, b.Lines[0].Lot)
			case lot.Returned:
				uses, born[b.Lot] = append(uses, b.Origin), true
			}
			for _, id := range uses {
				if !born[id] {
					t.Errorf("%s: %s %d uses %s before it is born", folder, f.Producer, f.Position, id)
				}
			}
		}
	}
}

func TestOwnersAndItemsReachEveryLot(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		s := load(t, folder)
		for _, f := range s.Facts() {
			var id lot.ID
			var owner lot.PartyID
			var item lot.ItemID
			check := func() {
				want := s.Expected.Lots[string(id)]
				if string(owner) != want.Owner || string(item) != want.Item {
					t.Errorf("%s: lot %s is %q of %q, want %q of %q", folder, id, item, owner, want.Item, want.Owner)
				}
			}
			switch b := f.Body.(type) {
			case lot.Received:
				id, owner, item = b.Lot, b.Owner, b.Item
				check()
			case lot.RunPosted:
				for _, out := range b.Outputs {
					id, owner, item = out.Lot, out.Owner, out.Item
					check()
				}
			case lot.Returned:
				id, owner, item = b.Lot, b.Owner, b.Item
				check()
			case lot.Poured:
				id, owner, item = b.Bin, lot.PartyID(s.Expected.Lots[string(b.Bin)].Owner), b.Item
				check()
			}
		}
	}
}

func TestTwoLoadsGiveTheSameFacts(t *testing.T) {
	t.Parallel()
	if diff := cmp.Diff(load(t, "season-2").Facts(), load(t, "season-2").Facts()); diff != "" {
		t.Errorf("two loads differ:\n%s", diff)
	}
}
