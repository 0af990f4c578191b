package main

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// corrections puts a delivery right after part of it was shipped. It catches a correction that rewrites what was, one that lets a lot go below
// nothing, one that stops at the corrected lot, and a past answer that is read from the live index.
func corrections(t *testing.T, p *planttest.Three, tr *trade) {
	done(t, tr.intake.RecordDelivery, tr.delivery("E-D", 1_000, 1_000_000, 1))
	done(t, tr.production.RecordRun, tr.pass("E-R", "shell", 2, cents(5_000), input("E-D", 800), output("E-N", "KERNEL", 400)))
	done(t, tr.inventory.ShipGoods, tr.sale("E-X", 3, shipped("E-N", 100)))
	vector := asOf(t, tr)
	questions := [][]string{{"drill", "E-D"}, {"origins", "E-N"}, {"cost", "lot", "E-N"}, {"cost", "run", "E-R"}, {"balance"}}
	yesterday := tr.askAll(t, vector, questions)

	correct := func(name string, pounds int64, change func(*intakev1.CorrectDeliveryRequest)) (*intakev1.CorrectDeliveryResponse, error) {
		req := &intakev1.CorrectDeliveryRequest{
			CommandId: id("correct " + name), Lot: "E-D", Delivery: tr.delivery("E-D", pounds, 1_000_000, 1).GetDelivery(), Reason: "the ticket was keyed wrong",
		}
		if change != nil {
			change(req)
		}
		return send(t, tr.intake.CorrectDelivery, req)
	}
	// 900 lb were received at 1.00, of which 800 went into the run; the run's cost stays 800.00 + 50.00.
	if _, err := correct("E 900", 900, nil); err != nil {
		t.Fatalf("correct to 900 lb: %v", err)
	}
	tr.wantStock(t, "E-D", 100)
	wantCents(t, "rest of the delivery", tr.lotCost(t, "E-D").GetOnHandCost().GetPaidStockMicros(), 10_000)
	wantCents(t, "kernel", tr.lotCost(t, "E-N").GetCost().GetPaidStockMicros(), 85_000)

	// 700 lb would undercut the 800 used: refused with the two ways out, nothing happened.
	_, err := correct("E 700", 700, nil)
	if fault.ReasonOf(err) != "stock_short" || !strings.Contains(err.Error(), "same set") || !strings.Contains(err.Error(), "pay weight") {
		t.Errorf("correct to 700 lb: %v; want stock_short with the two ways out", err)
	}
	tr.wantStock(t, "E-D", 100)

	// With the run in the same set: 700 lb in, all used, 350 lb of kernel made, of which 100 are shipped.
	_, err = correct("E 700 with its run", 700, func(req *intakev1.CorrectDeliveryRequest) {
		req.Runs = []*eventv1.RunPosted{{
			Run: "E-R", Version: 2, Stage: "shell", Final: true,
			Inputs:  []*eventv1.RunInput{{Line: 1, Lot: "E-D", Quantity: lb(700), At: tr.at(2, 1)}},
			Outputs: []*eventv1.RunOutput{{Line: 2, Lot: "E-N", Item: "KERNEL", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: lb(350), Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: tr.at(2, 2)}},
		}}
	})
	if err != nil {
		t.Fatalf("correct to 700 lb with the run: %v", err)
	}
	tr.wantStock(t, "E-D", 0)
	tr.wantStock(t, "E-N", 250)
	wantCents(t, "kernel of the corrected run", tr.lotCost(t, "E-N").GetCost().GetPaidStockMicros(), 75_000)
	if got := done(t, tr.production.GetRun, &productionv1.GetRunRequest{Run: "E-R"}).GetRun().GetLines().GetVersion(); got != 2 {
		t.Errorf("run E-R stands at version %d, want 2", got)
	}
	if diff := cmp.Diff(yesterday, tr.askAll(t, vector, questions)); diff != "" {
		t.Errorf("yesterday's vector %s (-yesterday +today):\n%s", vector, diff)
	}
	for _, service := range planttest.Services() {
		p.Restart(t, service)
	}
	if diff := cmp.Diff(yesterday, tr.askAll(t, vector, questions)); diff != "" {
		t.Errorf("yesterday's vector after a restart (-yesterday +today):\n%s", diff)
	}
}

// asOf is the vector that the balance now prints.
func asOf(t *testing.T, tr *trade) string {
	t.Helper()
	var b balanceObject
	planttest.Decode(t, tr.ask(t, "balance"), &b)
	return b.AsOf
}

// askAll asks the questions at a vector; the balance without the weigh feed, which has no past.
func (tr *trade) askAll(t *testing.T, vector string, questions [][]string) map[string]string {
	t.Helper()
	out := map[string]string{}
	for _, q := range questions {
		out[strings.Join(q, " ")] = tr.ask(t, append(append([]string{}, q...), "--as-of", vector)...)
	}
	return out
}

// backdated dumps into an open run at a time before a shipment that was recorded earlier: accepted while the lot never falls below nothing, refused
// with how much there was and when where it would. It catches a guard that looks at the latest balance only.
func backdated(t *testing.T, _ *planttest.Three, tr *trade) {
	done(t, tr.intake.RecordDelivery, tr.delivery("B-D", 1_000, 1_000_000, 1))
	done(t, tr.inventory.ShipGoods, tr.sale("B-X", 6, shipped("B-D", 700)))
	done(t, tr.intake.RecordDelivery, tr.delivery("B-E", 500, 3_000_000, 7))
	done(t, tr.production.OpenRun, &productionv1.OpenRunRequest{CommandId: id("open B"), Run: "B-R", Stage: "shell", Start: tr.at(2, 0)})
	dump := func(name, lot string, pounds int64, day int) error {
		_, err := send(t, tr.production.DumpInput, &productionv1.DumpInputRequest{
			CommandId: id("dump " + name), Run: "B-R", Input: &productionv1.InputLine{Lot: lot, Quantity: lb(pounds), DumpedFrom: tr.at(day, 0)},
		})
		return err
	}
	if err := dump("B 300", "B-D", 300, 2); err != nil {
		t.Fatalf("a dump before the shipment, of what was never needed: %v", err)
	}
	tr.wantStock(t, "B-D", 0)
	// At day 2 there were 700 lb, but the shipment of day 6 left nothing.
	err := dump("B 1", "B-D", 1, 2)
	if fault.ReasonOf(err) != "stock_short" || !strings.Contains(err.Error(), "B-D") {
		t.Errorf("a dump before the shipment, of what the shipment took: %v; want stock_short naming the lot", err)
	}
	err = dump("B early", "B-E", 10, 3)
	if fault.ReasonOf(err) != "before_birth" {
		t.Errorf("a dump before the lot came: %v; want before_birth", err)
	}
	// The 300 lb are the run's; the shipment's 700 lb keep 700.00 of the 1,000.00.
	var b runCostObject
	planttest.Decode(t, tr.ask(t, "cost", "run", "B-R"), &b)
	if b.Material != "300.0" || !b.Open {
		t.Errorf("open run B-R: %s $ of material, open %t; want 300.0 and open", b.Material, b.Open)
	}
	done(t, tr.production.FillOutput, &productionv1.FillOutputRequest{CommandId: id("fill B"), Run: "B-R", Output: &productionv1.OutputLine{
		Lot: "B-N", Item: "KERNEL", Quantity: lb(140), Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, FilledTo: tr.at(2, 3),
	}})
	done(t, tr.inventory.ShipGoods, tr.sale("B-Y", 3, shipped("B-N", 40)))
	done(t, tr.production.CompleteRun, &productionv1.CompleteRunRequest{CommandId: id("complete B"), Run: "B-R", End: tr.at(4, 0)})
	wantCents(t, "kernel", tr.lotCost(t, "B-N").GetCost().GetPaidStockMicros(), 30_000)
}

// busAway stops NATS: commands are accepted and answers stay complete; once it is back with nothing in it, everything arrives. It catches a command
// that waits for the bus, and a consumer that trusts the stream to hold what it missed.
func busAway(t *testing.T, p *planttest.Three, tr *trade) {
	p.Bus.Stop()
	for _, service := range planttest.Services() {
		if r := p.Probe(t, service); r.Code != exitDone || !strings.Contains(r.Out, service) {
			t.Errorf("%s without the bus: exit %d, %s%s; want 0: ready, if degraded", service, r.Code, r.Out, r.Err)
		}
	}
	run := tr.ran(t, "A-D1")
	if _, err := run.send(t); err != nil {
		t.Fatalf("a run while the bus is away: %v", err)
	}
	run.check(t)
	p.Bus.LoseFolder(t)
	sale := tr.sold(t, "A-D2")
	if _, err := sale.send(t); err != nil {
		t.Fatalf("a sale after the bus lost all: %v", err)
	}
	sale.check(t)
	run.check(t)
	require.Eventually(t, func() bool { return p.Bus.StreamMessages(t) > 0 }, commandLimit, 20*time.Millisecond, "the stream is made again and takes events")
	p.Bus.DeleteStream(t)
	late := tr.sold(t, "A-D3")
	if _, err := late.send(t); err != nil {
		t.Fatalf("a sale after the stream was deleted: %v", err)
	}
	late.check(t)
}
