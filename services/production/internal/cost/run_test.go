package cost_test

import (
	"slices"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/production/internal/cost"
)

func TestOpenRun(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("HALVES", lot.Kernel, "5.00")
	p.delivery("D1", "1000", "1000")
	p.run("R1").open().take("D1", "1000").post()
	p.charge("CH1", "200", "R1")
	p.run("R1").open().after(1).give(lot.Main, "K1", "HALVES", "200").give(lot.Waste, "T", "TRASH", "50").post()
	p.ship("X1", "K1", "100")
	b := p.book()
	r := runCost(t, b, "R1")
	check(t, "process", r.Process.Paid.Stock, p.dollars("900"))
	check(t, "pounds in process", r.InProcess.String(), "750.000")
	k := lotCost(t, b, "K1")
	check(t, "a quarter is out", k.Cost.Paid.Stock, p.dollars("300"))
	check(t, "provisional", k.Provisional && r.Open, true)

	p.run("R1").after(3).give(lot.Main, "K1", "HALVES", "300").give(lot.Main, "K2", "HALVES", "100").post()
	b = p.book()
	r, k = runCost(t, b, "R1"), lotCost(t, b, "K1")
	check(t, "process at the end", r.Process, cost.Cost{})
	check(t, "all fills", k.Cost.Paid.Stock, p.dollars("1000"))
	check(t, "provisional at the end", k.Provisional, false)
	check(t, "drawn from the first fill alone", b.Season().Shipped.Paid.Stock, p.dollars("200"))
	check(t, "unaccounted", r.Unaccounted.String(), "350.000")
	check(t, "fills", len(k.Sources), 2)
}

// Outputs weighed before a dump is recorded stand on what is known.
func TestOpenRunBelowZero(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.charge("CH1", "20", "R1")
	p.run("R1").open().give(lot.Main, "K1", "HALVES", "200").post()
	r := runCost(t, p.book(), "R1")
	check(t, "pounds in process", r.InProcess.String(), "-200.000")
	check(t, "cost so far", r.Outputs[0].Cost.Paid.Stock, p.dollars("20"))
}

func TestRunWithoutMainOutput(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("SHELL", lot.ByProductItem, "0.10")
	p.delivery("D1", "100", "100")
	p.run("R1").take("D1", "100").give(lot.ByProduct, "SH", "SHELL", "50").give(lot.Waste, "T", "TRASH", "50").post()
	b := p.book()
	check(t, "abnormal", runCost(t, b, "R1").Abnormal.Paid.Stock, p.dollars("95"))
	check(t, "written off", b.Season().WrittenOff.Paid.Stock, p.dollars("95"))
	check(t, "shells", lotCost(t, b, "SH").Cost.Paid.Stock, p.dollars("5"))
}

func TestCreditIsAtMostWhatThereIs(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("SHELL", lot.ByProductItem, "3.00")
	p.item("OIL", lot.ByProductItem, "1.00")
	p.delivery("D1", "100", "100")
	p.settle("S1", "D1", "500")
	p.run("R1").take("D1", "100").give(lot.Main, "K1", "HALVES", "20").give(lot.ByProduct, "SH", "SHELL", "40").give(lot.ByProduct, "O", "OIL", "40").post()
	b := p.book()
	r := runCost(t, b, "R1")
	check(t, "paid", r.CreditPaid, p.dollars("100"))
	check(t, "final", r.CreditFinal, p.dollars("160"))
	check(t, "shells", lotCost(t, b, "SH").Cost.Paid.Stock, p.dollars("75"))
	check(t, "oil", lotCost(t, b, "O").Cost.Paid.Stock, p.dollars("25"))
	check(t, "main", lotCost(t, b, "K1").Cost, cost.Cost{Final: cost.Dollars{Stock: p.dollars("340")}})
}

func TestContributions(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("HALVES", lot.Kernel, "5.00")
	p.item("PIECES", lot.Kernel, "4.00")
	p.delivery("D1", "100", "100")
	p.delivery("D2", "100", "400")
	p.charge("CH1", "90", "R1")
	// D1: 50 lb to A and 25 to B, in value 250 : 100; D2: all to B.
	p.run("R1").take("D1", "100").take("D2", "100").give(lot.Main, "A", "HALVES", "50").give(lot.Main, "B", "PIECES", "125").
		contribution("D1", "A", "50").contribution("D1", "B", "25").contribution("D2", "B", "100").post()
	b := p.book()
	a, bb := lotCost(t, b, "A"), lotCost(t, b, "B")
	check(t, "A: 250/350 of D1, 250/750 of conversion", a.Cost.Paid.Stock.String(), "101.428571")
	check(t, "B: 100/350 of D1, all of D2, 500/750 of conversion", bb.Cost.Paid.Stock.String(), "488.571429")
	check(t, "by the table", runCost(t, b, "R1").ByTable, true)
	check(t, "A rests on D1 alone", a.Unsettled.Weight.String(), "50.000")
}

func TestSplitOffPriceInForceAtTheEnd(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("HALVES", lot.Kernel, "5.00")
	p.item("PIECES", lot.Kernel, "5.00")
	p.delivery("D1", "100", "100")
	p.run("R1").take("D1", "100").give(lot.Main, "A", "HALVES", "50").give(lot.Main, "B", "PIECES", "50").post()
	end := p.now
	p.say(lot.Production, lot.RunCompleted{Run: "R1", Version: 1, End: end})
	p.now = end
	p.item("HALVES", lot.Kernel, "15.00")
	p.item("PIECES", lot.Kernel, "1.00")
	b := p.book()
	check(t, "at the new price of the run's end", lotCost(t, b, "A").Cost.Paid.Stock, p.dollars("75"))
	early := p.say(lot.Production, lot.RunCorrected{Completed: lot.RunCompleted{Run: "R1", Version: 2, End: end.Add(-time.Second)}, Opened: lot.RunOpened{Run: "R1"}})
	if err := b.Apply(early); err != nil {
		t.Fatal(err)
	}
	check(t, "at the old price, the end corrected", lotCost(t, b, "A").Cost.Paid.Stock, p.dollars("50"))
}

func TestMixedPrices(t *testing.T) {
	t.Parallel()
	five, none := money.Price(5_000_000), money.Price(0)
	table := map[lot.ItemID]*money.Price{"A": &five, "B": &five, "ZERO": &none}
	price := func(id lot.ItemID) *money.Price { return table[id] }
	tests := []struct {
		name  string
		items []lot.ItemID
		role  lot.Role
		want  string
	}{
		{"all priced", []lot.ItemID{"A", "B"}, lot.Main, ""},
		{"none priced", []lot.ItemID{"ZERO", "OTHER"}, lot.Main, ""},
		{"one without", []lot.ItemID{"A", "OTHER"}, lot.Main, cost.ReasonMixedPrices},
		{"one worth nothing", []lot.ItemID{"ZERO", "A"}, lot.Main, cost.ReasonMixedPrices},
		{"by-products do not count", []lot.ItemID{"A", "OTHER"}, lot.ByProduct, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			var outputs []lot.RunOutput
			for _, id := range tt.items {
				outputs = append(outputs, lot.RunOutput{Item: id, Role: tt.role})
			}
			check(t, tt.name, fault.ReasonOf(cost.CheckPrices(outputs, price)), tt.want)
		})
	}
}

// A run accepted before its prices were known is split by pounds and says so, until the missing price comes.
func TestMixedPricesInTheBook(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("HALVES", lot.Kernel, "3.00")
	p.delivery("D1", "100", "100")
	p.run("R1").take("D1", "100").give(lot.Main, "A", "HALVES", "50").give(lot.Main, "B", "PIECES", "50").post()
	b := p.book()
	check(t, "fault", fault.ReasonOf(runCost(t, b, "R1").Fault), cost.ReasonMixedPrices)
	check(t, "by pounds", lotCost(t, b, "A").Cost.Paid.Stock, p.dollars("50"))
	p.item("PIECES", lot.Kernel, "1.00")
	if err := b.Apply(p.facts[len(p.facts)-1]); err != nil {
		t.Fatal(err)
	}
	check(t, "put right", runCost(t, b, "R1").Fault, nil)
	check(t, "by price", lotCost(t, b, "A").Cost.Paid.Stock, p.dollars("75"))
}

func TestCharges(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.charge("CH1", "100", "R1", "R2", "R1")
	b := p.book()
	check(t, "in the season before any run is known", b.Season().Process.Paid.Stock, p.dollars("100"))
	_, err := b.Run("R1")
	check(t, "a run that only a charge names", fault.ReasonOf(err), "run_unknown")
	p.delivery("D1", "1000", "0")
	p.run("R1").take("D1", "300").give(lot.Main, "A", "CLEAN", "300").post()
	p.run("R2").take("D1", "100").give(lot.Main, "B", "CLEAN", "100").post()
	p.say(lot.Production, lot.ChargePosted{Charge: "CH3", Runs: []lot.RunID{"R2"}, Amount: p.dollars("7"), Replaces: "CH2"})
	p.charge("CH2", "9", "R2")
	b = p.book()
	check(t, "by pounds charged", lotCost(t, b, "A").Cost.Paid.Stock, p.dollars("75"))
	check(t, "replaced, though it came later", lotCost(t, b, "B").Cost.Paid.Stock, p.dollars("32"))
	check(t, "charges of a run", len(runCost(t, b, "R2").Charges), 2)
}

func TestNewerVersionReplacesAllLines(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	p.run("R1").version(2).take("D1", "200").give(lot.Main, "B", "CLEAN", "190").post()
	p.run("R1").take("D1", "100").give(lot.Main, "A", "CLEAN", "100").post()
	b := p.book()
	check(t, "on hand", lotCost(t, b, "D1").OnHand, p.pounds("800"))
	_, err := b.Lot("A")
	check(t, "the older version, heard later", fault.ReasonOf(err), "lot_unknown")
}

func TestCountedGoods(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.say(lot.Intake, lot.Received{Lot: "BX", Source: lot.IngredientReceipt, Item: "BOX", Measure: lot.ByCount, Quantity: 300, Ownership: lot.Company})
	p.say(lot.Intake, lot.ItemChanged{Item: "TIN", ItemKind: lot.Finished, Measure: lot.ByCount, Unit: 500_000})
	p.say(lot.Intake, lot.ItemChanged{Item: "BOX", ItemKind: lot.Packaging, Measure: lot.ByCount, Unit: 100_000})
	p.delivery("D1", "100", "100")
	r := p.run("R1").take("D1", "100")
	r.body.Inputs = append(r.body.Inputs, lot.RunInput{Line: 2, Lot: "BX", Quantity: 198, At: p.now})
	r.body.Outputs = append(r.body.Outputs, lot.RunOutput{Line: 3, Lot: "F", Item: "TIN", Measure: lot.ByCount, Quantity: 198, Role: lot.Main, At: p.now})
	r.post()
	b := p.book()
	got := runCost(t, b, "R1")
	check(t, "packaging weighs nothing in the balance", got.Input.String(), "100.000")
	check(t, "pieces at their weight", got.Unaccounted.String(), "1.000")
	check(t, "per piece", decimal(t, lotCost(t, b, "F").PaidPerUnit()), "0.505051")

	late := cost.New()
	for _, f := range slices.Backward(p.facts) {
		if err := late.Apply(f); err != nil {
			t.Fatal(err)
		}
		late.Settle()
	}
	check(t, "the same where items and lots become known last", runCost(t, late, "R1").Input, got.Input)
}

func TestCents(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		in   []money.Amount
		want []money.Amount
	}{
		{"nothing", nil, []money.Amount{}},
		{"thirds", []money.Amount{3_333, 3_333, 3_334}, []money.Amount{0, 0, 10_000}},
		{"a tie goes to the first", []money.Amount{5_000, 5_000}, []money.Amount{10_000, 0}},
		{"below zero by absolute value", []money.Amount{-5_000, -5_000}, []money.Amount{-10_000, 0}},
		{"mixed signs floored", []money.Amount{-5_000, 25_000, 10_000}, []money.Amount{0, 20_000, 10_000}},
		{"half a cent in all", []money.Amount{2_500, 2_500}, []money.Amount{10_000, 0}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got := cost.Cents(tt.in)
			if len(got) != len(tt.want) {
				t.Fatalf("%v: got %v, want %v", tt.in, got, tt.want)
			}
			for i := range got {
				if got[i] != tt.want[i] {
					t.Errorf("%v: got %v, want %v", tt.in, got, tt.want)
				}
			}
		})
	}
}
