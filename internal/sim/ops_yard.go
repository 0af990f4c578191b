package sim

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// lying is a lot of which something is believed to lie somewhere.
func (w *World) lying() *knownLot {
	return w.plant.pick(w, func(l *knownLot) bool { return w.plant.lies(l) > 0 })
}

func move(w *World) *op {
	l := w.lying()
	if l == nil || l.bin {
		return nil
	}
	name, from, q := w.plant.name("move"), l.place, w.plant.some(w, l)
	to := lot.PlaceID([]string{"W1", "W2"}[w.rng.IntN(2)])
	if to == from {
		return nil
	}
	req := &inventoryv1.MoveLotRequest{
		Movement: name, Lot: string(l.id), Quantity: int64(q), FromPlace: string(from), ToPlace: string(to), Effective: lotwire.Time(w.moment(l.born)),
	}
	if n := len(l.containers); n > 0 && w.rng.IntN(2) == 0 {
		req.Containers = []string{l.containers[w.rng.IntN(n)]}
	}
	o := request(lot.Inventory, "move lot", req, func(ctx context.Context, r *inventoryv1.MoveLotRequest) (*inventoryv1.MoveLotResponse, error) {
		return w.inventory.Goods().MoveLot(ctx, r)
	}, func(r *inventoryv1.MoveLotRequest) { r.Quantity++ })
	o.facts = func(proto.Message) []entry {
		return []entry{one("move/"+name, 1, map[spot]lot.Quantity{{l.id, from}: -q, {l.id, to}: q})}
	}
	o.then = func(proto.Message) {
		if w.plant.ledger.lies(spot{l.id, from}) < w.plant.ledger.lies(spot{l.id, to}) && !l.ticket {
			l.place = to
		}
	}
	return o
}

func adjust(w *World) *op {
	l := w.lying()
	if l == nil {
		return nil
	}
	name, q, place := w.plant.name("adjustment"), -w.plant.some(w, l)/8, l.place
	if w.rng.IntN(3) == 0 {
		q = -q
	}
	if q == 0 {
		return nil
	}
	reason := accounts()[w.rng.IntN(len(accounts()))].Name
	req := &inventoryv1.AdjustLotRequest{
		Adjustment: name, Lot: string(l.id), Place: string(place), Delta: int64(q), Reason: reason, Effective: lotwire.Time(w.moment(l.born)),
	}
	o := request(lot.Inventory, "adjust lot", req, func(ctx context.Context, r *inventoryv1.AdjustLotRequest) (*inventoryv1.AdjustLotResponse, error) {
		return w.inventory.Goods().AdjustLot(ctx, r)
	}, func(r *inventoryv1.AdjustLotRequest) { r.Delta++ })
	o.facts = func(proto.Message) []entry {
		return []entry{one("adjustment/"+name, 1, map[spot]lot.Quantity{{l.id, place}: q})}
	}
	o.then = func(proto.Message) {
		w.plant.adjusted = append(w.plant.adjusted, &knownAdjustment{name, l, place, q, reason})
	}
	return o
}

func ship(w *World) *op {
	l := w.lying()
	if l == nil {
		return nil
	}
	s := &knownShipment{id: w.plant.name("shipment"), of: l, place: l.place, q: w.plant.some(w, l), at: w.moment(l.born)}
	kind, to := lot.Sale, customer
	switch {
	case l.seller:
		kind, to = lot.ReturnToSeller, string(l.owner)
	case l.owner != "":
		kind, to = lot.ReturnToOwner, string(l.owner)
	}
	s.kind, s.to = kind, lot.PartyID(to)
	place, price := l.place, int64(3_000_000)
	req := &inventoryv1.ShipGoodsRequest{
		Shipment: s.id, Kind: lotwire.ShipmentKind(kind), Consignee: to, Effective: lotwire.Time(s.at),
		Lines: []*eventv1.ShippedLine{{Line: 1, Lot: string(l.id), Quantity: int64(s.q), Place: string(place), PriceMicros: &price}},
	}
	if n := len(l.containers); n > 0 && w.rng.IntN(2) == 0 {
		req.Lines[0].Containers = []string{l.containers[w.rng.IntN(n)]}
	}
	if d := w.plant.disposition(w); d != "" && w.rng.IntN(4) == 0 {
		req.DispositionId = d
	}
	o := request(lot.Inventory, "ship goods", req, func(ctx context.Context, r *inventoryv1.ShipGoodsRequest) (*inventoryv1.ShipGoodsResponse, error) {
		return w.inventory.Yard().ShipGoods(ctx, r)
	}, func(r *inventoryv1.ShipGoodsRequest) { r.Lines[0].Quantity++ })
	o.facts = func(proto.Message) []entry {
		return []entry{{"shipment/" + s.id, 1, "1", map[spot]lot.Quantity{{l.id, place}: -s.q}}}
	}
	o.then = func(proto.Message) { w.plant.shipments = append(w.plant.shipments, s) }
	return o
}

func (p *plant) disposition(w *World) string {
	h := p.hold(w)
	if h == nil || len(h.spent) == 0 {
		return ""
	}
	return h.spent[w.rng.IntN(len(h.spent))]
}

func takeBack(w *World) *op {
	if len(w.plant.shipments) == 0 {
		return nil
	}
	s := w.plant.shipments[w.rng.IntN(len(w.plant.shipments))]
	name, q := w.plant.name("return"), max(s.q*lot.Quantity(1+w.rng.Int64N(11))/10, 1)
	at := w.moment(s.at)
	req := &inventoryv1.ReturnGoodsRequest{ReturnId: name, Shipment: s.id, Line: 1, Quantity: int64(q), Place: "W1", Effective: lotwire.Time(at)}
	o := request(lot.Inventory, "return goods", req, func(ctx context.Context, r *inventoryv1.ReturnGoodsRequest) (*inventoryv1.ReturnGoodsResponse, error) {
		return w.inventory.Yard().ReturnGoods(ctx, r)
	}, func(r *inventoryv1.ReturnGoodsRequest) { r.Quantity++ })
	id := func(a proto.Message) lot.ID { return lot.ID(a.(*inventoryv1.ReturnGoodsResponse).GetLot()) }
	o.facts = func(a proto.Message) []entry {
		return []entry{one("return/"+name, 1, map[spot]lot.Quantity{{id(a), "W1"}: q})}
	}
	o.then = func(a proto.Message) {
		l := w.plant.add(&knownLot{id: id(a), item: s.of.item, owner: s.of.owner, seller: s.of.seller, place: "W1", born: at})
		w.plant.holds = append(w.plant.holds, &knownHold{id: a.(*inventoryv1.ReturnGoodsResponse).GetHold(), root: l})
	}
	return o
}

func placeHold(w *World) *op {
	l := w.plant.anyLot(w)
	if l == nil {
		return nil
	}
	h := &knownHold{id: w.plant.name("hold"), root: l, recall: w.rng.IntN(3) == 0}
	class := lot.SafetyHold
	if w.rng.IntN(4) == 0 {
		class = lot.CommercialHold
	}
	req := &inventoryv1.PlaceHoldRequest{
		Hold: h.id, Lot: string(l.id), Class: lotwire.HoldClass(class), Reason: "sample", Recall: h.recall, Effective: lotwire.Time(w.now),
	}
	switch n := len(l.containers); {
	case n > 0 && w.rng.IntN(2) == 0:
		req.Containers = []string{l.containers[w.rng.IntN(n)]}
	case n > 0 && w.rng.IntN(3) == 0:
		req.FillFrom = lotwire.Time(w.moment(l.born))
	}
	o := request(lot.Inventory, "place hold", req, func(ctx context.Context, r *inventoryv1.PlaceHoldRequest) (*inventoryv1.PlaceHoldResponse, error) {
		return w.inventory.Yard().PlaceHold(ctx, r)
	}, func(r *inventoryv1.PlaceHoldRequest) { r.Reason = "another" })
	o.then = func(proto.Message) { w.plant.holds = append(w.plant.holds, h) }
	return o
}

func (p *plant) hold(w *World) *knownHold {
	var all []*knownHold
	for _, h := range p.holds {
		if !h.ended {
			all = append(all, h)
		}
	}
	if len(all) == 0 {
		return nil
	}
	return all[w.rng.IntN(len(all))]
}

func exclude(w *World) *op {
	h, l := w.plant.hold(w), w.plant.anyLot(w)
	if h == nil || l == nil {
		return nil
	}
	req := &inventoryv1.ExcludeFromHoldRequest{Hold: h.id, Lot: string(l.id), Reason: "tested"}
	return request(lot.Inventory, "exclude from hold", req, func(ctx context.Context, r *inventoryv1.ExcludeFromHoldRequest) (*inventoryv1.ExcludeFromHoldResponse, error) {
		return w.inventory.Yard().ExcludeFromHold(ctx, r)
	}, func(r *inventoryv1.ExcludeFromHoldRequest) { r.Reason = "another" })
}

func dispose(w *World) *op {
	h := w.plant.hold(w)
	if h == nil {
		return nil
	}
	l := h.root
	if other := w.plant.anyLot(w); other != nil && w.rng.IntN(3) == 0 {
		l = other
	}
	name := w.plant.name("disposition")
	decision := lot.Disposition(1 + w.rng.IntN(5))
	req := &inventoryv1.DecideDispositionRequest{
		DispositionId: name, Hold: h.id, Lot: string(l.id), Decision: eventv1.Disposition(decision), Quantity: int64(max(w.plant.lies(l)/2, 1)), Reason: "decided",
	}
	o := request(lot.Inventory, "decide disposition", req, func(ctx context.Context, r *inventoryv1.DecideDispositionRequest) (*inventoryv1.DecideDispositionResponse, error) {
		return w.inventory.Yard().DecideDisposition(ctx, r)
	}, func(r *inventoryv1.DecideDispositionRequest) { r.Reason = "another" })
	o.then = func(proto.Message) { h.spent = append(h.spent, name) }
	return o
}

func releaseHold(w *World) *op {
	h := w.plant.hold(w)
	if h == nil {
		return nil
	}
	req := &inventoryv1.ReleaseHoldRequest{Hold: h.id, Reason: "clean"}
	o := request(lot.Inventory, "release hold", req, func(ctx context.Context, r *inventoryv1.ReleaseHoldRequest) (*inventoryv1.ReleaseHoldResponse, error) {
		return w.inventory.Yard().ReleaseHold(ctx, r)
	}, func(r *inventoryv1.ReleaseHoldRequest) { r.Reason = "another" })
	o.then = func(proto.Message) { h.ended = true }
	return o
}

func pour(w *World) *op {
	l := w.plant.pick(w, func(l *knownLot) bool { return l.item == inShell && l.owner == "" && !l.bin && w.plant.lies(l) > 0 })
	if l == nil {
		return nil
	}
	at := w.moment(w.now.Add(-time.Minute))
	bin := w.plant.pick(w, func(b *knownLot) bool { return b.bin })
	if bin == nil || w.rng.IntN(4) == 0 {
		bin = &knownLot{id: lot.ID(w.plant.name("BIN")), item: inShell, place: lot.PlaceID([]string{"B1", "B2"}[w.rng.IntN(2)]), bin: true, born: at}
	}
	name, q, place := w.plant.name("pour"), w.plant.some(w, l), l.place
	req := &inventoryv1.RecordPourRequest{
		Pour: name, BinLot: string(bin.id), Lot: string(l.id), Quantity: int64(q), Place: string(place), BinPlace: string(bin.place), Effective: lotwire.Time(at),
	}
	o := request(lot.Inventory, "record pour", req, func(ctx context.Context, r *inventoryv1.RecordPourRequest) (*inventoryv1.RecordPourResponse, error) {
		return w.inventory.Goods().RecordPour(ctx, r)
	}, func(r *inventoryv1.RecordPourRequest) { r.Quantity++ })
	o.facts = func(proto.Message) []entry {
		return []entry{one("pour/"+name, 1, map[spot]lot.Quantity{{l.id, place}: -q, {bin.id, bin.place}: q})}
	}
	o.then = func(proto.Message) {
		if w.plant.lot(string(bin.id)) == nil {
			w.plant.add(bin)
		}
	}
	return o
}

func emptyBin(w *World) *op {
	bin := w.plant.pick(w, func(b *knownLot) bool { return b.bin })
	if bin == nil {
		return nil
	}
	name := w.plant.name("emptying")
	req := &inventoryv1.EmptyBinRequest{Emptying: name, BinLot: string(bin.id), Place: string(bin.place), Effective: lotwire.Time(w.now)}
	o := request(lot.Inventory, "empty bin", req, func(ctx context.Context, r *inventoryv1.EmptyBinRequest) (*inventoryv1.EmptyBinResponse, error) {
		return w.inventory.Goods().EmptyBin(ctx, r)
	}, func(r *inventoryv1.EmptyBinRequest) { r.Effective.Seconds-- })
	o.facts = func(a proto.Message) []entry {
		left := lot.Quantity(a.(*inventoryv1.EmptyBinResponse).GetRemainder())
		return []entry{one("emptying/"+name, 1, map[spot]lot.Quantity{{bin.id, bin.place}: -left})}
	}
	return o
}
