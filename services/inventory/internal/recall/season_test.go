package recall

import (
	"encoding/json"
	"math/big"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/season"
	"huskline/internal/weight"
	"huskline/services/inventory/internal/genealogy"
)

// folders are compared with their expected.json, an independent exact calculation: testdata/season/README.md.
var folders = []string{"season", "season-2"}

func load(t testing.TB, folder string) (*season.Season, *genealogy.Index) {
	t.Helper()
	s, err := season.Load(filepath.Join("..", "..", "..", "..", "testdata", folder))
	require.NoError(t, err)
	x := genealogy.New()
	for _, f := range s.Facts() {
		require.NoError(t, x.Apply(f))
	}
	return s, x
}

// closeTo fails where got, an integer of 10^-places, lies further from want than the tolerance.
func closeTo(t *testing.T, what string, got int64, places int64, want json.Number, tolerance string) {
	t.Helper()
	w, ok := new(big.Rat).SetString(want.String())
	if !ok {
		t.Errorf("%s: want %q is no number", what, want)
		return
	}
	g := new(big.Rat).SetFrac(big.NewInt(got), new(big.Int).Exp(big.NewInt(10), big.NewInt(places), nil))
	limit, _ := new(big.Rat).SetString(tolerance)
	if d := new(big.Rat).Sub(g, w); d.Abs(d).Cmp(limit) > 0 {
		t.Errorf("%s = %s, want %s within %s", what, g.FloatString(int(places)), want, tolerance)
	}
}

func pounds(t *testing.T, what string, got weight.Mass, want json.Number) {
	t.Helper()
	closeTo(t, what, int64(got), 6, want, "0.001")
}

func TestDrillsAreTheSeasonsExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		t.Run(folder, func(t *testing.T) {
			t.Parallel()
			s, x := load(t, folder)
			require.NotEmpty(t, s.Expected.Drills)
			for _, want := range s.Expected.Drills {
				got, err := Drill(x, lot.ID(want.Lot), Options{})
				require.NoError(t, err)
				compareDrill(t, want, got)
			}
		})
	}
}

func compareDrill(t *testing.T, want season.ExpectedDrill, got Report) {
	t.Helper()
	sets := struct{ Affected, Ancestors, Shipments, Customers []string }{
		texts(got.AffectedLots), texts(got.Ancestors), texts(got.Shipments), texts(got.Customers),
	}
	wantSets := sets
	wantSets.Affected, wantSets.Ancestors = texts(want.AffectedLots), texts(want.Ancestors)
	wantSets.Shipments, wantSets.Customers = texts(want.Shipments), texts(want.Customers)
	if diff := cmp.Diff(wantSets, sets); diff != "" {
		t.Errorf("drill %s (-want +got):\n%s", want.Lot, diff)
	}
	pounds(t, want.Lot+" shipped_lb", got.Shipped, want.ShippedLB)
	pounds(t, want.Lot+" on_hand_lb", got.OnHand, want.OnHandLB)
	pounds(t, want.Lot+" received_or_made_lb", got.ReceivedOrMade, want.ReceivedOrMadeLB)
	pounds(t, want.Lot+" used_lb", got.Used, want.UsedLB)
	pounds(t, want.Lot+" own_shipped_lb", got.OwnShipped, want.OwnShippedLB)
	pounds(t, want.Lot+" adjusted_lb", got.Adjusted, want.AdjustedLB)
	pounds(t, want.Lot+" own_on_hand_lb", got.OwnOnHand, want.OwnOnHandLB)
	returned := want.ReturnedLB
	if returned == "" { // a season without returns has no such field
		returned = "0"
	}
	pounds(t, want.Lot+" returned_lb", got.Returned, returned)
	percent, err := got.Accounted.Percent(6)
	require.NoError(t, err)
	n, err := weight.ParseDecimal(percent, 6)
	require.NoError(t, err)
	closeTo(t, want.Lot+" accounted_pct", n, 6, want.AccountedPct, "0.000001")
}

// texts are names as plain text, never nil, so that none and empty compare alike.
func texts[T ~string](names []T) []string {
	out := []string{}
	for _, n := range names {
		out = append(out, string(n))
	}
	return out
}

func TestOriginsAreTheSeasonsExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		t.Run(folder, func(t *testing.T) {
			t.Parallel()
			s, x := load(t, folder)
			require.NotEmpty(t, s.Expected.Origins)
			for id, want := range s.Expected.Origins {
				got, err := Origins(x, lot.ID(id), Options{})
				require.NoError(t, err)
				if len(got) != len(want) {
					t.Errorf("lot %s has %d origins, want %d", id, len(got), len(want))
				}
				for _, o := range got {
					closeTo(t, "share of "+string(o.Lot)+" in "+id, o.Parts, 18, want[string(o.Lot)], "0.000001")
				}
			}
		})
	}
}

func TestTotalsAreTheSeasonsExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		t.Run(folder, func(t *testing.T) {
			t.Parallel()
			s, x := load(t, folder)
			got, want := Totals(x, Options{}), s.Expected.Season
			for what, n := range map[string]int{
				"deliveries": got.Deliveries, "lots": got.Lots, "runs": got.Runs, "shipments": got.Shipments,
			} {
				closeTo(t, what, int64(n), 0, want[what], "0")
			}
			for what, m := range map[string]weight.Mass{
				"received_lb": got.Received, "shipped_lb": got.Shipped, "on_hand_lb": got.OnHand, "adjusted_lb": got.Adjusted,
				"unaccounted_lb": got.Unaccounted,
			} {
				pounds(t, what, m, want[what])
			}
			if returned, ok := want["returned_lb"]; ok {
				pounds(t, "returned_lb", got.Returned, returned)
			}
			if got.InProcess != 0 || got.Unexplained != 0 {
				t.Errorf("in process %s lb, unexplained %s lb, want none of either", got.InProcess, got.Unexplained)
			}
		})
	}
}

func TestEachLotIsAsExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		s, x := load(t, folder)
		v := x.View(time0)
		for id, want := range s.Expected.Lots {
			q, err := v.Quantities(lot.ID(id))
			require.NoError(t, err)
			pounds(t, id+" made_lb", weight.Mass(q.Made), want.MadeLB)
			pounds(t, id+" on_hand_lb", weight.Mass(q.OnHand), want.OnHandLB)
			got, err := v.Lot(lot.ID(id))
			require.NoError(t, err)
			if string(got.Item) != want.Item || string(got.Owner) != want.Owner {
				t.Errorf("%s: lot %s is %s of %q, want %s of %q", folder, id, got.Item, got.Owner, want.Item, want.Owner)
			}
		}
	}
}

func TestEachRunIsAsExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range folders {
		s, x := load(t, folder)
		var all []lot.ID
		for id := range s.Expected.Lots {
			all = append(all, lot.ID(id))
		}
		steps, err := x.View(time0).Steps(all)
		require.NoError(t, err)
		if len(steps) != len(s.Expected.Runs) {
			t.Errorf("%s: %d steps, want %d", folder, len(steps), len(s.Expected.Runs))
		}
		for _, got := range steps {
			want := s.Expected.Runs[string(got.Run)]
			pounds(t, string(got.Run)+" input_lb", got.Input, want.InputLB)
			pounds(t, string(got.Run)+" output_lb", got.Output, want.OutputLB)
			pounds(t, string(got.Run)+" unaccounted_lb", got.Unaccounted, want.UnaccountedLB)
		}
	}
}

// Every pound that left is on a line with a consignee, and those of a drill add up to its own figure.
func TestDrillFoots(t *testing.T) {
	t.Parallel()
	s, x := load(t, "season-2")
	for _, want := range s.Expected.Drills {
		r, err := Drill(x, lot.ID(want.Lot), Options{})
		require.NoError(t, err)
		var lines, returned, consignees, onHand weight.Mass
		for _, l := range r.Lines {
			lines, returned = lines+l.Pounds, returned+weight.Mass(l.Returned)
		}
		for _, c := range r.Consignees {
			consignees += c.Shipped
			if !c.Known || c.Name == "" || len(c.Shipments) == 0 || !slices.IsSorted(c.Shipments) {
				t.Errorf("drill %s: consignee %+v is not complete", want.Lot, c)
			}
		}
		for _, l := range r.Affected {
			onHand += l.OnHand
		}
		if lines != r.Shipped || consignees != r.Shipped || returned != r.Returned || onHand != r.OnHand {
			t.Errorf("drill %s: lines %s, consignees %s, want %s; returned %s, want %s; on hand %s, want %s",
				want.Lot, lines, consignees, r.Shipped, returned, r.Returned, onHand, r.OnHand)
		}
		if len(r.NotKnown) != 0 {
			t.Errorf("drill %s waits for %+v, want nothing", want.Lot, r.NotKnown)
		}
	}
}
