package genealogy

import (
	"time"

	"huskline/internal/lot"
)

// Apply takes one event in. A body that says nothing about genealogy only moves its producer's position. A refused event (a quantity below
// zero or beyond a billion pounds, a line number beyond 32 bits) leaves the index as it was. An event applied twice changes nothing the
// second time: a fact is known by its natural key, and only a correction replaces one.
func (x *Index) Apply(e lot.Recorded) error {
	if err := check(e.Body); err != nil {
		return err
	}
	at := micros(e.Effective)
	switch b := e.Body.(type) {
	case lot.PartyChanged:
		x.partyChanged(b, at)
	case lot.ItemChanged:
		x.itemChanged(b, at)
	case lot.Received:
		x.received(b, at)
	case lot.DeliveryCorrected:
		x.deliveryCorrected(b, at)
	case lot.Bought:
		x.bought(b, at)
	case lot.RunPosted:
		x.runPosted(b)
	case lot.Poured:
		x.poured(b, at)
	case lot.BinEmptied:
		x.binEmptied(b, at)
	case lot.Adjusted:
		x.adjusted(b, at)
	case lot.Shipped:
		x.shipped(b, at)
	case lot.Returned:
		x.returned(b, at)
	case lot.Moved:
		x.moved(b, at)
	case lot.Held:
		x.held(b, at)
	case lot.HoldEnded:
		x.holdEnded(b, at)
	case lot.Corrected:
		x.corrected(b, at)
	}
	if have := x.positions[e.Producer]; have.Epoch < e.Epoch || have.Epoch == e.Epoch && have.Position < e.Position {
		x.positions[e.Producer] = e.Receipt
	}
	return nil
}

// partyChanged keeps the party as it stands by effective time; of two at one time the later told.
func (x *Index) partyChanged(b lot.PartyChanged, at int64) {
	p := &x.parties[x.party(b.Party)]
	if at >= p.at {
		*p = party{id: p.id, name: b.Name, address: b.Address, phone: b.Phone, known: true, at: at}
	}
}

func (x *Index) itemChanged(b lot.ItemChanged, at int64) {
	i := &x.items[x.item(b.Item)]
	if at >= i.at {
		*i = item{id: i.id, name: b.Name, unit: int64(b.Unit), known: true, at: at}
	}
}

// received is version 1 of a delivery. Where a correction came first it only adds when the delivery came in.
func (x *Index) received(b lot.Received, at int64) {
	n := x.lot(b.Lot)
	if _, again := x.gates[n]; again {
		return
	}
	x.gates[n] = at
	if x.versions[n] == 0 {
		x.versions[n] = 1
		x.stand(n, b, at, false)
		return
	}
	for i := x.lots[n].in; i != none; i = x.legs[i].next {
		if x.legs[i].kind == received {
			x.legs[i].at = at
		}
	}
}

// stand puts a delivery as it is told now in place of what was told before.
func (x *Index) stand(n int32, b lot.Received, at int64, voided bool) {
	for i := x.lots[n].in; i != none; i = x.legs[i].next {
		if x.legs[i].kind == received {
			x.kill(i)
		}
	}
	of := &x.lots[n]
	of.measure, of.source, of.voided = uint8(b.Measure), uint8(b.Source), voided
	if came := (papers{b.SupplierLot, b.Carrier, b.Document}); came != (papers{}) || x.papers[n] != (papers{}) {
		x.papers[n] = came
	}
	of.item, of.owner, of.party = x.item(b.Item), x.party(b.Owner), x.party(b.Party)
	if !voided {
		x.enter(leg{quantity: b.Quantity, at: at, lot: n, peer: none, mate: none, line: none, kind: received}, b.Place)
	}
}

// deliveryCorrected stands from its version on, whoever of intake and inventory tells it first. The nuts came in when they came in:
// the correction's own time counts only as long as the delivery itself is not told.
func (x *Index) deliveryCorrected(b lot.DeliveryCorrected, at int64) {
	n := x.lot(b.Now.Lot)
	if b.Version <= x.versions[n] {
		return
	}
	x.versions[n] = b.Version
	if gate, ok := x.gates[n]; ok {
		at = gate
	}
	x.stand(n, b.Now, at, b.Voided)
}

// bought passes title: an untouched ticket bought whole keeps its code and changes owner, other pounds become a new lot.
func (x *Index) bought(b lot.Bought, at int64) {
	n := x.lot(b.Lot)
	if b.NewLot == b.Lot || b.NewLot == "" {
		x.titles[n] = at
		return
	}
	key := factName{boughtOut, b.Purchase}
	if _, again := x.legOf[key]; again {
		return
	}
	to, name := x.lot(b.NewLot), x.name(b.Purchase)
	x.lots[to].owner = 0
	x.legOf[key] = x.enter(leg{quantity: b.Quantity, at: at, lot: n, peer: to, mate: none, line: name, kind: boughtOut}, b.Place)
	x.enter(leg{quantity: b.Quantity, at: at, lot: to, peer: n, mate: none, line: name, kind: boughtIn}, b.Place)
}

// Positions is how far the index has read each producer: its newest epoch and the highest position in it.
func (x *Index) Positions() []lot.Receipt {
	out := make([]lot.Receipt, 0, len(x.positions))
	for _, r := range x.positions {
		out = append(out, r)
	}
	sortReceipts(out)
	return out
}

func timeOf(at int64) time.Time { return time.UnixMicro(at).UTC() }
