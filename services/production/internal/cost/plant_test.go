package cost_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/production/internal/cost"
)

// plant says facts as the three producers would, one minute after another.
type plant struct {
	t     testing.TB
	now   time.Time
	heads map[lot.Producer]int64
	facts []lot.Recorded
}

func newPlant(t testing.TB) *plant {
	t.Helper()
	return &plant{t: t, now: time.Date(2024, 10, 6, 7, 0, 0, 0, time.UTC), heads: map[lot.Producer]int64{}}
}

// say records a body at the plant's clock and moves it on.
func (p *plant) say(producer lot.Producer, body lot.Body) lot.Recorded {
	p.heads[producer]++
	r := lot.Recorded{
		Receipt: lot.Receipt{Producer: producer, Epoch: 1, Position: p.heads[producer]},
		Event:   lot.Event{Effective: p.now, Body: body},
	}
	p.facts = append(p.facts, r)
	p.now = p.now.Add(time.Minute)
	return r
}

func (p *plant) pounds(text string) lot.Quantity {
	p.t.Helper()
	m, err := weight.Parse(text)
	require.NoError(p.t, err)
	return lot.Quantity(m)
}

func (p *plant) dollars(text string) money.Amount {
	p.t.Helper()
	a, err := money.Parse(text)
	require.NoError(p.t, err)
	return a
}

// item says an item kept by weight; an empty price is none.
func (p *plant) item(id lot.ItemID, kind lot.ItemKind, price string) {
	body := lot.ItemChanged{Item: id, ItemKind: kind, Measure: lot.ByWeight}
	if price != "" {
		splitOff := money.Price(p.dollars(price))
		body.SplitOff = &splitOff
	}
	p.say(lot.Intake, body)
}

// delivery says company nuts at a provisional price.
func (p *plant) delivery(id lot.ID, pounds, purchase string) lot.Received {
	price := money.Price(1)
	body := lot.Received{
		Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: p.pounds(pounds), Ownership: lot.Company,
		Price: &price, Purchase: p.dollars(purchase),
	}
	p.say(lot.Intake, body)
	return body
}

// owned says nuts of somebody else.
func (p *plant) owned(id lot.ID, ownership lot.Ownership, pounds string) {
	p.say(lot.Intake, lot.Received{
		Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: p.pounds(pounds), Ownership: ownership, Owner: "K1",
	})
}

func (p *plant) settle(settlement string, id lot.ID, purchase string) {
	p.say(lot.Intake, lot.PriceSettled{Settlement: settlement, Lot: id, Purchase: p.dollars(purchase)})
}

func (p *plant) ship(shipment string, id lot.ID, pounds string) {
	p.say(lot.Inventory, lot.Shipped{Shipment: shipment, ShipKind: lot.Sale, Lines: []lot.ShipmentLine{{Line: 1, Lot: id, Quantity: p.pounds(pounds)}}})
}

func (p *plant) pour(pour string, from, bin lot.ID, pounds string) {
	p.say(lot.Inventory, lot.Poured{Pour: pour, Bin: bin, Item: "IN", Measure: lot.ByWeight, Lot: from, Quantity: p.pounds(pounds)})
}

func (p *plant) adjust(adjustment string, id lot.ID, pounds string, account lot.Account) {
	p.say(lot.Inventory, lot.Adjusted{Adjustment: adjustment, Lot: id, Delta: p.pounds(pounds), Account: account})
}

func (p *plant) charge(charge, amount string, runs ...lot.RunID) {
	p.say(lot.Production, lot.ChargePosted{Charge: charge, Runs: runs, Amount: p.dollars(amount)})
}

var (
	moisture = lot.Account{Name: "moisture"}
	damage   = lot.Account{Name: "damage", WritesOff: true}
	count    = lot.Account{Name: "count", WritesOff: true, Unexplains: true}
)

// run builds a posting line by line.
type run struct {
	p    *plant
	body lot.RunPosted
	line int64
}

func (p *plant) run(id lot.RunID) *run {
	return &run{p: p, body: lot.RunPosted{Run: id, Version: 1, Final: true}}
}

func (r *run) take(id lot.ID, pounds string) *run {
	r.line++
	r.body.Inputs = append(r.body.Inputs, lot.RunInput{Line: r.line, Lot: id, Quantity: r.p.pounds(pounds), At: r.p.now})
	return r
}

func (r *run) give(role lot.Role, id lot.ID, item lot.ItemID, pounds string) *run {
	r.line++
	r.body.Outputs = append(r.body.Outputs, lot.RunOutput{
		Line: r.line, Lot: id, Item: item, Measure: lot.ByWeight, Quantity: r.p.pounds(pounds), Role: role, Owner: r.body.Owner, At: r.p.now,
	})
	return r
}

func (r *run) contribution(input, output lot.ID, pounds string) *run {
	r.body.Contributions = append(r.body.Contributions, lot.Contribution{Input: input, Output: output, Quantity: r.p.pounds(pounds)})
	return r
}

func (r *run) owner(id lot.PartyID) *run {
	r.body.Owner = id
	return r
}

func (r *run) open() *run {
	r.body.Final = false
	return r
}

func (r *run) version(n int64) *run {
	r.body.Version = n
	return r
}

// after numbers lines on from an earlier posting's.
func (r *run) after(line int64) *run {
	r.line = line
	return r
}

func (r *run) post() { r.p.say(lot.Inventory, r.body) }

func (p *plant) book() *cost.Book { return fold(p.t, p.facts) }

func lotCost(t testing.TB, b *cost.Book, id lot.ID) cost.LotCost {
	t.Helper()
	c, err := b.Lot(id)
	require.NoError(t, err)
	return c
}

func runCost(t testing.TB, b *cost.Book, id lot.RunID) cost.RunCost {
	t.Helper()
	c, err := b.Run(id)
	require.NoError(t, err)
	return c
}

func check[T comparable](t *testing.T, what string, got, want T) {
	t.Helper()
	if got != want {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}
