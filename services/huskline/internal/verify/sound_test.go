package verify

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/lot"
	"huskline/internal/money"
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
