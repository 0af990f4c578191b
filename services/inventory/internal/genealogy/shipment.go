package genealogy

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// ShipmentLine is pounds of one lot that left.
type ShipmentLine struct {
	Shipment  string
	Line      int64
	Lot       lot.ID
	Kind      lot.ShipmentKind
	Consignee lot.PartyID
	At        time.Time
	Quantity  lot.Quantity
	Returned  lot.Quantity // of it, came back as lots of their own
	Pounds    weight.Mass
	Carrier   string
	Document  string
	Channel   string
}

// ShipmentLines are the lines on which pounds of the lots left, sorted by shipment and line.
func (v View) ShipmentLines(ids []lot.ID) ([]ShipmentLine, error) {
	var out []ShipmentLine
	for _, id := range ids {
		n, err := v.find(id)
		if err != nil {
			return nil, err
		}
		out = v.linesOf(n, out)
	}
	slices.SortFunc(out, func(a, b ShipmentLine) int {
		return cmp.Or(strings.Compare(a.Shipment, b.Shipment), cmp.Compare(a.Line, b.Line))
	})
	return out, nil
}

func (v View) linesOf(n int32, out []ShipmentLine) []ShipmentLine {
	x := v.index
	from := len(out)
	for i := x.lots[n].out; i != none; i = x.legs[i].next {
		if l := &x.legs[i]; l.kind == shipped && v.counts(i) {
			s := &x.shipments[l.peer]
			out = append(out, ShipmentLine{
				Shipment: s.name, Line: int64(l.line), Lot: x.lots[n].id, Kind: s.kind, Consignee: x.parties[s.consignee].id,
				At: timeOf(l.at), Quantity: l.quantity, Pounds: v.pounds(n, l.quantity),
				Carrier: s.carrier, Document: s.document, Channel: s.channel,
			})
		}
	}
	for i := x.lots[n].out; i != none; i = x.legs[i].next {
		l := &x.legs[i]
		if l.kind != wentBack || !v.counts(i) {
			continue
		}
		for j := from; j < len(out); j++ {
			if out[j].Shipment == x.shipments[l.mate].name && out[j].Line == int64(l.line) {
				out[j].Returned += l.quantity
			}
		}
	}
	return out
}

// Party is what is known of a consignee.
type Party struct {
	ID                   lot.PartyID
	Name, Address, Phone string
	Known                bool // false: facts name it, but it was not told yet who it is
}

// Party describes a party, as it stands now whatever the view's time: a recall wants the number that answers.
func (v View) Party(id lot.PartyID) Party {
	n, ok := v.index.partyOf[id]
	if !ok {
		return Party{ID: id}
	}
	p := v.index.parties[n]
	return Party{ID: id, Name: p.name, Address: p.address, Phone: p.phone, Known: p.known}
}
