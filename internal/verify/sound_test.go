package verify

import (
	"math/big"
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/lot"
	"huskline/internal/money"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// ticket is a client's delivery with what it cost to haul it here.
func (p *plant) ticket(id lot.ID, owner lot.PartyID, pounds int64, freight money.Amount) {
	p.receive(id, owner, pounds)
	body := p.facts[len(p.facts)-1].Body.(lot.Received)
	body.Freight = freight
	p.facts[len(p.facts)-1].Body = body
}

// TestTicketBoughtUnderItsOwnCode: of a client's ticket bought whole nothing is used, and it carries the price alone: what was spent for its owner
// stays behind. The deliberate break it catches: title coming in before it leaves, which halves what the lot carries.
func TestTicketBoughtUnderItsOwnCode(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.ticket("K-1", "K", 100, 7*money.Unit)
	p.say(lot.Inventory, lot.Moved{Movement: "M", Lot: "K-1", To: "DOCK", Quantity: lb(100)})
	p.say(lot.Intake, lot.Bought{Purchase: "B", Lot: "K-1", NewLot: "K-1", Owner: "K", Place: "DOCK", Quantity: lb(100), Price: 50 * money.Unit})
	b, r := p.verify()
	for _, d := range r.Differences {
		t.Errorf("%+v", d)
	}
	g := b.lots["K-1"]
	type figures struct {
		owner                          string
		used, made, onHand             int64
		born, carries, service, passed string
	}
	want := figures{"", 0, int64(lb(100)), int64(lb(100)), "50.00", "50.00", "0.00", "7.00"}
	got := figures{g.owner, g.used, g.made, g.onHand, total(g.cost.born, paidStock).FloatString(2), total(b.totals.stock, paidStock).FloatString(2),
		total(b.totals.stock, paidService).FloatString(2), total(b.totals.left, paidService).FloatString(2)}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(figures{})); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	if origins := b.origins()["K-1"]; len(origins) != 1 || origins["K-1"].Cmp(whole()) != 0 {
		t.Errorf("origins of K-1: %v, want itself alone", origins)
	}
}

// TestClientsBin: a client's nuts may lie in a bin with more of his own.
func TestClientsBin(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("K-1", "K", 10)
	p.receive("K-2", "K", 10)
	p.say(lot.Inventory, lot.Poured{Pour: "P", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "K-1", Quantity: lb(5)})
	p.say(lot.Inventory, lot.Poured{Pour: "Q", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "K-2", Quantity: lb(5)})
	b, r := p.verify()
	for _, d := range r.Differences {
		t.Errorf("%+v", d)
	}
	if got := b.lots["B-1"].owner; got != "K" {
		t.Errorf("the bin lot is %q's, want K's", got)
	}
}

// TestOriginsOfPieces: a lot kept by count whose item has no weight rests wholly on what it was made from. The deliberate break it catches: parts by
// weight alone, which are none at all.
func TestOriginsOfPieces(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.say(lot.Intake, lot.ItemChanged{Item: "SACK", ItemKind: lot.Packaging, Measure: lot.ByCount})
	for _, id := range []lot.ID{"S-1", "S-2"} {
		p.say(lot.Intake, lot.Received{Lot: id, Source: lot.IngredientReceipt, Item: "SACK", Measure: lot.ByCount, Quantity: 100, Party: "G", Ownership: lot.Company})
	}
	p.say(lot.Inventory, lot.Poured{Pour: "P", Bin: "B-1", Item: "SACK", Measure: lot.ByCount, Lot: "S-1", Quantity: 60})
	p.say(lot.Inventory, lot.Poured{Pour: "Q", Bin: "B-2", Item: "SACK", Measure: lot.ByCount, Lot: "S-1", Quantity: 10})
	p.say(lot.Inventory, lot.Poured{Pour: "R", Bin: "B-2", Item: "SACK", Measure: lot.ByCount, Lot: "S-2", Quantity: 40})
	p.say(lot.Inventory, lot.Shipped{Shipment: "X", ShipKind: lot.Sale, Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: "B-1", Quantity: 20}}})
	p.say(lot.Inventory, lot.Returned{Return: "RT", Shipment: "X", Line: 1, Origin: "B-1", Lot: "V-1", Item: "SACK", Measure: lot.ByCount, Quantity: 5})
	b, r := p.verify()
	for _, d := range r.Differences {
		t.Errorf("%+v", d)
	}
	half := new(big.Int).Rsh(whole(), 1)
	want := map[string]map[string]*big.Int{"B-1": {"S-1": whole()}, "B-2": {"S-1": half, "S-2": half}, "V-1": {"S-1": whole()}}
	for id, shares := range want {
		for from, share := range shares {
			if got := b.origins()[id][from]; got == nil || got.Cmp(share) != 0 {
				t.Errorf("%s from %s: got %v, want %v", id, from, got, share)
			}
		}
	}
}

// TestUnmadeLotsAreVoid: what a correction moved elsewhere leaves a code with nothing under it, as the service keeps it.
func TestUnmadeLotsAreVoid(t *testing.T) {
	t.Parallel()
	p := flow(t)
	pour := lot.Poured{Pour: "P", Bin: "B-1", Item: "IN", Measure: lot.ByWeight, Lot: "D-2", Quantity: lb(20)}
	p.say(lot.Inventory, pour)
	none := pour
	none.Pour, none.Bin = "Q", "B-3"
	p.say(lot.Inventory, none)
	pour.Bin, none.Quantity = "B-2", 0
	p.say(lot.Inventory, lot.Corrected{Correction: "K", Reason: "another bin", Pours: []lot.Poured{pour, none}})
	b, r := p.verify()
	for _, id := range []string{"B-1", "B-3"} {
		b.compareLot(&inventoryv1.LotState{Lot: id, Item: "IN", Voided: true}, r)
	}
	for _, d := range r.Differences {
		t.Errorf("%+v", d)
	}
	if n := b.totals.lots; n != 5 {
		t.Errorf("%d lots, want D-1, D-2, N-1, F-1 and B-2", n)
	}
	b.compareLot(&inventoryv1.LotState{Lot: "B-1", Item: "IN"}, r)
	if r.OK() {
		t.Error("a void lot that is answered as standing is not noticed")
	}
}
