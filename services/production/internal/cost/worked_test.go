package cost_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/production/internal/cost"
)

// Worked examples C1, C2, C4, C6 and C10, whose pounds and cents are exact. They were made for this trade after the methods of
// cost-accounting textbooks (joint cost by physical units, sales value and net realizable value; by-products at net realizable value).

// prices of halves, pieces, meal and shells at split-off.
type prices struct{ halves, pieces, meal, shells string }

// salesValue is the base of example C1's second row.
var salesValue = prices{"5.00", "4.00", "2.00", "0.015"}

// shelling is example C1: lot A is delivered, cleaned and shelled.
func shelling(t *testing.T, at prices) *plant {
	p := newPlant(t)
	p.item("CLEAN", lot.InShell, "")
	p.item("HALVES", lot.Kernel, at.halves)
	p.item("PIECES", lot.Kernel, at.pieces)
	p.item("MEAL", lot.Kernel, at.meal)
	p.item("SHELL", lot.ByProductItem, at.shells)
	price := money.Price(1_045_000)
	p.say(lot.Intake, lot.Received{
		Lot: "A", Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: p.pounds("10000"), Ownership: lot.Company,
		Price: &price, Purchase: p.dollars("10450"), Freight: p.dollars("125"),
		Charges: []lot.LandedCharge{{Name: "commission", Amount: p.dollars("300")}, {Name: "assessment", Amount: p.dollars("300")}},
	})
	p.charge("CLEANING", "192", "R1")
	p.run("R1").take("A", "10000").give(lot.Main, "B", "CLEAN", "9600").give(lot.Waste, "T", "TRASH", "250").post()
	p.charge("SHELLING", "1920", "R2")
	p.run("R2").take("B", "9600").give(lot.Main, "K1-HALVES", "HALVES", "1920").give(lot.Main, "K2-PIECES", "PIECES", "2400").
		give(lot.Main, "K3-MEAL", "MEAL", "480").give(lot.ByProduct, "SH", "SHELL", "4560").post()
	return p
}

var grades = []lot.ID{"K1-HALVES", "K2-PIECES", "K3-MEAL"}

// inCents is the cost of the grades as printed: the total apportioned once to cents.
func inCents(t *testing.T, b *cost.Book, final bool) []string {
	t.Helper()
	var amounts []money.Amount
	for _, id := range grades {
		c := lotCost(t, b, id)
		if final {
			amounts = append(amounts, c.Cost.Final.Total())
		} else {
			amounts = append(amounts, c.Cost.Paid.Total())
		}
	}
	var out []string
	for _, a := range cost.Cents(amounts) {
		out = append(out, a.Cents())
	}
	return out
}

func decimal(t *testing.T, u cost.UnitCost) string {
	t.Helper()
	p, ok := u.Decimal()
	require.True(t, ok)
	return p.String()
}

// costing.md 4.4 C1, the rows of the method table that share by a weight; C10 is C1 with by-products to income, which is a by-product
// without a split-off price here.
func TestShellingByMethod(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		prices prices
		want   []string
	}{
		{"C1 physical", prices{shells: "0.015"}, []string{"5287.44", "6609.30", "1321.86"}},
		{"C1 sales value", salesValue, []string{"6294.57", "6294.57", "629.46"}},
		{"C1 net realizable value", prices{"5.20", "4.10", "2.08", "0.015"}, []string{"6338.10", "6246.69", "633.81"}},
		{"C10 by-product to income", prices{"5.00", "4.00", "2.00", "0"}, []string{"6327.14", "6327.14", "632.72"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			b := shelling(t, tt.prices).book()
			if d := cmp.Diff(tt.want, inCents(t, b, false)); d != "" {
				t.Errorf("grades (-want +got):\n%s", d)
			}
		})
	}
}

// costing.md 4.4 C1, the figures on the way.
func TestShellingAccount(t *testing.T) {
	t.Parallel()
	b := shelling(t, salesValue).book()
	check(t, "landed per lb", decimal(t, lotCost(t, b, "A").PaidPerUnit()), "1.1175")
	check(t, "clean per lb", decimal(t, lotCost(t, b, "B").PaidPerUnit()), "1.184063")
	for id, want := range map[lot.ID]string{"K1-HALVES": "3.278422", "K2-PIECES": "2.622738", "K3-MEAL": "1.311375"} {
		u := lotCost(t, b, id).PaidPerUnit()
		u.Amount = money.ToCent(u.Amount) // the source divides the printed cents
		check(t, string(id)+" per lb", decimal(t, u), want)
	}
	r := runCost(t, b, "R2")
	check(t, "shell credit", r.CreditPaid.String(), "68.40")
	check(t, "net joint cost", r.Kernel.Paid.String(), "13218.60")
	check(t, "per lb of kernel", decimal(t, r.KernelPaidPerPound()), "2.753875")
	check(t, "unaccounted", r.Unaccounted.String(), "240.000")
	check(t, "shells", lotCost(t, b, "SH").Cost.Paid.Stock.String(), "68.40")
	check(t, "trash", lotCost(t, b, "T").Cost, cost.Cost{})
}

// costing.md 4.4 C2: where the pounds are when the final price comes, there its difference goes.
func TestLatePrice(t *testing.T) {
	t.Parallel()
	p := shelling(t, salesValue)
	p.ship("X1", "K1-HALVES", "1200")
	p.ship("X2", "K2-PIECES", "600")
	p.run("BATCH").open().take("K2-PIECES", "900").post()
	p.ship("X3", "K3-MEAL", "480")
	p.settle("S1", "A", "11000")
	b := p.book()

	type row struct {
		lot     lot.ID
		run     lot.RunID
		account cost.Account
		cents   string
	}
	want := []row{
		{"K1-HALVES", "", cost.OnHand, "98.22"},
		{"K1-HALVES", "", cost.ShippedOut, "163.69"},
		{"K2-PIECES", "", cost.OnHand, "98.21"},
		{"K2-PIECES", "", cost.ShippedOut, "65.48"},
		{"K3-MEAL", "", cost.ShippedOut, "26.19"},
		{"", "BATCH", cost.InProcess, "98.21"},
	}
	var got []row
	for _, c := range cost.LateChange(b.Where()) {
		got = append(got, row{c.Lot, c.Run, c.Account, c.Cents.Cents()})
	}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(row{})); d != "" {
		t.Errorf("the 550.00 (-want +got):\n%s", d)
	}
	if d := cmp.Diff([]string{"6556.48", "6556.47", "655.65"}, inCents(t, b, true)); d != "" {
		t.Errorf("recomputed at the final price (-want +got):\n%s", d)
	}
	// The source apportions each grade's cents over its balances; in millionths the odd cent of pieces falls on the other of the two equal halves.
	before := map[row]money.Amount{
		{"K1-HALVES", "", cost.ShippedOut, ""}: p.dollars("3934.11"), {"K1-HALVES", "", cost.OnHand, ""}: p.dollars("2360.46"),
		{"K2-PIECES", "", cost.ShippedOut, ""}: p.dollars("1573.64"), {"K2-PIECES", "", cost.OnHand, ""}: p.dollars("2360.46"),
		{"", "BATCH", cost.InProcess, ""}: p.dollars("2360.47"), {"K3-MEAL", "", cost.ShippedOut, ""}: p.dollars("629.46"),
	}
	for _, bal := range b.Where() {
		if want, ok := before[row{bal.Lot, bal.Run, bal.Account, ""}]; ok {
			if d := bal.Cost.Paid.Total() - want; d >= money.Cent || d <= -money.Cent {
				t.Errorf("before, %s%s account %d: got %s, want %s", bal.Lot, bal.Run, bal.Account, bal.Cost.Paid.Total(), want)
			}
		}
	}
	batch := runCost(t, b, "BATCH")
	check(t, "batch in process", batch.InProcess.String(), "900.000")
	check(t, "batch open", batch.Open, true)
}

// costing.md 4.4 C4: a bin lot at weighted average cost.
func TestBinBlend(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "6000", "6600")
	p.delivery("D2", "4000", "5200")
	p.pour("P1", "D1", "BIN", "6000")
	p.pour("P2", "D2", "BIN", "4000")
	p.ship("X1", "BIN", "7500")
	before := p.book().Where()
	p.settle("S1", "D2", "5400")
	b := p.book()
	check(t, "bin", lotCost(t, b, "BIN").Cost.Paid.Total().String(), "11800.00")
	check(t, "left", lotCost(t, b, "BIN").Held.Paid.Total().String(), "2950.00")
	check(t, "out", b.Season().Shipped.Paid.Total().String(), "8850.00")
	want := []cost.Change{
		{Lot: "BIN", Account: cost.OnHand, Exact: p.dollars("50"), Cents: p.dollars("50")},
		{Lot: "BIN", Account: cost.ShippedOut, Exact: p.dollars("150"), Cents: p.dollars("150")},
	}
	if d := cmp.Diff(want, cost.LateChange(b.Where())); d != "" {
		t.Errorf("late change (-want +got):\n%s", d)
	}
	if d := cmp.Diff(want, cost.Difference(before, b.Where())); d != "" {
		t.Errorf("difference of two states (-want +got):\n%s", d)
	}
}

// costing.md 4.4 C6: one charge over own and a customer's nuts, by pounds charged.
func TestCustomRunInSharedCharge(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("HALVES", lot.Kernel, "5.00")
	p.item("SHELL", lot.ByProductItem, "0.015")
	p.delivery("OWN", "9200", "9200")
	p.owned("THEIRS", lot.Custom, "800")
	p.charge("POOL", "2000", "R1", "R2")
	p.run("R1").take("OWN", "9200").give(lot.Main, "K1", "HALVES", "4600").post()
	p.run("R2").owner("K1").take("THEIRS", "800").give(lot.Main, "K2", "HALVES", "392").give(lot.ByProduct, "SH2", "SHELL", "400").post()
	b := p.book()
	check(t, "own run", runCost(t, b, "R1").Conversion.String(), "1840.00")
	check(t, "customer's run", runCost(t, b, "R2").Conversion.String(), "160.00")
	theirs := lotCost(t, b, "K2")
	check(t, "customer's stock cost", theirs.Cost.Paid.Stock, 0)
	check(t, "customer's service cost", theirs.Cost.Paid.Service.String(), "160.00")
	check(t, "customer's shells", lotCost(t, b, "SH2").Cost, cost.Cost{})
	check(t, "own kernel", lotCost(t, b, "K1").Cost.Paid, cost.Dollars{Stock: p.dollars("11040")})
	check(t, "owners' stock cost on hand", b.Season().OwnersStock, cost.Cost{})
}
