package stock

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Container is what is left in a container of a lot at a place. One that was carried elsewhere has a row with nothing where it stood.
type Container struct {
	Lot        lot.ID
	Code       string // unique within the lot
	Place      lot.PlaceID
	Quantity   lot.Quantity
	FilledFrom time.Time // zero where unknown
	FilledTo   time.Time
	touched    bool
}

// Portion is goods drawn from a container, or loose ones where it names none.
type Portion struct {
	Container string
	Quantity  lot.Quantity
}

// container finds the row of a container at a place; nil where there is none.
func (b *Book) container(id lot.ID, code string, place lot.PlaceID) *Container {
	for _, c := range b.known.Containers[id] {
		if c.Code == code && c.Place == place {
			return c
		}
	}
	return nil
}

// Filled is when a container of a lot was filled.
func (b *Book) Filled(id lot.ID, code string) (at time.Time, known bool) {
	for _, c := range b.known.Containers[id] {
		if c.Code == code {
			return c.FilledTo, true
		}
	}
	return time.Time{}, false
}

// contain books a leg to its container.
func (b *Book) contain(l Leg) {
	if l.Container == "" {
		return
	}
	c := b.container(l.Spot.Lot, l.Container, l.Spot.Place)
	if c == nil {
		c = &Container{Lot: l.Spot.Lot, Code: l.Container, Place: l.Spot.Place, FilledTo: l.Key.At}
		b.known.Containers[c.Lot] = append(b.known.Containers[c.Lot], c)
		slices.SortFunc(b.known.Containers[c.Lot], func(x, y *Container) int {
			return cmp.Or(strings.Compare(x.Code, y.Code), cmp.Compare(x.Place, y.Place))
		})
	}
	c.Quantity += l.Quantity
	if !c.touched {
		c.touched = true
		b.change.Containers = append(b.change.Containers, c)
	}
}

// Fill puts goods into a container that was not used before, or leaves them loose where it names none.
func (b *Book) Fill(l *Lot, place lot.PlaceID, c Container, k Key, fact string) error {
	if c.Code != "" && !b.correcting {
		for _, old := range b.known.Containers[l.ID] {
			if old.Code == c.Code {
				return fault.Conflict("container_known", "lot %s: container %s was filled already; the code of a container is used once for a lot", l.ID, c.Code)
			}
		}
	}
	b.leg(Leg{Fact: fact, Spot: Spot{l.ID, place, l.Owner}, Container: c.Code, Measure: l.Measure, Quantity: c.Quantity, Key: k})
	for _, row := range b.known.Containers[l.ID] {
		if row.Code == c.Code && c.Code != "" {
			row.FilledFrom, row.FilledTo = c.FilledFrom, c.FilledTo
		}
	}
	return nil
}

// PutPortions adds goods that were drawn from a lot at a place, each in the container that it was in.
func (b *Book) PutPortions(l *Lot, place lot.PlaceID, from Draw, portions []Portion, k Key) {
	for _, p := range portions {
		b.leg(Leg{Fact: from.Fact, Spot: Spot{l.ID, place, l.Owner}, Container: p.Container, Measure: l.Measure, Quantity: p.Quantity, Key: k})
		if p.Container == "" {
			continue
		}
		was, is := b.container(from.Lot.ID, p.Container, from.Place), b.container(l.ID, p.Container, place)
		is.FilledFrom, is.FilledTo = was.FilledFrom, was.FilledTo
	}
}

// contained is what lies in containers of a lot at a place.
func (b *Book) contained(id lot.ID, place lot.PlaceID) lot.Quantity {
	var sum lot.Quantity
	for _, c := range b.known.Containers[id] {
		if c.Place == place {
			sum += c.Quantity
		}
	}
	return sum
}

// Lies is what lies of a lot, in all places.
func (b *Book) Lies(l *Lot) lot.Quantity {
	var sum lot.Quantity
	for s, bal := range b.known.Balances {
		if s.Lot == l.ID {
			sum += bal.Quantity
		}
	}
	for _, leg := range b.change.Legs {
		if leg.Spot.Lot == l.ID {
			sum += leg.Quantity
		}
	}
	return sum
}

// looseAnywhere is what lies of a lot in no container, in all places.
func (b *Book) looseAnywhere(l *Lot) lot.Quantity {
	sum := b.Lies(l)
	for _, c := range b.known.Containers[l.ID] {
		sum -= c.Quantity
	}
	return sum
}

// portions says from where a draw takes. What names no container takes loose goods only: somebody knows which container is opened.
func (b *Book) portions(d Draw) ([]Portion, error) {
	if len(d.Containers) > 0 {
		return b.named(d)
	}
	in := b.contained(d.Lot.ID, d.Place)
	if in > 0 && !b.correcting {
		loose := b.OnHand(Spot{d.Lot.ID, d.Place, d.Lot.Owner}) - in
		if d.Quantity > loose {
			return nil, b.lessLoose(d.Lot, d.Place, loose, in)
		}
	}
	return []Portion{{Quantity: d.Quantity}}, nil
}

func (b *Book) lessLoose(l *Lot, place lot.PlaceID, loose, in lot.Quantity) error {
	return fault.Precondition("goods_contained", "lot %s%s: %s of it lie loose, %s lie in containers: name those that are taken from", l.ID, at(place),
		Amount(max(0, loose), l.Measure), Amount(in, l.Measure))
}

// at says where, or nothing of the default place.
func at(place lot.PlaceID) string {
	if place == "" {
		return ""
	}
	return " at " + string(place)
}

// named takes from containers in the order in which they are named.
func (b *Book) named(d Draw) ([]Portion, error) {
	var out []Portion
	seen, left := map[string]bool{}, d.Quantity
	for _, code := range d.Containers {
		if seen[code] {
			return nil, fault.Invalid("container_repeated", "lot %s: container %s is named twice", d.Lot.ID, code)
		}
		seen[code] = true
		c, err := b.standing(d, code)
		if err != nil {
			return nil, err
		}
		if q := min(left, c.Quantity); q > 0 {
			out, left = append(out, Portion{code, q}), left-q
		}
	}
	if left > 0 {
		return nil, fault.Precondition("container_short", "lot %s, container %s: %s is left in it, %s is taken", d.Lot.ID, strings.Join(d.Containers, ", "),
			Amount(d.Quantity-left, d.Lot.Measure), Amount(d.Quantity, d.Lot.Measure))
	}
	return out, nil
}

// standing finds a container where a draw looks for it.
func (b *Book) standing(d Draw, code string) (*Container, error) {
	c := b.container(d.Lot.ID, code, d.Place)
	for _, other := range b.known.Containers[d.Lot.ID] {
		if other.Code == code && other.Place != d.Place && (other.Quantity > 0 || c == nil) {
			return nil, fault.Precondition("container_elsewhere", "lot %s, container %s: it stands at %q, not at %q", d.Lot.ID, code, other.Place, d.Place)
		}
	}
	switch {
	case c == nil:
		return nil, fault.NotFound("container_unknown", "lot %s: it has no container %s", d.Lot.ID, code)
	case d.Key.At.Before(c.FilledTo):
		return nil, fault.Precondition("before_fill", "lot %s, container %s: %s is before it was filled, at %s", d.Lot.ID, code, Stamp(d.Key.At), Stamp(c.FilledTo))
	}
	return c, nil
}

// anywhere takes loose goods first, then from containers in code order: what is found missing by a count, or passes title, is nowhere in
// particular. What nothing is left for is loose, so that the balance refuses it.
func (b *Book) anywhere(l *Lot, place lot.PlaceID, q lot.Quantity) []Portion {
	in := b.contained(l.ID, place)
	loose := max(0, b.OnHand(Spot{l.ID, place, l.Owner})-in)
	if in == 0 || q <= loose {
		return []Portion{{Quantity: q}}
	}
	var out []Portion
	if loose > 0 {
		out = append(out, Portion{Quantity: loose})
	}
	left := q - loose
	for _, c := range b.known.Containers[l.ID] {
		if take := min(left, c.Quantity); c.Place == place && take > 0 {
			out, left = append(out, Portion{c.Code, take}), left-take
		}
	}
	if left > 0 {
		out = append(out, Portion{Quantity: left})
	}
	return out
}

// containersHold refuses a book after which a container would hold less than nothing, stand in two places, or hold what is not there.
func (b *Book) containersHold() error {
	places := map[Spot]bool{}
	for _, l := range b.change.Legs {
		if len(b.known.Containers[l.Spot.Lot]) > 0 {
			places[Spot{Lot: l.Spot.Lot, Place: l.Spot.Place}] = true
		}
	}
	for _, c := range b.change.Containers {
		l := b.known.Lots[c.Lot]
		if c.Quantity < 0 {
			return fault.Precondition("container_short", "lot %s, container %s: %s more were taken from it than it would have held", c.Lot, c.Code, Amount(-c.Quantity, l.Measure))
		}
		for _, other := range b.known.Containers[c.Lot] {
			if other != c && other.Code == c.Code && other.Quantity > 0 && c.Quantity > 0 {
				return fault.Precondition("container_elsewhere", "lot %s, container %s: it would stand at %q and at %q", c.Lot, c.Code, c.Place, other.Place)
			}
		}
	}
	for s := range places {
		l := b.known.Lots[s.Lot]
		in := b.contained(s.Lot, s.Place)
		if lies := b.OnHand(Spot{s.Lot, s.Place, l.Owner}); in > 0 && lies >= 0 && lies < in {
			return b.lessLoose(l, s.Place, lies-in, in)
		}
	}
	return nil
}
