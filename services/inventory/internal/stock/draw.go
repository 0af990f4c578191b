package stock

import (
	"slices"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Draw is goods to be taken of a lot at a place, for a use.
type Draw struct {
	Lot        *Lot
	Place      lot.PlaceID
	Quantity   lot.Quantity
	Containers []string // empty: loose goods
	Use        Use
	Key        Key
	Fact       string
	Line       string // which of the fact's draws it is; empty: its only one
}

// Draw takes goods of a lot, once they may be taken, and says from where. The other side of the movement is for the caller to add.
func (b *Book) Draw(d Draw) ([]Portion, error) {
	portions, err := b.portions(d)
	if err != nil {
		return nil, err
	}
	return portions, b.take(d, portions)
}

func (b *Book) take(d Draw, portions []Portion) error {
	if d.Use != 0 {
		if err := b.issue(d, portions); err != nil {
			return err
		}
	}
	if d.mayGoOver(portions) && !b.titleLater(d.Lot, d.Key) {
		spot := Spot{d.Lot.ID, d.Place, d.Lot.Owner}
		b.overs[spot] = append(b.overs[spot], d)
	}
	if b.correcting {
		for _, p := range portions {
			b.draws(d.Lot.ID, p.Container, p.Quantity)
		}
	}
	for _, p := range portions {
		b.leg(Leg{
			Fact: d.Fact, Spot: Spot{d.Lot.ID, d.Place, d.Lot.Owner}, Container: p.Container, Measure: d.Lot.Measure, Quantity: -p.Quantity, Key: d.Key,
		})
	}
	return nil
}

// draws notes what a correction set draws, or below zero takes back.
func (b *Book) draws(id lot.ID, container string, q lot.Quantity) {
	if b.drawn[id] == nil {
		b.drawn[id] = map[string]lot.Quantity{}
	}
	b.drawn[id][container] += q
}

// issue asks whether goods of a lot may be taken at a time, and spends the disposition under which held ones are. Nothing is taken before
// the lot was born; nothing of a seller's before title has passed, save that it goes back; nothing held without a disposition.
func (b *Book) issue(d Draw, portions []Portion) error {
	l, when := d.Lot, d.Key.At
	if when.Before(l.Born) {
		return fault.Precondition("before_birth", "lot %s: %s is before it came to be, at %s", l.ID, Stamp(when), Stamp(l.Born))
	}
	if l.Ownership == lot.SellersOwn && d.Use != ForReturn && d.Use != ForMove {
		return fault.Precondition("title_not_passed", "lot %s: it is still its seller's: buy it first, or give it back", l.ID)
	}
	if b.correcting {
		b.freeze(l, when)
		return nil
	}
	held := false
	for _, flag := range b.known.Flags[l.ID] {
		if flag.Excluded {
			continue
		}
		q := b.heldOf(l, flag, portions)
		held = held || q > 0
		if q == 0 {
			continue
		}
		if err := b.spend(d, flag, q); err != nil {
			return err
		}
	}
	if d.Use != ForMove {
		b.freeze(l, when)
	}
	if !held {
		b.issued = append(b.issued, l.ID)
	}
	return nil
}

// heldOf is how much of what is drawn a hold lies on: all, or of a hold on a part what comes from its containers and what of the loose goods is
// more than is free.
func (b *Book) heldOf(l *Lot, f Flag, portions []Portion) lot.Quantity {
	var held lot.Quantity
	for _, p := range portions {
		switch {
		case !f.Part || p.Container != "" && b.covers(l.ID, f, p.Container):
			held += p.Quantity
		case p.Container == "" && f.Window():
			held += min(p.Quantity, max(0, p.Quantity-b.free(l)))
		}
	}
	return held
}

// covers tells whether a hold on a part of a lot lies on a container of it.
func (b *Book) covers(id lot.ID, f Flag, code string) bool {
	for _, c := range b.known.Containers[id] {
		if c.Code == code && f.Covers(c) {
			return true
		}
	}
	return false
}

// free is what of the loose goods of a lot lies outside all fill windows that are held. Nobody knows which of the loose goods were taken before,
// so that all that was filled inside a window is taken to be there still.
func (b *Book) free(l *Lot) lot.Quantity {
	loose, held := b.looseAnywhere(l), lot.Quantity(0)
	for _, fill := range b.known.Fills[l.ID] {
		if slices.ContainsFunc(b.known.Flags[l.ID], func(f Flag) bool { return !f.Excluded && f.Part && f.within(fill.At) }) {
			held += fill.Quantity
		}
	}
	return max(0, loose-held)
}

func (b *Book) spend(d Draw, flag Flag, q lot.Quantity) error {
	l := d.Lot
	for _, of := range b.known.Dispositions[l.ID] {
		if of.Hold != flag.Hold || of.Left < q || !slices.Contains(d.Use.decisions(), of.Decision) {
			continue
		}
		if d.Use != ForMove {
			of.Left -= q
			b.change.Spent = append(b.change.Spent, SpentDisposition{of.ID, q})
			b.heldDrawn = append(b.heldDrawn, Marked{flag.Hold, l.ID})
		}
		return nil
	}
	switch {
	case b.known.Accepted:
		return nil
	case !flag.Part:
		return fault.Precondition("lot_held", "lot %s: hold %s (%s) lies on it, and no disposition covers %s", l.ID, flag.Hold, flag.Reason, Amount(q, l.Measure))
	case len(d.Containers) > 0:
		return fault.Precondition("lot_held", "lot %s: hold %s (%s) lies on containers of it, %s of what is taken is in them, and no disposition covers that", l.ID,
			flag.Hold, flag.Reason, Amount(q, l.Measure))
	}
	free := b.free(l)
	return fault.Precondition("lot_held", "lot %s: hold %s (%s) lies on a part of it: of the loose goods %s is free and %s is held, %s is taken, and no disposition covers the rest",
		l.ID, flag.Hold, flag.Reason, Amount(free, l.Measure), Amount(b.looseAnywhere(l)-free, l.Measure), Amount(d.Quantity, l.Measure))
}
