package main

import (
	"encoding/json"
	"strings"
	"testing"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// overdrawn dumps a walk-in bin into a run to a pound over its book, then corrects the run to the book. It catches a gain that takes dollars, one that
// is counted again when the command is, one that other services do not hear of, and one that stays when its draw is corrected.
func overdrawn(t *testing.T, p *planttest.Three, tr *trade) {
	done(t, tr.inventory.RegisterPlace, &inventoryv1.RegisterPlaceRequest{
		CommandId: id("place O"), Place: &inventoryv1.Place{Place: "BIN-O", Name: "Bin O", Bin: true, OverBookMicropounds: lb(2)},
	})
	done(t, tr.intake.RecordDelivery, tr.delivery("O-A", 60, 1_000_000, 1))
	done(t, tr.intake.RecordDelivery, tr.delivery("O-B", 40, 2_000_000, 1))
	for i, lot := range []string{"O-A", "O-B"} {
		done(t, tr.inventory.RecordPour, &inventoryv1.RecordPourRequest{
			CommandId: id("pour " + lot), Pour: "P-" + lot, BinLot: "O-BIN", Claimant: id("bin O"), Lot: lot, Quantity: lb([]int64{60, 40}[i]), BinPlace: "BIN-O",
			Effective: tr.at(2, i),
		})
	}
	before := tr.totals(t)
	done(t, tr.production.OpenRun, &productionv1.OpenRunRequest{CommandId: id("open O"), Run: "O-R", Stage: "shell", Start: tr.at(3, 0)})
	dump := func(name string, pounds int64, hour int) error {
		_, err := send(t, tr.production.DumpInput, &productionv1.DumpInputRequest{
			CommandId: id("dump O " + name), Run: "O-R", Input: &productionv1.InputLine{Lot: "O-BIN", Quantity: lb(pounds), Place: "BIN-O", DumpedFrom: tr.at(3, hour)},
		})
		return err
	}
	for _, name := range []string{"first", "second", "second"} { // the second one again
		if err := dump(name, map[string]int64{"first": 60, "second": 41}[name], map[string]int{"first": 1, "second": 2}[name]); err != nil {
			t.Fatalf("dump %s: %v", name, err)
		}
	}
	if err := dump("third", 2, 3); fault.ReasonOf(err) != "bin_over_tolerance" || !strings.Contains(err.Error(), "by 2.000 lb in all, and would by 3.000 lb") {
		t.Errorf("a third dump: %v; want bin_over_tolerance with what is allowed", err)
	}
	done(t, tr.production.FillOutput, &productionv1.FillOutputRequest{CommandId: id("fill O"), Run: "O-R", Output: &productionv1.OutputLine{
		Lot: "O-K", Item: "KERNEL", Quantity: lb(50), Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, FilledTo: tr.at(3, 4),
	}})
	done(t, tr.production.CompleteRun, &productionv1.CompleteRunRequest{CommandId: id("complete O"), Run: "O-R", End: tr.at(3, 5)})

	// 60.00 and 80.00 were paid for 100 lb; all of it is in the kernel. 51 lb are unaccounted in the run, one was gained in the bin.
	tr.wantStock(t, "O-BIN", 0)
	wantCents(t, "kernel", tr.lotCost(t, "O-K").GetCost().GetPaidStockMicros(), 14_000)
	if got := tr.totals(t).GetUnaccountedMicropounds() - before.GetUnaccountedMicropounds(); got != lb(51-1) {
		t.Errorf("unaccounted by %d more, want 51 lb lost less 1 lb gained", got)
	}
	for _, q := range []question{
		{[]string{"drill", "O-BIN"}, map[string]object{"": {"used_lb": json.Number("101"), "own_on_hand_lb": json.Number("0"), "affected_lots": []any{"O-K"}}}},
		{[]string{"origins", "O-K"}, map[string]object{"origins": {"O-A": json.Number("0.6"), "O-B": json.Number("0.4")}}},
	} {
		for _, d := range q.differences(t, tr.ask(t, q.args...)) {
			t.Error(d)
		}
	}
	for _, line := range tr.totals(t).GetProof() {
		if line.GetDifference() != 0 {
			t.Errorf("proof %s: off by %d", line.GetName(), line.GetDifference())
		}
	}

	if out := p.Call(t, "verify"); out.Code != exitDone {
		t.Errorf("verify while the gain stands: exit %d\n%s%s", out.Code, out.Out, out.Err)
	}

	done(t, tr.production.CorrectRun, &productionv1.CorrectRunRequest{CommandId: id("correct O"), Reason: "the scale was misread", Run: &productionv1.RunFacts{
		Run: "O-R", Stage: "shell", Start: tr.at(3, 0), End: tr.at(3, 5), Outputs: []*productionv1.OutputLine{output("O-K", "KERNEL", 50)},
		Inputs: []*productionv1.InputLine{
			{Lot: "O-BIN", Quantity: lb(60), Place: "BIN-O", DumpedFrom: tr.at(3, 1)}, {Lot: "O-BIN", Quantity: lb(40), Place: "BIN-O", DumpedFrom: tr.at(3, 2)},
		},
	}})
	tr.wantStock(t, "O-BIN", 0)
	if got := tr.totals(t).GetUnaccountedMicropounds() - before.GetUnaccountedMicropounds(); got != lb(50) {
		t.Errorf("after the correction unaccounted by %d more, want 50 lb", got)
	}
	wantCents(t, "kernel after the correction", tr.lotCost(t, "O-K").GetCost().GetPaidStockMicros(), 14_000)
	tolerancesEnd(t, p, tr)
}

// tolerancesEnd draws an earlier lot of a bin once another lies there, before that came, and a lot that was seen empty. It catches a tolerance that is
// asked of the bin alone, and one that goes by the order in which draws become known.
func tolerancesEnd(t *testing.T, p *planttest.Three, tr *trade) {
	done(t, tr.intake.RecordDelivery, tr.delivery("O-C", 30, 1_000_000, 4))
	done(t, tr.inventory.RecordPour, &inventoryv1.RecordPourRequest{
		CommandId: id("pour O-C"), Pour: "P-O-C", BinLot: "O-BIN-2", Claimant: id("bin O 2"), Lot: "O-C", Quantity: lb(30), BinPlace: "BIN-O", Effective: tr.at(5, 0),
	})
	done(t, tr.production.OpenRun, &productionv1.OpenRunRequest{CommandId: id("open O2"), Run: "O-R2", Stage: "shell", Start: tr.at(3, 0)})
	dump := func(of string, pounds int64, day, hour int) error {
		_, err := send(t, tr.production.DumpInput, &productionv1.DumpInputRequest{
			CommandId: id("dump O2 " + of + tr.at(day, hour).String()), Run: "O-R2",
			Input: &productionv1.InputLine{Lot: of, Quantity: lb(pounds), Place: "BIN-O", DumpedFrom: tr.at(day, hour)},
		})
		return err
	}
	refused := func(what string, err error, says string) {
		t.Helper()
		if fault.ReasonOf(err) != "stock_short" || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v; want stock_short that says %q", what, err, says)
		}
	}
	refused("a lot under another", dump("O-BIN", 1, 5, 1), "lot O-BIN-2 came there")
	if err := dump("O-BIN", 1, 4, 0); err != nil { // told later, and from before the other came
		t.Errorf("a draw of before: %v", err)
	}
	done(t, tr.inventory.EmptyBin, &inventoryv1.EmptyBinRequest{CommandId: id("empty O2"), Emptying: "E-O2", BinLot: "O-BIN-2", Place: "BIN-O", Effective: tr.at(6, 0)})
	refused("a lot that was seen empty", dump("O-BIN-2", 1, 6, 1), "it was seen empty")
	if err := dump("O-BIN-2", 1, 5, 2); err != nil { // the emptying found a pound more than the book then has
		t.Errorf("a draw of before the bin was empty: %v", err)
	}
	done(t, tr.production.CompleteRun, &productionv1.CompleteRunRequest{CommandId: id("complete O2"), Run: "O-R2", End: tr.at(7, 0)})
	if out := p.Call(t, "verify"); out.Code != exitDone {
		t.Errorf("verify after the tolerances ended: exit %d\n%s%s", out.Code, out.Out, out.Err)
	}
}
