package cost_test

import (
	"slices"
	"testing"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/proof"
)

func TestMoistureLeavesDollarsAndDamageTakesThem(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	p.adjust("A1", "D1", "-200", moisture)
	p.adjust("A2", "D1", "-80", damage)
	p.adjust("A3", "D1", "5", count)
	b := p.book()
	d := lotCost(t, b, "D1")
	check(t, "on hand", d.OnHand, p.pounds("725"))
	check(t, "held", d.Held.Paid.Stock, p.dollars("900"))
	s := b.Season()
	check(t, "written off", s.WrittenOff.Paid.Stock, p.dollars("100"))
	check(t, "adjusted", s.All.Adjusted.String(), "-280.000")
	check(t, "unaccounted", s.All.Unaccounted.String(), "-5.000")
}

func TestEmptiedLotLeavesAbnormalLoss(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	p.ship("X1", "D1", "900")
	p.adjust("A1", "D1", "-100", moisture)
	b := p.book()
	d := lotCost(t, b, "D1")
	check(t, "held", d.Held, cost.Cost{})
	check(t, "abnormal", d.Abnormal.Paid.Stock, p.dollars("100"))
	check(t, "season", b.Season().WrittenOff.Paid.Stock, p.dollars("100"))
}

// Withdrawals at one instant: a run before a pour before an adjustment before a shipment, whatever order they are said in.
func TestOrderAtOneInstant(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	at := p.now
	p.ship("X1", "D1", "100")
	p.now = at
	p.adjust("A1", "D1", "-400", moisture)
	p.now = at
	p.pour("P1", "D1", "BIN", "100")
	p.now = at
	p.run("R1").take("D1", "100").give(lot.Main, "B1", "CLEAN", "100").post()
	p.now = at
	p.run("R0").take("B1", "100").give(lot.Main, "B2", "CLEAN", "100").post() // named to sort before the run that makes its input
	b := p.book()
	check(t, "run on a run", lotCost(t, b, "B2").Cost.Paid.Stock, p.dollars("100"))
	check(t, "run, before the moisture went", lotCost(t, b, "B1").Cost.Paid.Stock, p.dollars("100"))
	check(t, "pour, before the moisture went", lotCost(t, b, "BIN").Cost.Paid.Stock, p.dollars("100"))
	check(t, "shipment, after", b.Season().Shipped.Paid.Stock, p.dollars("200"))
}

// Two adjustments of one instant: what fills comes before what draws, whatever their names, as stock has it. Break it catches: rank 40 for both,
// where the draw would come first by its name and take $500.
func TestGainBeforeLossAtOneInstant(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	at := p.now
	p.adjust("A1", "D1", "-500", damage)
	p.now = at
	p.adjust("A2", "D1", "1000", count)
	b := p.book()
	check(t, "written off", b.Season().WrittenOff.Paid.Stock, p.dollars("250"))
	check(t, "held", lotCost(t, b, "D1").Held.Paid.Stock, p.dollars("750"))
}

func TestReturnsTakeTheirPartOfTheLine(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	p.say(lot.Inventory, lot.Returned{Return: "RT0", Shipment: "NONE", Line: 1, Origin: "D1", Lot: "V0", Item: "IN", Measure: lot.ByWeight, Quantity: p.pounds("1")})
	p.ship("X1", "D1", "300")
	p.say(lot.Inventory, lot.Returned{Return: "RT1", Shipment: "X1", Line: 1, Origin: "D1", Lot: "V1", Item: "IN", Measure: lot.ByWeight, Quantity: p.pounds("100")})
	p.say(lot.Inventory, lot.Returned{Return: "RT2", Shipment: "X1", Line: 1, Origin: "D1", Lot: "V2", Item: "IN", Measure: lot.ByWeight, Quantity: p.pounds("200")})
	b := p.book()
	check(t, "first", lotCost(t, b, "V1").Cost.Paid.Stock, p.dollars("100"))
	check(t, "second", lotCost(t, b, "V2").Cost.Paid.Stock, p.dollars("200"))
	check(t, "of an unknown line", lotCost(t, b, "V0").Cost, cost.Cost{})
	check(t, "shipped", b.Season().Shipped, cost.Cost{})
	check(t, "shipped pounds", b.Season().All.Shipped.String(), "300.000")
}

func TestEmptiedBinRemainderIsUnaccountedAtCost(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	p.pour("P1", "D1", "BIN", "1000")
	p.ship("X1", "BIN", "990")
	p.say(lot.Inventory, lot.BinEmptied{Bin: "BIN", Remainder: p.pounds("10"), Emptying: "E1"})
	s := p.book().Season()
	check(t, "written off", s.WrittenOff.Paid.Stock, p.dollars("10"))
	check(t, "unaccounted", s.All.Unaccounted.String(), "10.000")
	check(t, "on hand", s.All.OnHand, 0)
}

func TestFinalPrices(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	later := p.now.Add(time.Hour)
	p.settle("S3", "D1", "1300")
	p.now = later
	p.settle("S1", "D1", "1100")
	p.now = later
	p.settle("S2", "D1", "1200")
	d := lotCost(t, p.book(), "D1")
	check(t, "the latest, then the greatest id", d.Cost.Final.Stock, p.dollars("1200"))
	check(t, "first paid", d.Cost.Paid.Stock, p.dollars("1000"))
	check(t, "unsettled", d.Unsettled, cost.Unsettled{})
}

func TestUnsettledPartFollowsThePounds(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("CLEAN", lot.InShell, "")
	p.delivery("D1", "1000", "1000")
	p.delivery("D2", "3000", "6000")
	p.settle("S1", "D2", "6000")
	p.run("R1").take("D1", "500").take("D2", "1500").give(lot.Main, "B1", "CLEAN", "1600").post()
	b := p.book()
	got := lotCost(t, b, "B1").Unsettled
	check(t, "dollars", got.Dollars, p.dollars("500"))
	check(t, "pounds", got.Weight.String(), "400.000")
	check(t, "of the delivery on hand", lotCost(t, b, "D1").HeldUnsettled.Dollars, p.dollars("500"))
}

func TestCorrectedDelivery(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	d1 := p.delivery("D1", "1000", "1000")
	d2 := p.delivery("D2", "500", "500")
	d3 := p.delivery("D3", "1000", "2000")
	p.ship("X1", "D3", "1000")
	d1.Quantity, d1.Purchase = p.pounds("900"), p.dollars("900")
	p.say(lot.Intake, lot.DeliveryCorrected{Version: 3, Now: d1})
	d1.Quantity = p.pounds("1")
	p.say(lot.Inventory, lot.Corrected{Correction: "C1", Deliveries: []lot.DeliveryCorrected{{Version: 2, Now: d1}, {Version: 2, Voided: true, Now: d2}}})
	d3.Purchase = p.dollars("1900")
	p.say(lot.Intake, lot.DeliveryCorrected{Version: 2, Now: d3, ReceivingVariance: p.pounds("-50")})
	b := p.book()
	check(t, "the highest version", lotCost(t, b, "D1").Made, p.pounds("900"))
	_, err := b.Lot("D2")
	check(t, "voided", fault.ReasonOf(err), "lot_unknown")
	s := b.Season()
	check(t, "deliveries", s.Deliveries, 2)
	check(t, "pay weight alone: shipped at what was paid", s.Shipped.Paid.Stock, p.dollars("1900"))
	check(t, "pay weight alone: pounds", s.Variance.String(), "-50.000")
	check(t, "received", s.All.Received.String(), "1900.000")
}

func TestCorrectionSetReplacesByName(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	early := p.now
	p.pour("P1", "D1", "BIN", "100")
	p.pour("P2", "D1", "BIN", "200")
	p.adjust("A1", "D1", "-50", damage)
	p.ship("X1", "D1", "100")
	p.run("R1").take("D1", "100").give(lot.Main, "B1", "CLEAN", "100").post()
	p.now = early.Add(24 * time.Hour)
	r := p.run("R1").version(2).take("D1", "150").give(lot.Main, "B2", "CLEAN", "140")
	p.say(lot.Inventory, lot.Corrected{
		Correction:  "C1",
		Runs:        []lot.RunPosted{r.body},
		Pours:       []lot.Poured{{Pour: "P1", Bin: "BIN", Item: "IN", Measure: lot.ByWeight, Lot: "D1"}},
		Adjustments: []lot.Adjusted{{Adjustment: "A1", Lot: "D1", Delta: p.pounds("-20"), Account: damage}},
		Shipments:   []lot.Shipped{{Shipment: "X1", Lines: []lot.ShipmentLine{{Line: 1, Lot: "D1", Quantity: p.pounds("110")}}}},
	})
	b := p.book()
	check(t, "bin", lotCost(t, b, "BIN").Made, p.pounds("200"))
	check(t, "left", lotCost(t, b, "D1").OnHand, p.pounds("520"))
	check(t, "new output", lotCost(t, b, "B2").Cost.Paid.Stock, p.dollars("150"))
	_, err := b.Lot("B1")
	check(t, "old output", fault.ReasonOf(err), "lot_unknown")
	s := b.Season()
	check(t, "shipped", s.Shipped.Paid.Stock, p.dollars("110"))
	check(t, "written off", s.WrittenOff.Paid.Stock, p.dollars("20"))
}

// A correction keeps the time of the fact it corrects: here the pour still comes before the moisture loss.
func TestCorrectionKeepsTheTime(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "1000", "1000")
	p.pour("P1", "D1", "BIN", "100")
	p.adjust("A1", "D1", "-450", moisture)
	p.say(lot.Inventory, lot.Corrected{Pours: []lot.Poured{{Pour: "P1", Bin: "BIN", Item: "IN", Measure: lot.ByWeight, Lot: "D1", Quantity: p.pounds("200")}}})
	check(t, "bin", lotCost(t, p.book(), "BIN").Cost.Paid.Stock, p.dollars("200"))
	p.facts[1], p.facts[3] = p.facts[3], p.facts[1]
	check(t, "bin, the correction known first", lotCost(t, p.book(), "BIN").Cost.Paid.Stock, p.dollars("200"))
}

func TestTitlePasses(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("CLEAN", lot.InShell, "")
	p.owned("D1", lot.Custom, "1000")
	p.charge("CH1", "100", "R1")
	p.run("R1").owner("K1").take("D1", "1000").give(lot.Main, "B1", "CLEAN", "1000").post()
	p.say(lot.Intake, lot.Bought{Purchase: "B-1", Lot: "B1", NewLot: "N1", Owner: "K1", Quantity: p.pounds("400"), Price: p.dollars("800")})
	p.owned("D2", lot.SellersOwn, "500")
	check(t, "seller's own", lotCost(t, p.book(), "D2").Cost, cost.Cost{})
	p.say(lot.Intake, lot.Bought{Purchase: "B-2", Lot: "D2", NewLot: "D2", Owner: "K1", Quantity: p.pounds("500"), Price: p.dollars("750")})
	p.settle("S1", "D2", "760")
	b := p.book()
	bought := lotCost(t, b, "N1")
	check(t, "new lot", bought.Cost.Paid, cost.Dollars{Stock: p.dollars("800")})
	check(t, "new lot's item", bought.Item, "CLEAN")
	check(t, "new lot's owner", bought.Owner, "")
	check(t, "what stays the owner's", lotCost(t, b, "B1").Held.Paid, cost.Dollars{Service: p.dollars("60")})
	ticket := lotCost(t, b, "D2")
	check(t, "ticket bought whole", ticket.Cost.Final.Stock, p.dollars("760"))
	check(t, "its pounds", ticket.Made, p.pounds("500"))
	check(t, "its owner", ticket.Owner, "")
	s := b.Season()
	check(t, "cost of service", s.LeftService.Paid, cost.Dollars{Service: p.dollars("40")})
	check(t, "owners' pounds bought", s.Owners.Bought.String(), "900.000")
}

func TestFactsWaitForTheLot(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.ship("X1", "D1", "100")
	p.settle("S1", "D1", "1100")
	b := p.book()
	_, err := b.Lot("D1")
	check(t, "before", fault.KindOf(err), fault.KindNotFound)
	p.now = p.now.Add(-time.Hour)
	p.delivery("D1", "1000", "1000")
	if err := b.Apply(p.facts[len(p.facts)-1]); err != nil {
		t.Fatal(err)
	}
	d := lotCost(t, b, "D1")
	check(t, "held", d.Held.Final.Stock, p.dollars("990"))
	check(t, "short", d.Short, false)
}

func TestShortLot(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "100", "100")
	p.ship("X1", "D1", "150")
	b := p.book()
	d := lotCost(t, b, "D1")
	check(t, "short", d.Short, true)
	check(t, "on hand", d.OnHand, p.pounds("-50"))
	check(t, "all dollars gone with it", b.Season().Shipped.Paid.Stock, p.dollars("100"))
}

func TestCircleIsSaid(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.delivery("D1", "100", "100")
	p.pour("P3", "D1", "BIN1", "100")
	p.pour("P1", "BIN1", "BIN2", "10")
	p.pour("P2", "BIN2", "BIN1", "10")
	b := p.book()
	_, err := b.Lot("BIN2")
	check(t, "in the circle", fault.ReasonOf(err), "cost_circle")
	check(t, "outside", lotCost(t, b, "D1").OnHand, 0)
	check(t, "counted", b.Season().Stuck, 2)
	fix := p.say(lot.Inventory, lot.Corrected{Pours: []lot.Poured{{Pour: "P2", Bin: "BIN1", Lot: "BIN2", Measure: lot.ByWeight}}})
	if err := b.Apply(fix); err != nil {
		t.Fatal(err)
	}
	check(t, "once broken", lotCost(t, b, "BIN2").Cost.Paid.Stock, p.dollars("10"))
}

func TestApplyRefuses(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		body lot.Body
		want string
	}{
		{"negative pounds", lot.Poured{Pour: "P", Bin: "B", Lot: "L", Quantity: -1}, "cost_negative_quantity"},
		{"negative input", lot.RunPosted{Run: "R", Inputs: []lot.RunInput{{Lot: "L", Quantity: -1}}}, "cost_negative_quantity"},
		{"beyond the ledger", lot.ChargePosted{Charge: "C", Amount: 1 << 62}, "cost_out_of_range"},
		{"beyond the ledger below zero", lot.ChargePosted{Charge: "C", Amount: -1 << 63}, "cost_out_of_range"},
		{"no use for it", lot.Moved{Movement: "M", Lot: "L", Quantity: 5}, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			err := cost.New().Apply(lot.Recorded{Event: lot.Event{Body: tt.body}})
			check(t, tt.name, fault.ReasonOf(err), tt.want)
		})
	}
}

func TestKernelOfFinishedLot(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("HALVES", lot.Kernel, "5.00")
	p.item("BRITTLE", lot.Finished, "")
	p.say(lot.Intake, lot.Received{Lot: "K", Source: lot.IngredientReceipt, Item: "HALVES", Measure: lot.ByWeight, Quantity: p.pounds("100"), Ownership: lot.Company, Purchase: p.dollars("400")})
	p.say(lot.Intake, lot.Received{Lot: "S", Source: lot.IngredientReceipt, Item: "SUGAR", Measure: lot.ByWeight, Quantity: p.pounds("100"), Ownership: lot.Company, Purchase: p.dollars("50")})
	p.charge("CH", "30", "R1")
	p.run("R1").take("K", "50").take("S", "100").give(lot.Main, "F1", "BRITTLE", "100").give(lot.Main, "F2", "BRITTLE", "40").post()
	p.adjust("A1", "F1", "-20", moisture)
	p.run("R2").take("F1", "40").give(lot.Main, "F3", "BRITTLE", "39").post()
	b := p.book()
	f2 := lotCost(t, b, "F2")
	check(t, "kernel in F2", f2.Kernel.Weight.String(), "14.285714")
	f3 := lotCost(t, b, "F3")
	check(t, "kernel in F3: half of what moisture left", f3.Kernel.Weight.String(), "14.285714")
	check(t, "its dollars: half of all", f3.Kernel.Paid.String(), "71.428571")
	check(t, "per lb", decimal(t, f3.KernelPaidPerPound()), "5.0000")
}

// A draw of a bin lot over its book takes all that the lot still holds: the gain at the same moment stands before it, whatever the names are and whichever
// is heard first, and brings pounds without dollars. The deliberate break it catches: a gain that stands with the adjustments of its moment, so
// that the draw finds too little and what comes after it finds pounds without dollars.
func TestGainBeforeItsDraw(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.item("IN", lot.InShell, "")
	p.item("CLEAN", lot.InShell, "")
	p.delivery("D-1", "100", "200")
	p.pour("P-1", "D-1", "BIN", "100")
	p.run("A-1").take("BIN", "60").give(lot.Main, "C-1", "CLEAN", "60").post()
	at := p.now
	p.say(lot.Inventory, lot.Adjusted{Adjustment: "over-book/run/A-2/1/1", Lot: "BIN", Delta: p.pounds("10"), Account: count, DrawnBy: "run/A-2"})
	second := p.run("A-2").take("BIN", "40").give(lot.Main, "C-2", "CLEAN", "40")
	second.body.Inputs[0].At = at
	second.post()
	p.ship("X-1", "BIN", "10")
	for _, facts := range [][]lot.Recorded{p.facts, reversed(p.facts)} {
		b := fold(t, facts)
		check(t, "first draw", lotCost(t, b, "C-1").Cost.Paid.Stock, p.dollars("120"))
		check(t, "second draw: 40 of 50 lb", lotCost(t, b, "C-2").Cost.Paid.Stock, p.dollars("64"))
		s := b.Season()
		check(t, "shipped", s.Shipped.Paid.Stock, p.dollars("16"))
		check(t, "unaccounted", lot.Quantity(s.All.Unaccounted), -p.pounds("10"))
		check(t, "short", s.Short, 0)
		for _, l := range proof.Season(s, b.Where()) {
			check(t, l.Name, l.Difference(), 0)
		}
	}
}

func reversed(facts []lot.Recorded) []lot.Recorded {
	out := slices.Clone(facts)
	slices.Reverse(out)
	return out
}
