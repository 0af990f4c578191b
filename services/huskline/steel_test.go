package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/planttest"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// TestThree trades on three processes: the thread from a delivery to a drill, the worked examples, corrections, and the bus taken away.
func TestThree(t *testing.T) {
	t.Parallel()
	p, tr := threeTrade(t)
	for _, part := range []struct {
		name string
		test func(*testing.T, *planttest.Three, *trade)
	}{
		{"thread", steelThread}, {"joint cost", jointCost}, {"blend", blend}, {"overdrawn", overdrawn}, {"toll", toll}, {"corrections", corrections}, {"backdated", backdated}, {"bus away", busAway},
		{"units", units}, {"machines", machines},
	} {
		if !t.Run(part.name, func(t *testing.T) { part.test(t, p, tr) }) {
			t.Log(p.Logs())
		}
	}
	tr.ask(t, "drill", "U-D") // complete as of every head, so that inventory has applied what was delivered last
	if out := p.Call(t, "verify"); out.Code != exitDone {
		t.Errorf("verify: exit %d\n%s\n%s", out.Code, out.Out, out.Err)
	}
}

// steelThread takes one delivery through one run into one shipment, then a drill and a cost, on three processes. It catches whatever works in
// one process only: a certificate's identity, a role's grants, a subject of the bus, a flag that is not read.
func steelThread(t *testing.T, p *planttest.Three, tr *trade) {
	done(t, tr.intake.RecordDelivery, tr.delivery("T-D1", 1000, 1_500_000, 1))
	done(t, tr.production.RecordRun, tr.pass("T-R1", "shell", 2, cents(5_000), input("T-D1", 1000), output("T-N1", "HALVES", 300), output("T-N2", "PIECES", 200),
		output("T-Y1", "SHELL", 480)))
	done(t, tr.inventory.ShipGoods, tr.sale("T-X1", 3, shipped("T-N1", 120), shipped("T-N2", 30)))

	drill := question{[]string{"drill", "T-D1"}, map[string]object{"": {
		"lot": "T-D1", "affected_lots": []any{"T-N1", "T-N2", "T-Y1"}, "ancestors": []any{}, "shipments": []any{"T-X1"}, "customers": []any{"C1"},
		"shipped_lb": json.Number("150"), "returned_lb": json.Number("0"), "on_hand_lb": json.Number("830"), "received_or_made_lb": json.Number("1000"),
		"used_lb": json.Number("1000"), "own_shipped_lb": json.Number("0"), "adjusted_lb": json.Number("0"), "own_on_hand_lb": json.Number("0"),
		"accounted_pct": json.Number("100"), "item": "NUT", "owner": "", "missing": []any{},
	}}}
	for _, d := range drill.differences(t, p.OK(t, drill.args...)) {
		t.Error(d)
	}
	// 1,500.00 + 50.00 less 480 lb of shell at 0.0150 = 1,542.80, over 300 x 5.00 and 200 x 4.00: 1,006.173913 and 536.626087.
	var sheet runCostObject
	planttest.Decode(t, p.OK(t, "cost", "run", "T-R1"), &sheet)
	require.Equal(t, []string{"1500.0", "50.0", "7.2", "20.0", "500.0"},
		[]string{sheet.Material.String(), sheet.Conversion.String(), sheet.ByproductCredit.String(), sheet.UnaccountedLb.String(), sheet.KernelLb.String()})
	require.Equal(t, "3.085600", sheet.KernelCostPerLb.String())
	wantCents(t, "halves", tr.lotCost(t, "T-N1").GetCost().GetPaidStockMicros(), 100_617)
	wantCents(t, "pieces", tr.lotCost(t, "T-N2").GetCost().GetPaidStockMicros(), 53_663)
	t.Run("wrong token", func(t *testing.T) {
		r := planttest.Call(t, "--addr", p.Addr(), "--ca", p.CA, "--token", strings.Repeat("0", 64), "drill", "T-D1")
		if r.Code != exitRefused || !strings.Contains(r.Err, "token") {
			t.Errorf("exit %d, %q; want 2 and the token named", r.Code, r.Err)
		}
	})
	t.Run("another authority", func(t *testing.T) {
		r := planttest.Call(t, "--addr", p.Addr(), "--ca", planttest.NewAuthority(t).File, "--token", p.Token, "drill", "T-D1")
		if r.Code != exitFailed || !strings.Contains(r.Err, "certificate") {
			t.Errorf("exit %d, %q; want 1 and the certificate named", r.Code, r.Err)
		}
	})
}

// posting is a command that is sent to a service which kills itself on the way, and the checks that it took effect once.
type posting struct {
	name  string
	send  func(t *testing.T) (proto.Message, error)
	check func(t *testing.T)
}

func (tr *trade) delivered(lot string) posting {
	return posting{"delivery",
		func(t *testing.T) (proto.Message, error) {
			return send(t, tr.intake.RecordDelivery, tr.delivery(lot, 1000, 1_000_000, 1))
		},
		func(t *testing.T) {
			tr.wantStock(t, lot, 1000)
			wantCents(t, "cost of "+lot, tr.lotCost(t, lot).GetCost().GetPaidStockMicros(), 100_000)
		}}
}

func (tr *trade) corrected(t *testing.T, lot string) posting {
	done(t, tr.intake.RecordDelivery, tr.delivery(lot, 1000, 1_000_000, 1))
	return posting{"correction",
		func(t *testing.T) (proto.Message, error) {
			return send(t, tr.intake.CorrectDelivery, &intakev1.CorrectDeliveryRequest{
				CommandId: id("correct " + lot), Lot: lot, Delivery: tr.delivery(lot, 990, 1_000_000, 1).GetDelivery(), Reason: "keyed wrong",
			})
		},
		func(t *testing.T) {
			tr.wantStock(t, lot, 990)
			wantCents(t, "cost of "+lot, tr.lotCost(t, lot).GetCost().GetPaidStockMicros(), 99_000)
		}}
}

func (tr *trade) ran(t *testing.T, lot string) posting {
	done(t, tr.intake.RecordDelivery, tr.delivery(lot, 1000, 1_000_000, 1))
	return posting{"run",
		func(t *testing.T) (proto.Message, error) {
			return send(t, tr.production.RecordRun, tr.pass("R"+lot, "shell", 2, cents(1_000), input(lot, 600), output("N"+lot, "KERNEL", 590)))
		},
		func(t *testing.T) {
			tr.wantStock(t, lot, 400)
			tr.wantStock(t, "N"+lot, 590)
			made := tr.lotCost(t, "N"+lot)
			wantCents(t, "cost of N"+lot, made.GetCost().GetPaidStockMicros(), 61_000)
			wantCents(t, "rest of "+lot, tr.lotCost(t, lot).GetOnHandCost().GetPaidStockMicros(), 40_000)
		}}
}

func (tr *trade) charged(t *testing.T, lot string) posting {
	run := tr.pass("R"+lot, "shell", 2, cents(1_000), input(lot, 600), output("N"+lot, "KERNEL", 590))
	done(t, tr.intake.RecordDelivery, tr.delivery(lot, 1000, 1_000_000, 1))
	done(t, tr.production.RecordRun, run)
	return posting{"charge",
		func(t *testing.T) (proto.Message, error) {
			return send(t, tr.production.PostCharge, tr.charge("H"+lot, 2, cents(700), "R"+lot))
		},
		func(t *testing.T) {
			wantCents(t, "cost of N"+lot, tr.lotCost(t, "N"+lot).GetCost().GetPaidStockMicros(), 61_700)
		}}
}

func (tr *trade) sold(t *testing.T, lot string) posting {
	done(t, tr.intake.RecordDelivery, tr.delivery(lot, 1000, 1_000_000, 1))
	return posting{"shipment",
		func(t *testing.T) (proto.Message, error) {
			return send(t, tr.inventory.ShipGoods, tr.sale("X"+lot, 3, shipped(lot, 250)))
		},
		func(t *testing.T) {
			tr.wantStock(t, lot, 750)
			wantCents(t, "rest of "+lot, tr.lotCost(t, lot).GetOnHandCost().GetPaidStockMicros(), 75_000)
		}}
}

func (tr *trade) wantStock(t *testing.T, lot string, pounds int64) {
	t.Helper()
	if got := tr.onHand(t, lot); got != lb(pounds) {
		t.Errorf("lot %s: %s lb on hand, want %d", lot, micro(got, 1), pounds)
	}
	var drill drillObject
	planttest.Decode(t, tr.ask(t, "drill", lot), &drill)
	if want := exact(lb(pounds)); drill.OwnOnHandLb != want {
		t.Errorf("lot %s: its drill has %s lb on hand, want %s", lot, drill.OwnOnHandLb, want)
	}
}

// TestKilledAtEachStep kills each service at each step of a posting and of the relay, starts it again, and comes again with the same command: one
// effect, one answer. It catches state without its event, an event without its answer, a posting made twice by the sweeper and the sender, and an
// event that nobody asks for because the bus never had it.
func TestKilledAtEachStep(t *testing.T) {
	t.Parallel()
	p, tr := threeTrade(t)
	run := []string{"command-before-record", "command-before-commit", "command-after-commit"}
	post := []string{"intent-after-commit", "intent-after-call", "command-before-commit", "intent-after-outcome"}
	relay := []string{"relay-before-publish", "relay-after-publish", "relay-after-cursor"}
	for i, step := range []struct {
		service string
		places  []string
		command func(t *testing.T, lot string) posting
	}{
		{"intake", append(run, relay...), func(_ *testing.T, lot string) posting { return tr.delivered(lot) }},
		{"intake", post, tr.corrected},
		{"inventory", append(run, relay...), tr.sold},
		{"inventory", run[1:], tr.ran}, // the other side of a posting
		{"production", run, tr.charged},
		{"production", append(post, relay...), tr.ran},
	} {
		for _, place := range step.places {
			lot := fmt.Sprintf("%d-%s", i, place)
			c := step.command(t, lot)
			t.Run(step.service+" "+c.name+" "+place, func(t *testing.T) { killedAt(t, p, step.service, place, c) })
		}
	}
	if out := p.Call(t, "verify"); out.Code != exitDone {
		t.Errorf("verify after all: exit %d\n%s\n%s", out.Code, out.Out, out.Err)
	}
	var b balanceObject
	planttest.Decode(t, tr.ask(t, "balance"), &b)
	if b.Season.InProcessLb != "0.0" || len(b.Missing) > 0 {
		t.Errorf("balance after all: %s lb in process, missing %v; want none", b.Season.InProcessLb, b.Missing)
	}
}

// killedAt sends the command to a service that dies at the place, starts it again and sends the command twice more.
func killedAt(t *testing.T, p *planttest.Three, service, place string, c posting) {
	p.Restart(t, service, "HUSKLINE_FAILPOINT="+place)
	type said struct {
		answer proto.Message
		err    error
	}
	first := make(chan said, 1)
	go func() {
		answer, err := c.send(t) // its sender may be helped by the connection's own repeats; either way it ends in one answer
		first <- said{answer, err}
	}()
	p.Service(service).Killed(t)
	p.Start(t, service)
	got := <-first
	require.NoError(t, got.err)
	for range 2 {
		again, err := c.send(t)
		require.NoError(t, err)
		if diff := cmp.Diff(got.answer, again, protocmp.Transform()); diff != "" {
			t.Errorf("the same command again (-first +again):\n%s", diff)
		}
	}
	c.check(t)
	if t.Failed() {
		t.Log(p.Logs())
	}
}
