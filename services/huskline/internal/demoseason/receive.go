package demoseason

import (
	"fmt"
	"sort"
	"time"

	"huskline/internal/money"
	"huskline/internal/weight"
)

// class is the kind of a delivery.
type class int

const (
	walkIn class = iota + 1
	grower
	ownOrchard
	custom
	contract
)

// loadsOfContract is how many truck loads make the contract; each is a delivery and a lot of its own.
const loadsOfContract = 14

// openBooks writes down who and what the business deals with.
func (p *plant) openBooks() {
	n := p.size.Deliveries
	p.addParties("G", "seller", max(12, n/5), func() string {
		return p.choose(p.words.groves) + " " + p.choose(p.words.waters) + " " + p.choose(p.words.farms)
	})
	p.addParties("K", "custom_client", max(3, n/25), func() string { return p.choose(p.words.groves) + " Custom Growers" })
	p.addParties("W", "own_orchard", 1, func() string { return "Thimblewick Hollow, home orchard" })
	p.addParties("S", "supplier", 6, func() string { return p.choose(p.words.shops) + " Provisions" })
	p.addParties("B", "customer", max(12, n/6), func() string { return p.choose(p.words.shops) + " " + p.choose(p.words.trades) })
	p.addParties("M", "customer", max(40, p.size.Shipments/6), func() string { return p.choose(p.words.households) + " household" })
	p.out.items = nuts()
	for _, i := range ingredients() {
		p.out.items = append(p.out.items, item{i.id, i.name, "ingredient", 0, 0, i.allergens})
	}
	for _, r := range append(confections(), packs()...) {
		p.out.items = append(p.out.items, item{r.id, r.name, "finished", 0, weight.Mass(r.unit) * lb / 1000, r.allergens})
	}
}

// addParties invents n parties. Names may repeat with another number behind them; telephone numbers are of the block kept for fiction,
// 555-0100 to 555-0199.
func (p *plant) addParties(prefix, role string, n int, name func() string) {
	seen := map[string]int{}
	for range n {
		text := name()
		if seen[text]++; seen[text] > 1 {
			text = fmt.Sprintf("%s %d", text, seen[text])
		}
		p.out.parties = append(p.out.parties, party{
			id: p.code(prefix), name: text, role: role,
			address: fmt.Sprintf("%d %s, %s", p.between(2, 980), p.choose(p.words.roads), p.choose(p.words.towns)),
			phone:   fmt.Sprintf("555-01%02d", p.between(0, 99)),
		})
	}
}

// one picks a party of a role by the letter of its code.
func (p *plant) one(prefix string) string {
	return fmt.Sprintf("%s-%05d", prefix, p.between(1, int64(p.numbers[prefix])))
}

// receiveNuts makes the tickets of the scales and brings them into time order, which is the order of their codes.
func (p *plant) receiveNuts() {
	n := p.size.Deliveries
	var all []delivery
	add := func(c class, count int, one func(int) delivery) {
		for i := range count {
			d := one(i)
			d.class = c
			p.sample(&d)
			all = append(all, d)
		}
	}
	contracts := max(1, n/600)
	customs, owns, growers := max(6, n/10), max(4, n/15), max(8, n/6)
	add(contract, contracts*loadsOfContract, p.contractLoad)
	add(custom, customs, p.customTicket)
	add(ownOrchard, owns, p.ownTicket)
	add(grower, growers, p.growerTicket)
	add(walkIn, n-contracts*loadsOfContract-customs-owns-growers, p.walkInTicket)
	sort.SliceStable(all, func(i, j int) bool { return all[i].at.Before(all[j].at) })
	for i := range all {
		all[i].lot = p.code("D")
	}
	p.out.deliveries = all
}

// truck weighs a load on the truck scale, which shows 20 lb divisions.
func (p *plant) truck(d *delivery, tareLow, tareHigh int64, net weight.Mass) {
	const division = 20 * lb
	d.scale = "TRUCK-1"
	d.tare = weight.Mass(p.between(tareLow, tareHigh)) * lb / division * division
	d.gross = d.tare + max(net/division*division, division)
	d.visit = time.Duration(p.between(900, 9_000)) * time.Second
}

func (p *plant) contractLoad(i int) delivery {
	load := i % loadsOfContract
	first := 35 + i/loadsOfContract%20
	d := delivery{at: p.at(first + load/5), seller: fmt.Sprintf("G-%05d", 1+i/loadsOfContract%p.numbers["G"]), ownership: "company",
		item: "IN-IMP", variety: "Western"}
	p.truck(&d, 31_000, 34_000, weight.Mass(p.between(38_500, 44_500))*lb)
	d.freight = money.Amount(p.between(31_000, 46_000)) * money.Cent
	return d
}

func (p *plant) customTicket(int) delivery {
	d := delivery{at: p.at(int(p.between(6, 54))), seller: p.one("K"), ownership: "custom", item: "IN-IMP", variety: p.cultivar()}
	if p.rng.IntN(3) == 0 {
		d.item, d.variety = "IN-NAT", "native"
	}
	p.truck(&d, 9_400, 12_600, weight.Mass(p.between(420, 6_200))*lb)
	return d
}

func (p *plant) ownTicket(int) delivery {
	d := delivery{at: p.at(int(p.between(12, 52))), seller: "W-00001", ownership: "company", item: "IN-IMP", variety: p.cultivar()}
	p.truck(&d, 24_000, 31_000, weight.Mass(p.between(9_000, 26_000))*lb)
	d.freight = money.Amount(p.between(4_000, 9_000)) * money.Cent
	return d
}

func (p *plant) growerTicket(int) delivery {
	d := delivery{at: p.at(int(p.between(7, 58))), seller: p.one("G"), ownership: "company", item: "IN-IMP", variety: p.cultivar()}
	if p.rng.IntN(4) == 0 {
		d.item, d.variety = "IN-NAT", "native"
	}
	p.truck(&d, 9_400, 16_000, weight.Mass(p.between(3_200, 17_500))*lb)
	d.freight = money.Amount(p.between(0, 6_000)) * money.Cent
	return d
}

// walkInTicket is a small delivery on the platform, in half pounds: the first of all is a bag of 5 lb.
func (p *plant) walkInTicket(i int) delivery {
	d := delivery{at: p.at(int(p.between(0, 56))), seller: p.one("G"), ownership: "company", item: "IN-IMP", variety: p.cultivar(), scale: "PLATFORM-1"}
	if p.rng.IntN(3) == 0 {
		d.item, d.variety = "IN-NAT", "native"
	}
	net := weight.Mass(p.between(10, 480)) * lb / 2
	switch {
	case i == 0:
		d.at, d.item, d.variety, net = p.at(int(p.between(0, 20))), "IN-IMP", "Pawnee", 5*lb
	case p.rng.IntN(2) == 0:
		net = weight.Mass(p.between(500, 5_200)) * lb / 2
		d.tare = weight.Mass(p.between(60, 240)) * lb / 2
	}
	d.gross = d.tare + net
	d.visit = time.Duration(p.between(60, 900)) * time.Second
	return d
}

func (p *plant) cultivar() string {
	all := cultivars()
	return all[p.rng.IntN(len(all))].name
}

// sample cracks the ticket's sample and prices it: edible share of the sample x dollars per pound of edible kernel.
func (p *plant) sample(d *delivery) {
	kernel, count, point := int64(41), int64(104), p.between(195, 240)
	for _, c := range cultivars() {
		if c.name == d.variety {
			kernel, count, point = c.kernel, c.nutsPerPound, p.between(325, 385)
		}
	}
	d.kernel = kernel*10 + p.between(-28, 28)
	d.reject = p.between(6, 38)
	d.nutsPerPound = count + p.between(-5, 14)
	d.moisture = p.between(42, 88)
	d.foreign = p.between(8, 62)
	if d.ownership == "company" {
		d.price = money.Price((d.kernel-d.reject)*point*10_000/1_000) / 100 * 100
	}
}

// receiveIngredients buys for the kitchen twice: before it starts and before the peak. A lot carries its supplier's own number.
func (p *plant) receiveIngredients() {
	for wave := range 2 + p.size.Deliveries/600 {
		at := p.at(6 + wave*38%75)
		for _, i := range ingredients() {
			at = at.Add(time.Duration(p.between(240, 1_500)) * time.Second)
			w := weight.Mass(p.between(16, 26)) * 50 * lb * weight.Mass(max(1, p.size.Deliveries/60))
			cost := money.Amount(int64(w/lb)*i.cents*p.between(930, 1_070)/1_000) * money.Cent
			r := receipt{lot: p.code("I"), at: at, supplier: p.one("S"), item: i.id, weight: w, cost: cost,
				supplierLot: fmt.Sprintf("%c%d/%02d", 'A'+rune(p.between(0, 20)), p.between(10_000, 99_999), p.between(1, 40)),
				bestBy:      at.AddDate(0, int(p.between(5, 18)), 0).Format(time.DateOnly),
				packaging:   i.packaging, carrier: p.choose(p.words.haulers), docket: fmt.Sprintf("PO-%d", 4_400+len(p.out.receipts))}
			p.out.receipts = append(p.out.receipts, r)
			p.keep(&stock{id: r.lot, item: r.item, born: at, made: w})
		}
	}
}
