package stock

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// binTx is a transaction over one bin lot of 100 lb, of which other draws are known.
type binTx struct {
	Tx
	over    Tolerance
	known   []Entry
	written *Change
}

func (t *binTx) OverBook(context.Context, Spot, time.Time) (Tolerance, lot.Account, error) {
	return t.over, lot.Account{Name: "count"}, nil
}

func (t *binTx) Timeline(context.Context, []Since) ([]Entry, error) { return t.known, nil }

func (t *binTx) Write(_ context.Context, c *Change) error {
	t.written = c
	return nil
}

// drawing books draws of runs, at an hour each, on top of what is known.
type drawing struct {
	run    string
	hour   int
	pounds lot.Quantity
	use    Use
}

func bookOf(tx *binTx, draws []drawing) *Book {
	l := &Lot{ID: "B-1", Measure: lot.ByWeight, Ownership: lot.Company, Source: FromPour, Made: 100 * pound, Born: hour(0)}
	bin := Spot{Lot: "B-1", Place: "BIN"}
	have := Balance{Quantity: 100 * pound, Latest: FillKey(hour(0), Transfer, "P-1")}
	tx.known = nil
	for _, d := range draws {
		if d.use == 0 {
			k := DrawKey(hour(d.hour), Run, d.run)
			tx.known = append(tx.known, Entry{bin, k, -d.pounds * pound})
			have.Quantity -= d.pounds * pound
			if k.Compare(have.Latest) > 0 {
				have.Latest = k
			}
		}
	}
	b := NewBook(&Known{Lots: map[lot.ID]*Lot{"B-1": l}, Balances: map[Spot]Balance{bin: have}}, "m", hour(23))
	for i, d := range draws {
		if d.use == 0 {
			continue
		}
		k := DrawKey(hour(d.hour), Run, d.run)
		if _, err := b.Draw(Draw{Lot: l, Place: "BIN", Quantity: d.pounds * pound, Use: d.use, Key: k, Fact: "run/" + d.run, Line: string(rune('a' + i))}); err != nil {
			panic(err)
		}
		b.Post(RunAccount("x"), lot.ByWeight, d.pounds*pound, k, "run/"+d.run)
	}
	return b
}

const pound lot.Quantity = 1_000_000

// What draws take over the book is gained before the draw that does, once, whatever else of the lot is known; more than the tolerance is refused. The
// deliberate breaks it catches: a gain of what lies there at the end and not of the worst moment; one that is bound to what was drawn before.
func TestGainsOfDraws(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		over   Tolerance
		draws  []drawing // of no use: known before
		gains  map[string]lot.Quantity
		reason string
	}{
		"within the book":             {Tolerance{Place: 2 * pound}, []drawing{{"R-1", 1, 100, ForRun}}, nil, ""},
		"a pound over":                {Tolerance{Place: 2 * pound}, []drawing{{"R-0", 1, 60, 0}, {"R-1", 2, 41, ForRun}}, map[string]lot.Quantity{"over-book/run/R-1/b": 1}, ""},
		"no tolerance":                {Tolerance{}, []drawing{{"R-1", 1, 101, ForRun}}, nil, "stock_short"},
		"beyond it":                   {Tolerance{Place: 2 * pound}, []drawing{{"R-1", 1, 103, ForRun}}, nil, "bin_over_tolerance"},
		"beyond it with what is used": {Tolerance{Place: 2 * pound, Used: 2 * pound}, []drawing{{"R-1", 1, 101, ForRun}}, nil, "bin_over_tolerance"},
		"an earlier one makes a later one short": {
			Tolerance{Place: 2 * pound}, []drawing{{"R-9", 9, 100, 0}, {"R-1", 1, 2, ForRun}}, map[string]lot.Quantity{"over-book/run/R-1/b": 2}, "",
		},
		"two lines at one moment": {
			Tolerance{Place: 2 * pound}, []drawing{{"R-1", 1, 60, ForRun}, {"R-1", 1, 42, ForRun}}, map[string]lot.Quantity{"over-book/run/R-1/b": 2}, "",
		},
		"each its own": {
			Tolerance{Place: 3 * pound}, []drawing{{"R-1", 1, 101, ForRun}, {"R-2", 2, 2, ForRun}},
			map[string]lot.Quantity{"over-book/run/R-1/a": 1, "over-book/run/R-2/b": 2}, "",
		},
		"written off": {Tolerance{Place: 2 * pound}, []drawing{{"R-1", 1, 101, ForDestruction}}, nil, "stock_short"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tx := &binTx{over: row.over}
			events, err := bookOf(tx, row.draws).CloseWithGains(t.Context(), tx, nil)
			require.Equal(t, row.reason, fault.ReasonOf(err), "%v", err)
			if row.reason != "" {
				return
			}
			var got map[string]lot.Quantity
			for _, e := range events {
				if a := e.Body.(lot.Adjusted); a.DrawnBy != "" {
					if got == nil {
						got = map[string]lot.Quantity{}
					}
					got[a.Adjustment] = a.Delta / pound
				}
			}
			if diff := cmp.Diff(row.gains, got); diff != "" {
				t.Errorf("gains (-want +got):\n%s", diff)
			}
			for spot, b := range tx.written.Balances {
				if b.Quantity < 0 {
					t.Errorf("%v: %d left", spot, b.Quantity)
				}
			}
		})
	}
}
