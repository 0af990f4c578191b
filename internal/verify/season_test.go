package verify

import (
	"math/big"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/season"
	eventv1 "huskline/proto/huskline/event/v1"
)

// chained gives recorded events their envelopes and links, with the head each producer would state.
func chained(t testing.TB, facts []lot.Recorded) []*chain {
	t.Helper()
	of := map[string]*chain{}
	var out []*chain
	for _, name := range []string{"intake", "inventory", "production"} {
		c := &chain{producer: name, head: &eventv1.Head{At: &eventv1.Receipt{Producer: name, Epoch: 1}, Hash: make([]byte, 32)}}
		of[name] = c
		out = append(out, c)
	}
	for _, f := range facts {
		c := of[string(f.Producer)]
		payload, err := lotwire.Marshal(f.EventID, f.Actor, f.After, f.Event)
		require.NoError(t, err)
		e := &eventv1.Envelope{
			Producer: c.producer, Epoch: 1, Position: c.head.At.Position + 1, RecordedMicros: f.RecordedAt.UnixMicro(),
			PreviousHash: c.head.Hash, Payload: payload, Type: f.Body.Kind(),
		}
		e.Hash = lotwire.Hash(e) // written apart from link: the two agree on what the contract says
		c.envelopes = append(c.envelopes, e)
		c.head = &eventv1.Head{At: &eventv1.Receipt{Producer: c.producer, Epoch: 1, Position: e.Position}, Hash: e.Hash}
	}
	return out
}

func loadSeason(t testing.TB, folder string) *season.Season {
	t.Helper()
	s, err := season.Load("../../testdata/" + folder)
	require.NoError(t, err)
	require.NotNil(t, s.Expected)
	return s
}

func near(t *testing.T, what string, got *big.Rat, want string, tolerance string) {
	t.Helper()
	if want == "" {
		return
	}
	w, ok := new(big.Rat).SetString(want)
	tol, ok2 := new(big.Rat).SetString(tolerance)
	if !ok || !ok2 {
		t.Fatalf("%s: %q within %q", what, want, tolerance)
	}
	if off := new(big.Rat).Sub(got, w); off.Abs(off).Cmp(tol) > 0 {
		t.Errorf("%s: got %s, want %s", what, got.FloatString(9), want)
	}
}

func millionths(n *big.Rat) *big.Rat { return new(big.Rat).Quo(n, big.NewRat(1_000_000, 1)) }

func pounds(n int64) *big.Rat { return big.NewRat(n, 1_000_000) }

func total(v vec, columns ...int) *big.Rat {
	sum := new(big.Rat)
	for _, c := range columns {
		sum.Add(sum, v.at(c))
	}
	return millionths(sum)
}

func per(dollars *big.Rat, lb *big.Rat) *big.Rat {
	if lb.Sign() == 0 {
		return new(big.Rat)
	}
	return new(big.Rat).Quo(dollars, lb)
}

// TestSeasonsComeOutAsExpected compares with expected.json, an exact calculation by others: weights to 0.001 lb, totals to 0.01 dollars, dollars
// per pound to 0.0001, shares to 0.000001, sets exactly.
func TestSeasonsComeOutAsExpected(t *testing.T) {
	t.Parallel()
	for _, folder := range []string{"season", "season-2"} {
		t.Run(folder, func(t *testing.T) {
			t.Parallel()
			s := loadSeason(t, folder)
			r := &Report{}
			b := recompute(r, chained(t, s.Facts()))
			b.checkHolds(r, nil)
			for _, d := range r.Differences {
				t.Errorf("a sound season differs: %+v", d)
			}
			expectLots(t, b, s.Expected)
			expectRuns(t, b, s.Expected)
			expectTotals(t, b, s.Expected)
			expectDrills(t, b, s.Expected)
			expectOrigins(t, b, s.Expected)
			t.Logf("%s: largest bound %d millionths, whole plant %d", folder, r.RoundingMicros, b.totals.err)
		})
	}
}

func expectLots(t *testing.T, b *book, want *season.Expected) {
	if len(b.lots) != len(want.Lots) {
		t.Errorf("%d lots, want %d", len(b.lots), len(want.Lots))
	}
	for id, w := range want.Lots {
		g := b.lots[id]
		if g == nil || g.item != w.Item || g.owner != w.Owner {
			t.Errorf("lot %s: got %+v, want %s of %q", id, g, w.Item, w.Owner)
			continue
		}
		near(t, id+" made", pounds(g.made), string(w.MadeLB), "0.001")
		near(t, id+" on hand", pounds(g.onHand), string(w.OnHandLB), "0.001")
		born, made := g.cost.born, pounds(g.made)
		near(t, id+" cost", total(born, paidStock, paidService), string(w.Cost), "0.01")
		near(t, id+" cost per lb", per(total(born, paidStock, paidService), made), string(w.CostPerLB), "0.0001")
		near(t, id+" final cost per lb", per(total(born, finalStock, finalService), made), string(w.FinalCostPerLB), "0.0001")
		kernel := millionths(born.at(kernelPounds))
		near(t, id+" kernel", kernel, string(w.KernelLB), "0.001")
		near(t, id+" kernel cost", per(total(born, kernelPaidStock, kernelPaidService), kernel), string(w.KernelCostPerLB), "0.0001")
		near(t, id+" final kernel cost", per(total(born, kernelFinalStock, kernelFinalService), kernel), string(w.FinalKernelCostPerLB), "0.0001")
	}
}

func expectRuns(t *testing.T, b *book, want *season.Expected) {
	if len(b.runs) != len(want.Runs) {
		t.Errorf("%d runs, want %d", len(b.runs), len(want.Runs))
	}
	for id, w := range want.Runs {
		c, n := b.costs[id], b.runs[id]
		if c == nil || n == nil {
			t.Errorf("run %s is not there", id)
			continue
		}
		in, out := b.runMass(n)
		near(t, id+" input", pounds(in), string(w.InputLB), "0.001")
		near(t, id+" output", pounds(out), string(w.OutputLB), "0.001")
		near(t, id+" unaccounted", pounds(in-out), string(w.UnaccountedLB), "0.001")
		near(t, id+" material", total(c.material, paidStock, paidService), string(w.Material), "0.01")
		near(t, id+" conversion", total(c.conversion, paidStock, paidService), string(w.Conversion), "0.01")
		near(t, id+" credit", total(c.credit, paidStock, paidService), string(w.ByproductCredit), "0.01")
		near(t, id+" kernel", pounds(c.kernelMass), string(w.KernelLB), "0.001")
		near(t, id+" kernel cost", per(total(c.kernel, paidStock, paidService), pounds(c.kernelMass)), string(w.KernelCostPerLB), "0.0001")
	}
}

func expectTotals(t *testing.T, b *book, want *season.Expected) {
	x := b.totals
	for name, got := range map[string]*big.Rat{
		"deliveries": big.NewRat(x.deliveries, 1), "lots": big.NewRat(x.lots, 1), "runs": big.NewRat(x.runs, 1),
		"shipments": big.NewRat(x.shipments, 1), "returned_lb": pounds(x.returned), "received_lb": pounds(x.received),
		"shipped_lb": pounds(x.shipped), "on_hand_lb": pounds(x.onHand), "adjusted_lb": pounds(x.changed),
		"unaccounted_lb": pounds(x.unaccounted),
	} {
		near(t, name, got, string(want.Season[name]), "0.001")
	}
	for name, v := range map[string]vec{"cost_in": x.costIn, "inventory_cost": x.stock, "shipped_cost": x.out, "written_off": x.writtenOff} {
		near(t, name, total(v, paidStock, paidService), string(want.Season[name]), "0.01")
		near(t, "final "+name, total(v, finalStock, finalService), string(want.Final[name]), "0.01")
	}
	near(t, "lines", big.NewRat(b.feedLines, 1), string(want.Weighings["lines"]), "0")
	near(t, "distinct", big.NewRat(b.feedKept, 1), string(want.Weighings["distinct"]), "0")
}

func expectDrills(t *testing.T, b *book, want *season.Expected) {
	require.NotEmpty(t, want.Drills)
	for _, w := range want.Drills {
		affected := b.descendants(w.Lot)
		if !slices.Equal(affected, w.AffectedLots) {
			t.Errorf("drill %s: affected %v, want %v", w.Lot, affected, w.AffectedLots)
		}
		if got := b.ancestors(w.Lot); !slices.Equal(got, w.Ancestors) {
			t.Errorf("drill %s: ancestors %v, want %v", w.Lot, got, w.Ancestors)
		}
		g := b.lots[w.Lot]
		near(t, w.Lot+" used", pounds(g.used), string(w.UsedLB), "0.001")
		near(t, w.Lot+" shipped", pounds(g.shipped), string(w.OwnShippedLB), "0.001")
		near(t, w.Lot+" adjusted", pounds(g.changed), string(w.AdjustedLB), "0.001")
	}
}

func expectOrigins(t *testing.T, b *book, want *season.Expected) {
	got := b.origins()
	scale := new(big.Rat).SetInt(whole())
	for id, shares := range want.Origins {
		if len(got[id]) != len(shares) {
			t.Errorf("origins of %s: %d, want %d", id, len(got[id]), len(shares))
		}
		for origin, share := range shares {
			n := got[id][origin]
			if n == nil {
				n = new(big.Int)
			}
			near(t, id+" from "+origin, new(big.Rat).Quo(new(big.Rat).SetInt(n), scale), string(share), "0.000001")
		}
	}
}
