// Package recall answers the question that a recall asks: which lots hold anything of this one, where are they, who received them, and
// does every pound of it have a place.
package recall

import (
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
	"huskline/services/inventory/internal/genealogy"
)

// Options narrow a drill.
type Options struct {
	At time.Time // only facts effective at or before it; zero: all
}

// Report is a recall drill of one lot. Its weights are whole lots, not shares: a recall fetches the bag, not the part of it. Pieces count by the
// weight of one, nothing where their item has none.
type Report struct {
	Lot  genealogy.Lot
	At   time.Time     // the drill's time, zero: all facts
	AsOf []lot.Receipt // how far each producer was read

	AffectedLots []lot.ID      // made from it, directly or not; sorted, without itself
	Ancestors    []lot.ID      // it was made from them, directly or not; sorted, without itself
	Shipments    []string      // of it and its affected lots, sorted
	Customers    []lot.PartyID // who received them, owners and sellers too; sorted

	Shipped  weight.Mass // of it and its affected lots, what left
	Returned weight.Mass // of that, came back
	OnHand   weight.Mass // of it and its affected lots

	ReceivedOrMade weight.Mass // the lot itself, from here on
	Used           weight.Mass // in runs, pours and purchases of its pounds
	OwnShipped     weight.Mass
	OwnReturned    weight.Mass
	Adjusted       weight.Mass // signed
	OwnUnaccounted weight.Mass // to accounts that explain nothing; below zero is a gain
	OwnOnHand      weight.Mass
	Accounted      Ratio

	Affected   []AffectedLot // the lot itself first, then the affected lots by code
	Lines      []genealogy.ShipmentLine
	Consignees []Consignee
	Steps      []genealogy.Step    // runs that made or took any of them, each with what it leaves unaccounted
	NotKnown   []genealogy.Waiting // the lot, its affected lots and ancestors that facts name and whose birth is not known yet
}

// AffectedLot is a lot that holds something of the lot in question.
type AffectedLot struct {
	genealogy.Lot
	Quantities genealogy.Quantities // in its own measure
	OnHand     weight.Mass
	Held       bool
	Piles      []genealogy.Pile // where it lies
}

// Consignee is who received some of it, and how to reach them.
type Consignee struct {
	genealogy.Party
	Shipments []string // sorted
	Shipped   weight.Mass
	Returned  weight.Mass
}

// Drill traces a lot forward and backward and adds up where its pounds are. A lot that no fact names, or that was not there at the drill's time, is
// refused as not found, reason lot_unknown. The index must not change meanwhile.
func Drill(x *genealogy.Index, id lot.ID, o Options) (Report, error) {
	v := x.View(o.At)
	of, err := v.Lot(id)
	if err != nil {
		return Report{}, err
	}
	r := Report{Lot: of, At: o.At, AsOf: x.Positions()}
	if r.AffectedLots, err = v.Descendants(id); err != nil {
		return Report{}, err
	}
	if r.Ancestors, err = v.Ancestors(id); err != nil {
		return Report{}, err
	}
	family := slices.Concat([]lot.ID{id}, r.AffectedLots)
	if err := r.addLots(v, family); err != nil {
		return Report{}, err
	}
	if r.Lines, err = v.ShipmentLines(family); err != nil {
		return Report{}, err
	}
	if err := r.addLines(v); err != nil {
		return Report{}, err
	}
	if r.Steps, err = v.Steps(family); err != nil {
		return Report{}, err
	}
	r.NotKnown, err = v.Waiting(slices.Concat(family, r.Ancestors))
	return r, err
}

func (r *Report) addLots(v genealogy.View, family []lot.ID) error {
	for i, id := range family {
		of, err := v.Lot(id)
		if err != nil {
			return err
		}
		q, err := v.Quantities(id)
		if err != nil {
			return err
		}
		onHand, err := v.Pounds(id, q.OnHand)
		if err != nil {
			return err
		}
		piles, err := v.Piles(id)
		if err != nil {
			return err
		}
		r.OnHand += onHand
		r.Affected = append(r.Affected, AffectedLot{Lot: of, Quantities: q, OnHand: onHand, Held: len(of.Holds) > 0, Piles: piles})
		if i == 0 {
			if err := r.addOwn(v, id, q); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *Report) addOwn(v genealogy.View, id lot.ID, q genealogy.Quantities) error {
	for _, of := range []struct {
		to   *weight.Mass
		from lot.Quantity
	}{
		{&r.ReceivedOrMade, q.Made}, {&r.Used, q.Used}, {&r.OwnShipped, q.Shipped}, {&r.OwnReturned, q.Returned},
		{&r.Adjusted, q.Adjusted}, {&r.OwnUnaccounted, q.Unaccounted}, {&r.OwnOnHand, q.OnHand},
	} {
		m, err := v.Pounds(id, of.from)
		if err != nil {
			return err
		}
		*of.to = m
	}
	r.Accounted = Ratio{Part: q.Used + q.Shipped - q.Adjusted + q.OnHand, Whole: q.Made}
	return nil
}

// addLines gathers shipments and consignees from the lines, which are sorted by shipment.
func (r *Report) addLines(v genealogy.View) error {
	place := map[lot.PartyID]int{}
	for _, line := range r.Lines {
		returned, err := v.Pounds(line.Lot, line.Returned)
		if err != nil {
			return err
		}
		r.Shipped, r.Returned = r.Shipped+line.Pounds, r.Returned+returned
		r.Shipments = append(r.Shipments, line.Shipment)
		i, ok := place[line.Consignee]
		if !ok {
			i, place[line.Consignee] = len(r.Consignees), len(r.Consignees)
			r.Consignees = append(r.Consignees, Consignee{Party: v.Party(line.Consignee)})
		}
		c := &r.Consignees[i]
		c.Shipped, c.Returned, c.Shipments = c.Shipped+line.Pounds, c.Returned+returned, append(c.Shipments, line.Shipment)
	}
	r.Shipments = slices.Compact(r.Shipments)
	slices.SortFunc(r.Consignees, func(a, b Consignee) int { return strings.Compare(string(a.ID), string(b.ID)) })
	for i := range r.Consignees {
		r.Consignees[i].Shipments = slices.Compact(r.Consignees[i].Shipments)
		r.Customers = append(r.Customers, r.Consignees[i].ID)
	}
	return nil
}

// Origins are the deliveries and bought lots in a lot, sorted by code; their parts sum to genealogy.Whole exactly.
func Origins(x *genealogy.Index, id lot.ID, o Options) ([]genealogy.Origin, error) {
	return x.View(o.At).Origins(id)
}

// Totals are the weights and counts of the whole season, as far as the index has read.
func Totals(x *genealogy.Index, o Options) genealogy.Totals { return x.View(o.At).Totals() }
