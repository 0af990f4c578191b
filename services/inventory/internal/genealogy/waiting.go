package genealogy

import (
	"fmt"
	"slices"
	"strings"

	"huskline/internal/lot"
)

// Waiting is a lot that facts name and whose birth is not known yet: its own fact may still be on its way.
type Waiting struct {
	Lot   lot.ID
	Facts []string // what names it: "run R-1", "shipment X-1 line 2"; sorted
}

// Waiting lists those of the lots that are not known yet.
func (v View) Waiting(ids []lot.ID) ([]Waiting, error) {
	var out []Waiting
	for _, id := range ids {
		n, err := v.find(id)
		if err != nil {
			return nil, err
		}
		if !v.born(n) {
			out = append(out, Waiting{Lot: id, Facts: v.namedBy(n)})
		}
	}
	slices.SortFunc(out, func(a, b Waiting) int { return strings.Compare(string(a.Lot), string(b.Lot)) })
	return out, nil
}

func (v View) namedBy(n int32) []string {
	x := v.index
	var out []string
	for i := x.lots[n].out; i != none; i = x.legs[i].next {
		if !v.counts(i) {
			continue
		}
		switch l := &x.legs[i]; l.kind {
		case input:
			out = append(out, "run "+string(x.runs[l.peer].id))
		case shipped:
			out = append(out, fmt.Sprintf("shipment %s line %d", x.shipments[l.peer].name, l.line))
		case wentBack:
			out = append(out, fmt.Sprintf("return of shipment %s line %d", x.shipments[l.mate].name, l.line))
		case pouredOut:
			out = append(out, "pour "+x.names[l.line])
		case boughtOut:
			out = append(out, "purchase "+x.names[l.line])
		case adjusted:
			out = append(out, "adjustment "+x.names[l.line])
		case carriedOff:
			out = append(out, "move "+x.names[l.line])
		case emptied:
			out = append(out, "emptying "+x.names[l.line])
		}
	}
	for _, h := range v.holdsOn(n) {
		out = append(out, "hold "+h)
	}
	slices.Sort(out)
	return slices.Compact(out)
}
