package sim

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// pounds makes a weight as a scale shows it, with the micropounds that it is.
func (w *World) pounds() (digits string, q lot.Quantity) {
	n := 100_00 + w.rng.Int64N(4000_00)
	return fmt.Sprintf("%d.%02d", n/100, n%100), lot.Quantity(n * 10_000)
}

func (w *World) delivery(party string, ownership lot.Ownership) (*intakev1.DeliveryFacts, lot.Quantity) {
	digits, q := w.pounds()
	f := &intakev1.DeliveryFacts{
		Party: party, Ownership: lotwire.Ownership(ownership), Item: inShell,
		Weighings: []*intakev1.Weighing{{Kind: intakev1.ReadingKind_READING_KIND_NET, Digits: digits, Unit: "LBR"}},
	}
	if ownership == lot.Company {
		price := 800_000 + w.rng.Int64N(900_000)
		f.PriceMicrosPerLb = &price
		f.FreightMicros = w.rng.Int64N(50_000_000)
	}
	return f, q
}

func deliver(w *World) *op {
	party, ownership := grower, lot.Company
	switch w.rng.IntN(8) {
	case 0, 1:
		party, ownership = clientA, lot.Custom
	case 2:
		party, ownership = clientB, lot.Custom
	case 3:
		party, ownership = grower, lot.SellersOwn
	}
	facts, q := w.delivery(party, ownership)
	at := w.moment(w.now.Add(-2 * time.Hour))
	req := &intakev1.RecordDeliveryRequest{Delivery: facts, Effective: lotwire.Time(at)}
	o := request(lot.Intake, "record delivery", req, func(ctx context.Context, r *intakev1.RecordDeliveryRequest) (*intakev1.RecordDeliveryResponse, error) {
		return w.intake.Gate().RecordDelivery(ctx, r)
	}, func(r *intakev1.RecordDeliveryRequest) { r.Delivery.Weighings[0].Digits = "77.7" })
	id := func(a proto.Message) lot.ID { return lot.ID(a.(*intakev1.RecordDeliveryResponse).GetLot()) }
	o.facts = func(a proto.Message) []entry {
		return []entry{one("delivery/"+string(id(a)), 1, map[spot]lot.Quantity{{id(a), ""}: q})}
	}
	o.then = func(a proto.Message) {
		l := &knownLot{id: id(a), item: inShell, born: at, ticket: true, seller: ownership == lot.SellersOwn}
		if ownership != lot.Company {
			l.owner = lot.PartyID(party)
		}
		w.plant.add(l)
	}
	return o
}

func isTicket(l *knownLot) bool { return l.ticket }

func correctDelivery(w *World) *op {
	l := w.plant.pick(w, isTicket)
	if l == nil {
		return nil
	}
	ownership, party := lot.Company, grower
	switch {
	case l.seller:
		ownership = lot.SellersOwn
	case l.owner != "":
		ownership, party = lot.Custom, string(l.owner)
	}
	facts, q := w.delivery(party, ownership)
	payOnly := w.rng.IntN(4) == 0
	req := &intakev1.CorrectDeliveryRequest{Lot: string(l.id), Delivery: facts, Reason: "weighed again", PayOnly: payOnly}
	var used []entry
	if !payOnly && w.rng.IntN(3) == 0 {
		ships, adjusts, facts := w.uses(l)
		req.Shipments, req.Adjustments, used = ships, adjusts, facts
	}
	o := request(lot.Intake, "correct delivery", req, func(ctx context.Context, r *intakev1.CorrectDeliveryRequest) (*intakev1.CorrectDeliveryResponse, error) {
		return w.intake.Gate().CorrectDelivery(ctx, r)
	}, func(r *intakev1.CorrectDeliveryRequest) { r.Reason = "another" })
	if !payOnly {
		o.facts = func(a proto.Message) []entry {
			v := a.(*intakev1.CorrectDeliveryResponse).GetVersion()
			return append(versioned(used, v), one("delivery/"+string(l.id), v, map[spot]lot.Quantity{{l.id, ""}: q}))
		}
	}
	return o
}

func voidDelivery(w *World) *op {
	l := w.plant.pick(w, isTicket)
	if l == nil {
		return nil
	}
	req := &intakev1.VoidDeliveryRequest{Lot: string(l.id), Reason: "never was"}
	o := request(lot.Intake, "void delivery", req, func(ctx context.Context, r *intakev1.VoidDeliveryRequest) (*intakev1.VoidDeliveryResponse, error) {
		return w.intake.Gate().VoidDelivery(ctx, r)
	}, func(r *intakev1.VoidDeliveryRequest) { r.Reason = "another" })
	o.facts = func(a proto.Message) []entry {
		return []entry{one("delivery/"+string(l.id), a.(*intakev1.VoidDeliveryResponse).GetVersion(), nil)}
	}
	o.then = func(proto.Message) { l.gone = true }
	return o
}

func settle(w *World) *op {
	l := w.plant.pick(w, func(l *knownLot) bool { return l.ticket && l.owner == "" })
	if l == nil {
		return nil
	}
	req := &intakev1.SettlePriceRequest{
		Lot: string(l.id), PriceMicrosPerLb: 700_000 + w.rng.Int64N(1_200_000), Effective: lotwire.Time(w.now), Settlement: w.plant.name("settlement"),
	}
	return request(lot.Intake, "settle price", req, func(ctx context.Context, r *intakev1.SettlePriceRequest) (*intakev1.SettlePriceResponse, error) {
		return w.intake.Pay().SettlePrice(ctx, r)
	}, func(r *intakev1.SettlePriceRequest) { r.PriceMicrosPerLb++ })
}

func buy(w *World) *op {
	l := w.plant.pick(w, func(l *knownLot) bool { return l.owner != "" })
	if l == nil {
		return nil
	}
	name := w.plant.name("purchase")
	req := &intakev1.BuyLotRequest{
		Purchase: name, Lot: string(l.id), PriceMicros: w.rng.Int64N(3_000_000_000), Effective: lotwire.Time(w.now), Place: string(l.place),
	}
	if !l.ticket || w.rng.IntN(2) == 0 {
		req.Quantity = int64(w.plant.some(w, l))
	}
	o := request(lot.Intake, "buy lot", req, func(ctx context.Context, r *intakev1.BuyLotRequest) (*intakev1.BuyLotResponse, error) {
		return w.intake.Pay().BuyLot(ctx, r)
	}, func(r *intakev1.BuyLotRequest) { r.PriceMicros++ })
	fresh := func(a proto.Message) lot.ID { return lot.ID(a.(*intakev1.BuyLotResponse).GetLot()) }
	place := l.place
	o.facts = func(a proto.Message) []entry {
		if n := fresh(a); n != l.id {
			q := lot.Quantity(req.GetQuantity())
			return []entry{one("purchase/"+name, 1, map[spot]lot.Quantity{{l.id, place}: -q, {n, place}: q})}
		}
		return nil
	}
	o.then = func(a proto.Message) {
		if n := fresh(a); n != l.id {
			w.plant.add(&knownLot{id: n, item: l.item, place: place, born: w.now})
			return
		}
		l.owner, l.seller = "", false
	}
	return o
}

// uses draws what is put right of what was done with a lot, together with what made it.
func (w *World) uses(l *knownLot) (ships []*eventv1.LotShipped, adjusts []*eventv1.LotAdjusted, facts []entry) {
	for _, s := range w.plant.shipments {
		if s.of != l || w.rng.IntN(2) == 0 {
			continue
		}
		q := s.q * lot.Quantity(w.rng.Int64N(14)) / 10
		ships = append(ships, lotwire.Shipped(lot.Shipped{
			Shipment: s.id, ShipKind: s.kind, Consignee: s.to, Lines: []lot.ShipmentLine{{Line: 1, Lot: l.id, Quantity: q, Place: s.place}},
		}))
		facts = append(facts, entry{"shipment/" + s.id, 1, "1", map[spot]lot.Quantity{{l.id, s.place}: -q}})
	}
	for _, a := range w.plant.adjusted {
		if a.of != l || w.rng.IntN(2) == 0 {
			continue
		}
		d := a.delta * lot.Quantity(w.rng.Int64N(3))
		adjusts = append(adjusts, lotwire.Adjusted(lot.Adjusted{Adjustment: a.id, Lot: l.id, Place: a.place, Delta: d, Reason: a.reason}))
		facts = append(facts, one("adjustment/"+a.id, 1, map[spot]lot.Quantity{{l.id, a.place}: d}))
	}
	return ships, adjusts, facts
}

// versioned are facts as a correction of that version put them. Only what made the lot brings corrections of its uses, so versions follow each other.
func versioned(facts []entry, version int64) []entry {
	out := slices.Clone(facts)
	for i := range out {
		out[i].version = version
	}
	return out
}

// reprice changes the price by which joint cost is shared, from now on.
func reprice(w *World) *op {
	all := items()
	i := all[1+w.rng.IntN(3)]
	p := *i.SplitOff * money.Price(50+w.rng.Int64N(150)) / 100
	i.SplitOff = &p
	req := &intakev1.RegisterItemRequest{Item: lotwire.ItemChanged(i), Effective: lotwire.Time(w.moment(w.now.Add(-time.Hour)))}
	return request(lot.Intake, "register item", req, func(ctx context.Context, r *intakev1.RegisterItemRequest) (*intakev1.RegisterItemResponse, error) {
		return w.intake.Register().RegisterItem(ctx, r)
	}, func(r *intakev1.RegisterItemRequest) { r.Item.Name = "another" })
}
