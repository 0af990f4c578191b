package stock

import (
	"slices"
	"strings"
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

// Issue asks whether goods of a lot may be taken at a time, and spends the disposition under which held ones are. Nothing is taken before
// the lot was born; nothing of a seller's before title has passed, save that it goes back; nothing held without a disposition.
func (b *Book) Issue(l *Lot, q lot.Quantity, at time.Time, use Use) error {
	if at.Before(l.Born) {
		return fault.Precondition("before_birth", "lot %s: %s is before it came to be, at %s", l.ID, Stamp(at), Stamp(l.Born))
	}
	if l.Ownership == lot.SellersOwn && use != ForReturn && use != ForMove {
		return fault.Precondition("title_not_passed", "lot %s: it is still its seller's: buy it first, or give it back", l.ID)
	}
	if b.correcting {
		b.drawn[l.ID] += q
		b.freeze(l, at)
		return nil
	}
	held := false
	for _, flag := range b.known.Flags[l.ID] {
		if flag.Excluded {
			continue
		}
		held = true
		if err := b.spend(l, flag, q, use); err != nil {
			return err
		}
	}
	if use != ForMove {
		b.freeze(l, at)
	}
	if !held {
		b.issued = append(b.issued, l.ID)
	}
	return nil
}

func (b *Book) spend(l *Lot, flag Flag, q lot.Quantity, use Use) error {
	for _, d := range b.known.Dispositions[l.ID] {
		if d.Hold != flag.Hold || d.Left < q || !slices.Contains(use.decisions(), d.Decision) {
			continue
		}
		if use != ForMove {
			d.Left -= q
			b.change.Spent = append(b.change.Spent, SpentDisposition{d.ID, q})
		}
		return nil
	}
	if b.known.Accepted {
		return nil
	}
	return fault.Precondition("lot_held", "lot %s: hold %s (%s) lies on it, and no disposition covers %s", l.ID, flag.Hold, flag.Reason,
		Amount(q, l.Measure))
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

// HandDown puts the safety holds of a new lot's sources on it and says so. Those of all classes go along where `all` is set: the same goods
// under a new code.
func (b *Book) HandDown(child *Lot, flags []Flag, all bool, at time.Time) []lot.Event {
	var events []lot.Event
	for _, f := range flags {
		if f.Excluded || f.Class != lot.SafetyHold && !all || b.marked(child.ID, f.Hold) {
			continue
		}
		b.known.Flags[child.ID] = append(b.known.Flags[child.ID], f)
		b.Mark(f.Hold, child.ID)
		events = append(events, HeldEvent(f, child.ID, at))
	}
	slices.SortFunc(events, func(x, y lot.Event) int { return strings.Compare(x.Body.(lot.Held).Hold, y.Body.(lot.Held).Hold) })
	return events
}

func (b *Book) marked(id lot.ID, hold string) bool {
	return slices.ContainsFunc(b.known.Flags[id], func(f Flag) bool { return f.Hold == hold })
}

// HeldEvent says that a hold lies on a lot.
func HeldEvent(f Flag, id lot.ID, at time.Time) lot.Event {
	lots := []lot.ID{id}
	if f.Root != id {
		lots = append(lots, f.Root)
	}
	return lot.Event{Lots: lots, Effective: at, Body: lot.Held{
		Hold: f.Hold, Class: f.Class, Root: f.Root, Lot: id, Reason: f.Reason, Recall: f.Recall,
	}}
}
