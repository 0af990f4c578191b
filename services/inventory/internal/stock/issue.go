package stock

import (
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Use is what goods are taken for.
type Use int

// The uses. Counting and title passing are none: they move nothing.
const (
	ForRun Use = iota + 1
	ForPour
	ForMove
	ForSale
	ForReturn // to the owner or the seller
	ForDestruction
)

// decisions are those under which held goods may be taken for a use. A move is free under any.
func (u Use) decisions() []lot.Disposition {
	switch u {
	case ForRun, ForPour:
		return []lot.Disposition{lot.Rework, lot.ReSort, lot.Treat}
	case ForMove:
		return []lot.Disposition{lot.Rework, lot.ReSort, lot.Treat, lot.ReturnGoods, lot.Destroy}
	case ForReturn:
		return []lot.Disposition{lot.ReturnGoods}
	case ForDestruction:
		return []lot.Disposition{lot.Destroy}
	}
	return nil
}

// SpentUnder refuses goods that left under another disposition than the one named, or under one where none was named.
func (b *Book) SpentUnder(disposition string) error {
	for _, s := range b.change.Spent {
		if s.ID == disposition {
			return nil
		}
	}
	if len(b.change.Spent) > 0 {
		return fault.Precondition("lot_held", "held goods leave under disposition %s; name it", b.change.Spent[0].ID)
	}
	if disposition != "" {
		return fault.Precondition("disposition_idle", "disposition %s: it covers none of these goods", disposition)
	}
	return nil
}

// freeze ends pouring into a bin lot: its origins and cost stand from the first draw on.
func (b *Book) freeze(l *Lot, at time.Time) {
	if l.Source == FromPour && l.Frozen.IsZero() {
		l.Frozen = at
		b.Touch(l)
	}
}

// Raced is the reason of a command that bore a lot, or claimed a code, at the same moment as another. A lot that is not there cannot be locked:
// the command is to be run again, and will then see what the other did.
const Raced = "lot_code_raced"

// ByEvent leads the claimant of a code that nobody had claimed when an event of intake's bore its lot.
const ByEvent = "event "

// TakenBack leads the claimant of a code whose lot came back by its event, after the database went back to an earlier moment, and whose claim
// did not: who claims it again is taken at their word.
const TakenBack = "taken back by event "

// Birth is a lot that comes to be.
type Birth struct {
	ID        lot.ID
	Claimant  string // who may use the code
	Item      lot.ItemID
	Measure   lot.Measure
	Owner     lot.PartyID
	Ownership lot.Ownership
	Source    Source
	Maker     string
	Party     lot.PartyID
	Born      time.Time
}

// Bear makes a lot under a code that is free, or was claimed by the same claimant. Its quantity comes with Grow.
func (b *Book) Bear(n Birth) (*Lot, error) {
	if _, err := lot.ParseID(string(n.ID)); err != nil {
		return nil, err
	}
	if old := b.known.Lots[n.ID]; old != nil {
		if !old.Voided || old.Source != n.Source || old.Maker != n.Maker {
			return nil, fault.Conflict("lot_born", "lot %s: the code is in use, by a lot of %s %s; a code is never used again", n.ID, old.Source, old.Maker)
		}
		b.Touch(old)
		old.Voided, old.Item, old.Measure, old.Born, old.Made = false, n.Item, n.Measure, n.Born.UTC(), 0
		old.Owner, old.Ownership = n.Owner, n.Ownership
		return old, nil
	}
	switch claimant, claimed := b.known.Claims[n.ID]; {
	case claimed && claimant != n.Claimant && !b.known.Accepted:
		return nil, fault.Conflict("lot_code_claimed", "lot %s: the code is claimed by %s, not by %s", n.ID, claimant, n.Claimant)
	case !claimed:
		b.known.Claims[n.ID] = n.Claimant
		b.change.Claims = append(b.change.Claims, Claim{n.ID, n.Claimant})
	}
	l := &Lot{
		ID: n.ID, Item: n.Item, Measure: n.Measure, Owner: n.Owner, Ownership: n.Ownership, Source: n.Source, Maker: n.Maker,
		Party: n.Party, Born: n.Born.UTC().Truncate(time.Microsecond), Version: 1, change: born,
	}
	b.known.Lots[n.ID] = l
	b.change.Lots = append(b.change.Lots, l)
	return l, nil
}

// Item checks that an item is registered and counts what is claimed of it.
func (b *Book) Item(id lot.ItemID, m lot.Measure) error {
	item, ok := b.known.Items[id]
	if !ok {
		return fault.NotFound("item_unknown", "item %q: it is not registered", id)
	}
	if item.Measure != m {
		return fault.Invalid("measure_wrong", "item %q: it is kept by %s, not by %s", id, measureName(item.Measure), measureName(m))
	}
	return nil
}

func measureName(m lot.Measure) string {
	if m == lot.ByCount {
		return "count"
	}
	return "weight"
}

// Grow adds to what a lot was made with; the earliest time of it is its birth.
func (b *Book) Grow(l *Lot, q lot.Quantity, at time.Time) {
	b.Touch(l)
	l.Made += q
	if l.Made == q || at.Before(l.Born) {
		l.Born = at.UTC().Truncate(time.Microsecond)
	}
}
