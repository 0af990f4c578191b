package demoseason

import (
	"time"

	"huskline/internal/money"
	"huskline/internal/weight"
)

// adjust writes down what drying and accidents took of kernels and confections.
func (p *plant) adjust() {
	n := max(6, p.size.Deliveries/10)
	var kinds []string
	for _, c := range confections() {
		kinds = append(kinds, c.id)
	}
	for i := range n {
		t := p.at(66 + i*20/n)
		from, reason := []string{"PH-JMB", "PH-LRG", "PP-MED"}, "moisture"
		if i%2 == 1 {
			from, reason = append(kinds[:len(kinds):len(kinds)], "PP-LRG"), "damage"
		}
		s := p.find(from, 40*lb, t, anyLot)
		if s == nil {
			continue
		}
		w := p.share(min(s.left, 900*lb), 3, 24, lb/1000)
		p.take(s, w, t)
		p.out.adjustments = append(p.out.adjustments, adjustment{id: p.code("A"), at: t, lot: s.id, delta: -w, reason: reason})
	}
}

// ship sends custom clients' kernels back to them, kernels to bakers by the case, and confections to shops and, most of all lines, by mail.
func (p *plant) ship() {
	p.shipToOwners()
	rest := p.size.Shipments - len(p.out.shipments)
	bulk, shop := max(20, rest/8), max(15, rest/10)
	for range bulk {
		p.shipBulk()
	}
	for range shop {
		p.shipFinished(order{p.at(int(p.between(34, 96))), "shop", p.one("B"), 1, 12, 60})
	}
	for len(p.out.shipments) < p.size.Shipments {
		day := p.between(40, 73)
		if p.rng.IntN(4) == 0 {
			day = p.between(28, 96)
		}
		lines := int(min(p.between(1, 3), int64(p.size.Shipments-len(p.out.shipments))))
		if !p.shipFinished(order{p.at(int(day)), "mail order", p.one("M"), lines, 1, 7}) && !p.shipBulk() {
			return // sold out
		}
	}
}

func (p *plant) send(x shipment, s *stock) {
	x.id, x.lot = p.code("X"), s.id
	p.take(s, x.weight, x.at)
	p.out.shipments = append(p.out.shipments, x)
}

// shipToOwners hands back every kernel lot of a custom client, whole.
func (p *plant) shipToOwners() {
	for _, s := range p.lots {
		if s.owner == "" || s.left == 0 || s.item[0] != 'P' {
			continue
		}
		p.send(shipment{at: p.later(s.born, 1_440, 9_000), customer: s.owner, weight: s.left, channel: "return to owner",
			document: "CS-" + s.owner[2:], carrier: "owner's truck"}, s)
	}
}

// shipBulk sends boxes of kernels to a customer. It tells whether any were there to send.
func (p *plant) shipBulk() bool {
	const box = 30 * lb
	items := []string{"PH-MAM", "PH-JMB", "PH-LRG", "PP-LRG", "PP-MED", "PP-SML", "PP-GRN"}
	for range 200 {
		t := p.at(int(p.between(45, 98)))
		s := p.find([]string{p.choose(items)}, 3*box, t, anyLot)
		if s == nil {
			continue
		}
		w := max(p.share(s.left, 60, 700, box), box)
		p.send(shipment{at: t, customer: p.one("B"), weight: w, channel: "bulk", carrier: p.choose(p.words.haulers), document: p.code("BL"),
			price: p.splitOff(s.item) * 118 / 100, freightOut: money.Amount(p.between(3_000, 48_000)) * money.Cent}, s)
		return true
	}
	return false
}

func (p *plant) splitOff(id string) money.Price {
	for _, i := range p.out.items {
		if i.id == id {
			return i.splitOff
		}
	}
	return 0
}

// order is what somebody asks for: up to so many lots, of each low to high packages.
type order struct {
	at                time.Time
	channel, customer string
	lines             int
	low, high         int64
}

// shipFinished sends what an order asks for and tells whether anything was there to send.
func (p *plant) shipFinished(o order) bool {
	goods := append(confections(), packs()...)
	x := shipment{at: o.at, customer: o.customer, channel: o.channel}
	for range o.lines {
		var s *stock
		for try := 0; s == nil && try < 12; try++ {
			r := goods[p.rng.IntN(len(goods))]
			x.weight = weight.Mass(p.between(o.low, o.high)*r.unit) * lb / 1000
			x.price = dollars(r.cents)
			s = p.find([]string{r.id}, x.weight, o.at, anyLot)
		}
		if s == nil {
			break
		}
		if x.document == "" {
			x.document = p.code("SO")
			x.carrier = p.choose(p.words.parcels)
			x.freightOut = money.Amount(p.between(690, 2_400)) * money.Cent
		}
		if o.channel == "mail order" {
			s.soldByMail++
		}
		p.send(x, s)
		x.freightOut = 0
	}
	return x.document != ""
}

// takeBack lets some customers send goods back in January. What comes back is a lot of its own, which nobody uses again.
func (p *plant) takeBack() {
	want := max(5, p.size.Shipments/80)
	for i, x := range p.out.shipments {
		if x.channel == "return to owner" || len(p.out.returns) == want || i%(len(p.out.shipments)/(want+2)+1) != 0 {
			continue
		}
		w := x.weight
		if p.rng.IntN(2) == 0 {
			w = max(p.share(x.weight, 200, 900, lb/1000), lb/1000)
		}
		p.back(x, w)
	}
	for i := len(p.out.shipments) - 1; len(p.out.returns) == 0; i-- {
		if x := p.out.shipments[i]; x.channel != "return to owner" {
			p.back(x, x.weight)
		}
	}
}

func (p *plant) back(x shipment, w weight.Mass) {
	p.out.returns = append(p.out.returns, returned{id: p.code("RT"), at: p.later(x.at, 5_000, 20_000), shipment: x.id, lot: p.code("V"), weight: w})
}

// settle gives final prices in January: to every contract load, to some growers, and to a few loads a second and third time.
func (p *plant) settle() {
	t := firstDay().AddDate(0, 0, 96).Add(15 * time.Hour)
	final := func(d delivery) {
		t = t.Add(time.Duration(p.between(60, 400)) * time.Second)
		price := d.price + money.Price(p.between(-900, 2_600))*100
		p.out.finals = append(p.out.finals, finalPrice{d.lot, t, price})
	}
	var settled []delivery
	for _, d := range p.out.deliveries {
		if d.class == contract || d.class == grower && p.rng.IntN(3) == 0 {
			final(d)
			settled = append(settled, d)
		}
	}
	for i, d := range settled {
		if i%5 == 1 {
			final(d)
		}
		if i%10 == 1 {
			final(d)
		}
	}
}
