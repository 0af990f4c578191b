package verify

import (
	"strings"
	"testing"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// plant says facts one after the other, an hour apart.
type plant struct {
	t     *testing.T
	clock time.Time
	facts []lot.Recorded
}

func newPlant(t *testing.T) *plant {
	p := &plant{t: t, clock: time.Date(2025, 10, 6, 12, 0, 0, 0, time.UTC)}
	price := money.Price(4_000_000)
	p.say(lot.Intake, lot.ItemChanged{Item: "IN", ItemKind: lot.InShell, Measure: lot.ByWeight})
	p.say(lot.Intake, lot.ItemChanged{Item: "PH", ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: &price})
	p.say(lot.Intake, lot.ItemChanged{Item: "CF", ItemKind: lot.Finished, Measure: lot.ByWeight})
	return p
}

func (p *plant) say(by lot.Producer, body lot.Body) time.Time {
	p.clock = p.clock.Add(time.Hour)
	p.facts = append(p.facts, lot.Recorded{Receipt: lot.Receipt{Producer: by}, EventID: p.clock.Format("20060102-150405"), RecordedAt: p.clock,
		Event: lot.Event{Effective: p.clock, Body: body}})
	return p.clock
}

func lb(n int64) lot.Quantity { return lot.Quantity(n) * lot.Quantity(weight.Pound) }

func (p *plant) receive(id lot.ID, owner lot.PartyID, pounds int64) {
	r := lot.Received{Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: lb(pounds), Party: "G", Ownership: lot.Company,
		Gross: weight.Mass(lb(pounds)), Purchase: money.Amount(pounds) * 2 * money.Unit}
	price := money.Price(2_000_000)
	r.Price = &price
	if owner != "" {
		r.Ownership, r.Owner, r.Price, r.Purchase = lot.Custom, owner, nil, 0
	}
	p.say(lot.Intake, r)
}

// run takes all of its inputs at its start and gives its output an hour later.
func (p *plant) run(id lot.RunID, owner lot.PartyID, in []lot.RunInput, out lot.RunOutput) {
	start := p.say(lot.Production, lot.RunOpened{Run: id, Stage: "shell", Start: p.clock, Owner: owner})
	var total lot.Quantity
	for i := range in {
		in[i].Line, in[i].At, in[i].MoisturePPM = int64(i+1), start, -1
		total += in[i].Quantity
	}
	out.Line, out.At, out.Measure, out.Role, out.Owner, out.MoisturePPM = 1, start.Add(time.Hour), lot.ByWeight, lot.Main, owner, -1
	p.say(lot.Inventory, lot.RunPosted{Run: id, Version: 1, Stage: "shell", Owner: owner, Inputs: in, Outputs: []lot.RunOutput{out}, Final: true})
	p.say(lot.Production, lot.ChargePosted{Charge: string(id), Runs: []lot.RunID{id}, ChargeKind: lot.OtherCharge, Amount: 30 * money.Unit})
	p.say(lot.Production, lot.RunCompleted{Run: id, Version: 1, End: start.Add(time.Hour), Input: total, Output: out.Quantity,
		Unaccounted: total - out.Quantity})
}

func (p *plant) ship(id string, of lot.ID, pounds int64) {
	p.say(lot.Inventory, lot.Shipped{Shipment: id, ShipKind: lot.Sale, Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: of, Quantity: lb(pounds)}}})
}

func (p *plant) verify() (*book, *Report) {
	r := &Report{}
	b := recompute(r, chained(p.t, p.facts))
	b.checkHolds(r, nil)
	return b, r
}

// flow is a sound plant: two deliveries, a run, a batch of it, a shipment.
func flow(t *testing.T) *plant {
	p := newPlant(t)
	p.receive("D-1", "", 100)
	p.receive("D-2", "", 100)
	p.run("R-1", "", []lot.RunInput{{Lot: "D-1", Quantity: lb(100)}, {Lot: "D-2", Quantity: lb(50)}}, lot.RunOutput{Lot: "N-1", Item: "PH", Quantity: lb(60)})
	p.run("R-2", "", []lot.RunInput{{Lot: "N-1", Quantity: lb(40)}}, lot.RunOutput{Lot: "F-1", Item: "CF", Quantity: lb(40)})
	p.ship("X-1", "F-1", 10)
	return p
}

// TestBrokenRulesAreNamed breaks one rule after the other in facts whose chains are sound.
func TestBrokenRulesAreNamed(t *testing.T) {
	t.Parallel()
	if _, r := flow(t).verify(); !r.OK() {
		t.Fatalf("the sound plant differs: %+v", r.Differences)
	}
	table := []struct {
		name           string
		check, subject string
		add            func(*plant)
	}{
		{"below zero at the end", "stock", "F-1", func(p *plant) { p.ship("X-2", "F-1", 31) }},
		{"below zero for a while", "stock", "D-3", func(p *plant) {
			p.ship("X-2", "D-3", 10)
			p.receive("D-3", "", 100)
		}},
		{"never born", "stock", "D-9", func(p *plant) { p.ship("X-2", "D-9", 10) }},
		{"received twice", "stock", "D-1", func(p *plant) { p.receive("D-1", "", 100) }},
		{"owners in one run", "owner", "run R-3 with K-1", func(p *plant) {
			p.receive("K-1", "K", 10)
			p.run("R-3", "", []lot.RunInput{{Lot: "D-2", Quantity: lb(10)}, {Lot: "K-1", Quantity: lb(10)}}, lot.RunOutput{Lot: "N-3", Item: "PH", Quantity: lb(9)})
		}},
		{"a client's nuts in a bin with ours", "owner", "pour P with K-1", func(p *plant) {
			p.receive("K-1", "K", 10)
			p.say(lot.Inventory, lot.Poured{Pour: "O", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "D-2", Quantity: lb(5)})
			p.say(lot.Inventory, lot.Poured{Pour: "P", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "K-1", Quantity: lb(5)})
		}},
		{"two clients' nuts in a bin", "owner", "pour P with K-1", func(p *plant) {
			p.receive("K-1", "K", 10)
			p.receive("L-1", "L", 10)
			p.say(lot.Inventory, lot.Poured{Pour: "O", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "L-1", Quantity: lb(5)})
			p.say(lot.Inventory, lot.Poured{Pour: "P", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "K-1", Quantity: lb(5)})
		}},
		{"a client's nuts sold", "owner", "shipment X-2 with K-1", func(p *plant) {
			p.receive("K-1", "K", 10)
			p.ship("X-2", "K-1", 1)
		}},
		{"made from itself", "trace", "run R-0", func(p *plant) {
			p.receive("D-5", "", 10)
			p.run("R-0", "", []lot.RunInput{{Lot: "D-5", Quantity: lb(10)}, {Lot: "N-9", Quantity: lb(1)}}, lot.RunOutput{Lot: "N-8", Item: "PH", Quantity: lb(9)})
			p.run("R-9", "", []lot.RunInput{{Lot: "N-8", Quantity: lb(5)}}, lot.RunOutput{Lot: "N-9", Item: "PH", Quantity: lb(5)})
		}},
		{"more out than in", "run", "run R-3", func(p *plant) {
			p.run("R-3", "", []lot.RunInput{{Lot: "D-2", Quantity: lb(10)}}, lot.RunOutput{Lot: "N-3", Item: "PH", Quantity: lb(11)})
		}},
		{"a purchase a cent too dear", "price", "D-5", func(p *plant) {
			p.receive("D-5", "", 10)
			body := p.facts[len(p.facts)-1].Body.(lot.Received)
			body.Purchase += money.Cent
			p.facts[len(p.facts)-1].Body = body
		}},
		{"a charge that is not hours x rate", "charge", "extra", func(p *plant) {
			p.say(lot.Production, lot.ChargePosted{Charge: "extra", Runs: []lot.RunID{"R-1"}, ChargeKind: lot.Labour, HoursMillionths: 1_500_000,
				Rate: 10_000_000, Amount: 15*money.Unit + 1})
		}},
		{"production says other pounds", "run", "run R-1 input", func(p *plant) {
			p.say(lot.Production, lot.RunCompleted{Run: "R-1", Version: 1, End: p.clock, Input: lb(149), Output: lb(60), Unaccounted: lb(89)})
		}},
		{"inventory posted, production never completed", "run", "run R-3 complete", func(p *plant) {
			p.say(lot.Inventory, lot.RunPosted{Run: "R-3", Version: 1, Stage: "sort", Final: true,
				Inputs: []lot.RunInput{{Line: 1, Lot: "N-1", Quantity: lb(1), At: p.clock, MoisturePPM: -1}}})
		}},
		{"a hold that did not spread", "hold", "H on F-1", func(p *plant) {
			p.hold("D-1", "D-1")
			p.hold("D-1", "N-1")
		}},
	}
	for _, row := range table {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			p := flow(t)
			row.add(p)
			_, r := p.verify()
			for _, d := range r.Differences {
				if d.Check == row.check && strings.HasPrefix(d.Subject, row.subject) {
					return
				}
			}
			t.Errorf("want a difference of %s on %s, got %+v", row.check, row.subject, r.Differences)
		})
	}
}

func (p *plant) hold(root, on lot.ID) {
	p.say(lot.Inventory, lot.Held{Hold: "H", Class: lot.SafetyHold, Root: root, Lot: on, Reason: "test"})
}

// TestSoundHolds: a hold that reached every descendant, one whose descendant quality excluded, and one that was released.
func TestSoundHolds(t *testing.T) {
	t.Parallel()
	table := map[string]func(*plant){
		"all held": func(p *plant) { p.hold("D-1", "F-1") },
		"excluded": func(p *plant) {
			p.say(lot.Inventory, lot.HoldEnded{Hold: "H", Lot: "F-1", Excluded: true, Reason: "tested clean"})
		},
		"released": func(p *plant) { p.say(lot.Inventory, lot.HoldEnded{Hold: "H", Reason: "false alarm"}) },
		"above out": func(p *plant) {
			p.say(lot.Inventory, lot.HoldEnded{Hold: "H", Lot: "N-1", Excluded: true, Reason: "tested clean"})
		},
	}
	for name, add := range table {
		p := flow(t)
		p.hold("D-1", "D-1")
		p.hold("D-1", "N-1")
		add(p)
		if _, r := p.verify(); !r.OK() {
			t.Errorf("%s: %+v", name, r.Differences)
		}
	}
}

// TestCorrectionsStand: a corrected run and delivery, and a replaced charge, count in their newest version alone, at the times they first had.
func TestCorrectionsStand(t *testing.T) {
	t.Parallel()
	p := flow(t)
	var first lot.RunPosted
	for _, f := range p.facts {
		if run, ok := f.Body.(lot.RunPosted); ok && run.Run == "R-1" {
			first = run
		}
	}
	now := first
	now.Version = 2
	now.Outputs = []lot.RunOutput{first.Outputs[0]}
	now.Outputs[0].Quantity = lb(50)
	delivery := p.facts[3].Body.(lot.Received)
	delivery.Quantity, delivery.Gross, delivery.Purchase = lb(120), weight.Mass(lb(120)), 240*money.Unit
	shipped := lot.Shipped{Shipment: "X-1", ShipKind: lot.Sale, Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: "F-1", Quantity: lb(12)}}}
	p.say(lot.Inventory, lot.Corrected{Correction: "K", Reason: "misread", Runs: []lot.RunPosted{now}, Shipments: []lot.Shipped{shipped},
		Deliveries: []lot.DeliveryCorrected{{Version: 2, Reason: "misread", Now: delivery}}})
	p.say(lot.Production, lot.RunCorrected{Reason: "misread", Opened: lot.RunOpened{Run: "R-1", Stage: "shell", Start: p.clock},
		Completed: lot.RunCompleted{Run: "R-1", Version: 2, End: first.Outputs[0].At, Input: lb(150), Output: lb(50), Unaccounted: lb(100)}})
	p.say(lot.Production, lot.ChargePosted{Charge: "R-1 again", Runs: []lot.RunID{"R-1"}, ChargeKind: lot.OtherCharge, Amount: 45 * money.Unit, Replaces: "R-1"})
	b, r := p.verify()
	if !r.OK() {
		t.Fatalf("%+v", r.Differences)
	}
	for id, want := range map[string]int64{"D-1": 20, "D-2": 50, "N-1": 10, "F-1": 28} {
		if got := b.lots[id].onHand; got != int64(lb(want)) {
			t.Errorf("%s: %s on hand, want %d lb", id, weight.Mass(got), want)
		}
	}
	for _, f := range p.facts {
		if x, ok := f.Body.(lot.Shipped); ok && !b.shipLegs[lineKey{x.Shipment, 1}].at.Equal(f.Effective) {
			t.Errorf("%s left at %s, want %s: a correction says what, not when", x.Shipment, b.shipLegs[lineKey{x.Shipment, 1}].at, f.Effective)
		}
	}
	// D-1 took 100/120 of 240.00, D-2 half of 200.00, and conversion is 45.00 now: 345.00 for 50 lb.
	if got := total(b.lots["N-1"].cost.born, paidStock).FloatString(2); got != "345.00" {
		t.Errorf("N-1 cost %s, want 345.00", got)
	}
}
