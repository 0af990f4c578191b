package stock

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

func came(id lot.ID, k Key) Entry { return Entry{Spot{Lot: id, Place: "BIN"}, k, 50 * pound} }

// A bin lot's tolerance ends with its last sight and with the next lot in its bin. The deliberate breaks it catches: a rule that asks what lies
// there now and not what lay there at the draw; one that goes by the order of recording; one that takes a fact for earlier than itself.
func TestWhatEndsATolerance(t *testing.T) {
	t.Parallel()
	last := came("B-1", FillKey(hour(0), Transfer, "P-1"))
	for name, row := range map[string]struct {
		came    []Entry
		emptied []Emptied
		says    string // of the refusal; empty: a pound is taken over the book, by run R-1 at 5
	}{
		"nothing came":                 {},
		"another lot before the draw":  {came: []Entry{came("B-2", FillKey(hour(4), Transfer, "P-2"))}, says: "lot B-2 came there at 2025-01-01T04:00:00Z (P-2)"},
		"another lot after the draw":   {came: []Entry{came("B-2", FillKey(hour(6), Transfer, "P-2"))}},
		"before the last pour":         {came: []Entry{came("B-0", FillKey(hour(-1), Transfer, "P-0"))}},
		"poured on after another came": {came: []Entry{came("B-2", FillKey(hour(2), Transfer, "P-2")), came("B-1", FillKey(hour(3), Transfer, "P-3"))}},
		"a delivery at the instant":    {came: []Entry{came("D-2", FillKey(hour(5), Receipt, "D-2"))}, says: "lot D-2 came there"},
		"a pour at the instant":        {came: []Entry{came("B-2", FillKey(hour(5), Transfer, "P-2"))}},
		"an earlier run at the instant": {
			came: []Entry{came("K-1", FillKey(hour(5), Run, "R-0"))}, says: "lot K-1 came there",
		},
		"its own run at the instant":  {came: []Entry{came("K-1", FillKey(hour(5), Run, "R-1"))}},
		"a later run at the instant":  {came: []Entry{came("K-1", FillKey(hour(5), Run, "R-2"))}},
		"title passed":                {came: []Entry{came("T-1", FillKey(hour(4), OwnerChange, "T-1"))}},
		"what came was taken back":    {came: []Entry{came("B-2", FillKey(hour(4), Transfer, "P-2")), {Spot{Lot: "B-2", Place: "BIN"}, FillKey(hour(4), Transfer, "P-2"), -50 * pound}}},
		"seen empty before":           {emptied: []Emptied{{"E-1", Spot{Lot: "B-1", Place: "BIN"}, hour(4)}}, says: "it was seen empty at 2025-01-01T04:00:00Z (emptying/E-1)"},
		"seen empty at the instant":   {emptied: []Emptied{{"E-1", Spot{Lot: "B-1", Place: "BIN"}, hour(5)}}, says: "it was seen empty"},
		"seen empty after":            {emptied: []Emptied{{"E-1", Spot{Lot: "B-1", Place: "BIN"}, hour(6)}}},
		"seen empty in another place": {emptied: []Emptied{{"E-1", Spot{Lot: "B-1", Place: "BIN-2"}, hour(4)}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tx := &binTx{over: Tolerance{Place: 2 * pound, Came: append(row.came, last), Emptied: row.emptied}}
			events, err := bookOf(tx, []drawing{{"R-0", 1, 60, 0}, {"R-1", 5, 41, ForRun}}).CloseWithGains(t.Context(), tx, nil)
			if row.says == "" {
				require.NoError(t, err)
				if len(events) != 1 {
					t.Errorf("said %d gains, want one", len(events))
				}
				return
			}
			if fault.ReasonOf(err) != "stock_short" || !strings.Contains(err.Error(), row.says) {
				t.Errorf("got %v, want stock_short that says %q", err, row.says)
			}
		})
	}
}

// A correction set that states a draw again keeps the gain that stood, also where another lot is known by now to have come before it; more it may
// not take, nor at a time when the tolerance had ended. The deliberate break it catches: a rule that binds what was accepted before it.
func TestAnEndedToleranceBindsNoGainThatStands(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		pounds lot.Quantity
		hour   int
		reason string
	}{
		"as it was": {41, 5, ""}, "more": {42, 5, "stock_short"}, "later": {41, 6, "stock_short"}, "less": {40, 6, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			spot := Spot{Lot: "B-1", Place: "BIN"}
			tx := &binTx{over: Tolerance{Place: 2 * pound, Used: pound, Came: []Entry{came("B-1", FillKey(hour(0), Transfer, "P-1")), came("B-2", FillKey(hour(4), Transfer, "P-2"))}}}
			b := bookOf(tx, []drawing{{"R-0", 1, 60, 0}})
			gain := Leg{Fact: "run/R-1", Spot: spot, Measure: lot.ByWeight, Quantity: pound, Key: GainKey(hour(5), "over-book/run/R-1/a")}
			drawn := Leg{Fact: "run/R-1", Spot: spot, Measure: lot.ByWeight, Quantity: -41 * pound, Key: DrawKey(hour(5), Run, "R-1")}
			tx.known = append(tx.known, Entry{spot, gain.Key, gain.Quantity}, Entry{spot, drawn.Key, drawn.Quantity})
			have := b.known.Balances[spot]
			have.Quantity, have.Latest = 0, drawn.Key
			b.known.Balances[spot] = have
			b.Correct([]Leg{
				gain, drawn, {Fact: "run/R-1", Account: "count", Measure: lot.ByWeight, Quantity: -pound, Key: gain.Key},
				{Fact: "run/R-1", Account: RunAccount("R-1"), Measure: lot.ByWeight, Quantity: 41 * pound, Key: drawn.Key},
			})
			k := DrawKey(hour(row.hour), Run, "R-1")
			_, err := b.Draw(Draw{Lot: b.Find("B-1"), Place: "BIN", Quantity: row.pounds * pound, Use: ForRun, Key: k, Fact: "run/R-1", Line: "a"})
			require.NoError(t, err)
			b.Post(RunAccount("R-1"), lot.ByWeight, row.pounds*pound, k, "run/R-1")
			_, err = b.CloseWithGains(t.Context(), tx, nil)
			require.Equal(t, row.reason, fault.ReasonOf(err), "%v", err)
		})
	}
}
