package verify

import (
	"testing"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// dollarsOf reads the stock and service cost of a lot at birth, at the prices first paid.
func dollarsOf(b *book, id string) string {
	g := b.lots[id]
	if g == nil {
		return "no lot"
	}
	return total(g.cost.born, paidStock).FloatString(4) + " + " + total(g.cost.born, paidService).FloatString(4)
}

// TestWorkedByHand are plants so small that the figures beside them were worked out on paper. Each is sound: no difference may come up.
func TestWorkedByHand(t *testing.T) {
	t.Parallel()
	table := []struct {
		name string
		add  func(*plant)
		lots map[string]string // cost at birth: stock + service
		off  string            // written off, stock
		in   string            // in process, stock
	}{
		{"an open run keeps what is not yet out of it", func(p *plant) {
			p.receive("D-1", "", 100) // 200.00
			p.say(lot.Production, lot.RunOpened{Run: "R", Stage: "shell", Start: p.clock})
			p.say(lot.Inventory, lot.RunPosted{Run: "R", Version: 1, Stage: "shell",
				Inputs:  []lot.RunInput{{Line: 1, Lot: "D-1", Quantity: lb(80), At: p.clock.Add(time.Hour), MoisturePPM: -1}},
				Outputs: []lot.RunOutput{p.output(1, "N-1", "PH", 20, lot.Main)}})
			p.say(lot.Inventory, lot.RunPosted{Run: "R", Version: 1, Stage: "shell", Outputs: []lot.RunOutput{p.output(2, "N-1", "PH", 4, lot.Main)}})
		}, map[string]string{"N-1": "48.0000 + 0.0000"}, "0.0000", "112.0000"}, // 24 of 80 lb are out: 0.3 x 160.00
		{"by-products take no more than there is", func(p *plant) {
			shells := money.Price(9_000_000)
			p.say(lot.Intake, lot.ItemChanged{Item: "SH", ItemKind: lot.ByProductItem, Measure: lot.ByWeight, SplitOff: &shells})
			p.receive("D-1", "", 50) // 100.00
			p.many("R", "", []lot.RunInput{{Lot: "D-1", Quantity: lb(50)}}, p.output(1, "N-1", "PH", 20, lot.Main), p.output(2, "Y-1", "SH", 15, lot.ByProduct),
				p.output(3, "Y-2", "SH", 5, lot.ByProduct))
		}, map[string]string{"N-1": "0.0000 + 0.0000", "Y-1": "75.0000 + 0.0000", "Y-2": "25.0000 + 0.0000"}, "0.0000", "0.0000"},
		{"a charge over two runs goes by pounds taken in", func(p *plant) {
			p.receive("D-1", "", 100)
			p.receive("K-1", "K", 100)
			p.many("R", "", []lot.RunInput{{Lot: "D-1", Quantity: lb(100)}}, p.output(1, "N-1", "PH", 50, lot.Main))
			p.many("S", "K", []lot.RunInput{{Lot: "K-1", Quantity: lb(25)}}, p.output(1, "N-2", "PH", 10, lot.Main))
			p.say(lot.Production, lot.ChargePosted{Charge: "both", Runs: []lot.RunID{"R", "S"}, ChargeKind: lot.OtherCharge, Amount: 100 * money.Unit})
		}, map[string]string{"N-1": "280.0000 + 0.0000", "N-2": "0.0000 + 20.0000"}, "0.0000", "0.0000"},
		{"a run without a main output is a loss", func(p *plant) {
			p.receive("D-1", "", 100)
			p.many("R", "", []lot.RunInput{{Lot: "D-1", Quantity: lb(10)}}, p.output(1, "T-1", "IN", 10, lot.Waste))
		}, map[string]string{"T-1": "0.0000 + 0.0000"}, "20.0000", "0.0000"},
		{"moisture leaves dollars until the last pound is gone", func(p *plant) {
			p.receive("D-1", "", 100)
			p.adjust("A-1", "D-1", 50, "moisture", false)
			p.many("R", "", []lot.RunInput{{Lot: "D-1", Quantity: lb(40)}}, p.output(1, "N-1", "PH", 30, lot.Main))
			p.adjust("A-2", "D-1", 10, "moisture", false)
		}, map[string]string{"N-1": "160.0000 + 0.0000"}, "40.0000", "0.0000"},
		{"damage takes its dollars, an empty bin what the book has left", func(p *plant) {
			p.receive("D-1", "", 100)
			p.adjust("A-1", "D-1", 10, "damage", true)
			p.say(lot.Inventory, lot.Poured{Pour: "P", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "D-1", Quantity: lb(90)})
			p.many("R", "", []lot.RunInput{{Lot: "B-1", Quantity: lb(85)}}, p.output(1, "N-1", "PH", 30, lot.Main))
			p.say(lot.Inventory, lot.BinEmptied{Bin: "B-1", Remainder: lb(5), Emptying: "E"})
		}, map[string]string{"B-1": "180.0000 + 0.0000", "N-1": "170.0000 + 0.0000"}, "30.0000", "0.0000"},
		{"bought nuts of a client become a lot at its price", func(p *plant) {
			p.receive("K-1", "K", 100)
			p.many("R", "K", []lot.RunInput{{Lot: "K-1", Quantity: lb(100)}}, p.output(1, "N-1", "PH", 40, lot.Main))
			p.say(lot.Production, lot.ChargePosted{Charge: "C", Runs: []lot.RunID{"R"}, ChargeKind: lot.OtherCharge, Amount: 60 * money.Unit})
			p.say(lot.Intake, lot.Bought{Purchase: "B", Lot: "N-1", NewLot: "N-9", Owner: "K", Quantity: lb(10), Price: 50 * money.Unit})
			p.ship("X-1", "N-9", 4)
		}, map[string]string{"N-1": "0.0000 + 60.0000", "N-9": "50.0000 + 0.0000"}, "0.0000", "0.0000"},
		{"pieces weigh what their item says", func(p *plant) {
			p.say(lot.Intake, lot.ItemChanged{Item: "TIN", ItemKind: lot.Finished, Measure: lot.ByCount, Unit: weight.Mass(lb(2))})
			p.receive("D-1", "", 100)
			p.many("R", "", []lot.RunInput{{Lot: "D-1", Quantity: lb(40)}}, lot.RunOutput{Line: 1, Lot: "F-1", Item: "TIN", Measure: lot.ByCount, Quantity: 19,
				Role: lot.Main, At: p.clock.Add(2 * time.Hour), MoisturePPM: -1})
			p.say(lot.Inventory, lot.Shipped{Shipment: "X", ShipKind: lot.Sale, Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: "F-1", Quantity: 5}}})
		}, map[string]string{"F-1": "80.0000 + 0.0000"}, "0.0000", "0.0000"},
	}
	for _, row := range table {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			p := newPlant(t)
			row.add(p)
			b, r := p.verify()
			for _, d := range r.Differences {
				t.Errorf("%+v", d)
			}
			for id, want := range row.lots {
				if got := dollarsOf(b, id); got != want {
					t.Errorf("%s: got %s, want %s", id, got, want)
				}
			}
			if got := total(b.totals.writtenOff, paidStock).FloatString(4); got != row.off {
				t.Errorf("written off %s, want %s", got, row.off)
			}
			if got := total(b.totals.inProcess, paidStock).FloatString(4); got != row.in {
				t.Errorf("in process %s, want %s", got, row.in)
			}
		})
	}
}

func (p *plant) output(line int64, id lot.ID, item lot.ItemID, pounds int64, role lot.Role) lot.RunOutput {
	return lot.RunOutput{Line: line, Lot: id, Item: item, Measure: lot.ByWeight, Quantity: lb(pounds), Role: role, At: p.clock.Add(2 * time.Hour), MoisturePPM: -1}
}

// many is a whole run of several outputs without charges.
func (p *plant) many(id lot.RunID, owner lot.PartyID, in []lot.RunInput, out ...lot.RunOutput) {
	start := p.say(lot.Production, lot.RunOpened{Run: id, Stage: "shell", Start: p.clock, Owner: owner})
	var took, gave lot.Quantity
	for i := range in {
		in[i].Line, in[i].At, in[i].MoisturePPM = int64(i+1), start, -1
		took += in[i].Quantity
	}
	for i := range out {
		out[i].Owner = owner
		out[i].At = start.Add(30 * time.Minute)
		gave += out[i].Quantity
		if out[i].Measure == lot.ByCount {
			gave += out[i].Quantity*lb(2) - out[i].Quantity
		}
	}
	p.say(lot.Inventory, lot.RunPosted{Run: id, Version: 1, Stage: "shell", Owner: owner, Inputs: in, Outputs: out, Final: true})
	p.say(lot.Production, lot.RunCompleted{Run: id, Version: 1, End: start.Add(30 * time.Minute), Input: took, Output: gave, Unaccounted: took - gave})
}

func (p *plant) adjust(id string, on lot.ID, pounds int64, reason string, writesOff bool) {
	p.say(lot.Inventory, lot.Adjusted{Adjustment: id, Lot: on, Delta: -lb(pounds), Reason: reason, Account: lot.Account{Name: reason, WritesOff: writesOff}})
}
