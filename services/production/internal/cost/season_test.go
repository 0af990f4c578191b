package cost_test

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/season"
	"huskline/internal/weight"
	"huskline/services/production/internal/cost"
)

const (
	poundTolerance  = 1_000 // 0.001 lb, testdata/season/README.md
	dollarTolerance = 10_000
	unitTolerance   = 100
)

// seasons are the folders with answers from an independent exact calculation.
var seasons = []string{"season", "season-2"}

func load(t testing.TB, name string) *season.Season {
	t.Helper()
	s, err := season.Load("../../../../testdata/" + name)
	require.NoError(t, err)
	return s
}

func fold(t testing.TB, facts []lot.Recorded) *cost.Book {
	t.Helper()
	b := cost.New()
	for _, f := range facts {
		require.NoError(t, b.Apply(f))
	}
	return b
}

// near compares a figure in millionths with one written down in the answers.
func near(t *testing.T, what string, got int64, want json.Number, tolerance int64) {
	t.Helper()
	n, err := weight.ParseDecimal(want.String(), 6)
	if err != nil {
		t.Errorf("%s: want %q: %v", what, want, err)
		return
	}
	if d := got - n; d > tolerance || d < -tolerance {
		t.Errorf("%s: got %s, want %s", what, money.Amount(got), want)
	}
}

func nearUnit(t *testing.T, what string, got cost.UnitCost, want json.Number) {
	t.Helper()
	price, ok := got.Decimal()
	if want == "" {
		if ok {
			t.Errorf("%s: got %s, want none", what, price)
		}
		return
	}
	if !ok {
		t.Errorf("%s: got none, want %s", what, want)
		return
	}
	near(t, what, int64(price), want, unitTolerance)
}

func TestSeasonLots(t *testing.T) {
	t.Parallel()
	for _, name := range seasons {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := load(t, name)
			b := fold(t, s.Facts())
			for id, want := range s.Expected.Lots {
				got, err := b.Lot(lot.ID(id))
				if err != nil {
					t.Errorf("lot %s: %v", id, err)
					continue
				}
				if string(got.Item) != want.Item || string(got.Owner) != want.Owner || got.Short {
					t.Errorf("lot %s: item %q owner %q short %v, want %q %q", id, got.Item, got.Owner, got.Short, want.Item, want.Owner)
				}
				near(t, id+" made", int64(got.Made), want.MadeLB, poundTolerance)
				near(t, id+" on hand", int64(got.OnHand), want.OnHandLB, poundTolerance)
				near(t, id+" cost", int64(got.Cost.Paid.Total()), want.Cost, dollarTolerance)
				nearUnit(t, id+" cost per lb", got.PaidPerUnit(), want.CostPerLB)
				nearUnit(t, id+" final cost per lb", got.FinalPerUnit(), want.FinalCostPerLB)
				if got.ItemKind != lot.Finished {
					continue
				}
				near(t, id+" kernel", int64(got.Kernel.Weight), want.KernelLB, poundTolerance)
				nearUnit(t, id+" kernel cost per lb", got.KernelPaidPerPound(), want.KernelCostPerLB)
				nearUnit(t, id+" final kernel cost per lb", got.KernelFinalPerPound(), want.FinalKernelCostPerLB)
			}
		})
	}
}

func TestSeasonRuns(t *testing.T) {
	t.Parallel()
	for _, name := range seasons {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := load(t, name)
			b := fold(t, s.Facts())
			for id, want := range s.Expected.Runs {
				got, err := b.Run(lot.RunID(id))
				if err != nil || got.Fault != nil {
					t.Errorf("run %s: %v, fault %v", id, err, got.Fault)
					continue
				}
				near(t, id+" input", int64(got.Input), want.InputLB, poundTolerance)
				near(t, id+" output", int64(got.Output), want.OutputLB, poundTolerance)
				near(t, id+" unaccounted", int64(got.Unaccounted), want.UnaccountedLB, poundTolerance)
				near(t, id+" material", int64(got.Material.Paid.Total()), want.Material, dollarTolerance)
				near(t, id+" conversion", int64(got.Conversion), want.Conversion, dollarTolerance)
				near(t, id+" credit", int64(got.CreditPaid), want.ByproductCredit, dollarTolerance)
				near(t, id+" kernel", int64(got.Kernel.Weight), want.KernelLB, poundTolerance)
				nearUnit(t, id+" kernel cost per lb", got.KernelPaidPerPound(), want.KernelCostPerLB)
			}
		})
	}
}

func TestSeasonTotals(t *testing.T) {
	t.Parallel()
	for _, name := range seasons {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := load(t, name)
			got := fold(t, s.Facts()).Season()
			want := s.Expected.Season
			counts := map[string]int{"deliveries": got.Deliveries, "lots": got.Lots, "runs": got.Runs, "shipments": got.Shipments}
			for field, n := range counts {
				near(t, field, int64(n)*1_000_000, want[field], 0)
			}
			pounds := map[string]weight.Mass{
				"received_lb": got.All.Received, "shipped_lb": got.All.Shipped, "on_hand_lb": got.All.OnHand,
				"adjusted_lb": got.All.Adjusted, "unaccounted_lb": got.All.Unaccounted,
			}
			if _, ok := want["returned_lb"]; ok {
				pounds["returned_lb"] = got.All.Returned
			}
			for field, m := range pounds {
				near(t, field, int64(m), want[field], poundTolerance)
			}
			dollars := map[string]cost.Cost{
				"cost_in": got.CostIn, "inventory_cost": got.Inventory, "shipped_cost": got.Shipped, "written_off": got.WrittenOff,
			}
			for field, c := range dollars {
				near(t, field, int64(c.Paid.Total()), want[field], dollarTolerance)
				if final, ok := s.Expected.Final[field]; ok {
					near(t, "final "+field, int64(c.Final.Total()), final, dollarTolerance)
				}
			}
		})
	}
}
