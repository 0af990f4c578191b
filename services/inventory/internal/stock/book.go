package stock

import (
	"context"
	"slices"
	"strconv"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// ahead is how far an effective time may lie after the service's clock: clocks of a plant differ by seconds, a typo by hours.
const ahead = 5 * time.Minute

// Book is what one command knows, has locked and wants to write. It belongs to one transaction.
type Book struct {
	known  *Known
	now    time.Time
	change Change
	issued []lot.ID // left their spot for good: no spreading hold may stand above them

	heldDrawn []Marked // held goods were drawn under a disposition

	overs  map[Spot][]Draw // draws that may go over the book of their bin lots
	gained []lot.Event     // say by how much they did

	correcting bool
	drawn      map[lot.ID]map[string]lot.Quantity // by a correction set, by container: what it draws less what it takes back
	undone     []Leg                              // of lots: gains that it takes back
}

// Open locks what a command touches. The movement is a name that no other movement has.
func Open(ctx context.Context, tx Tx, movement string, want Want) (*Book, error) {
	slices.Sort(want.Lots)
	want.Lots = slices.Compact(want.Lots)
	slices.Sort(want.Runs)
	want.Runs = slices.Compact(want.Runs)
	known, err := tx.Lock(ctx, want)
	if err != nil {
		return nil, err
	}
	return NewBook(known, movement, tx.At()), nil
}

// NewBook is a book over what is known already, for rules that are tried without a database.
func NewBook(known *Known, movement string, now time.Time) *Book {
	if known.Containers == nil {
		known.Containers = map[lot.ID][]*Container{}
	}
	return &Book{known: known, now: now, change: Change{Movement: movement, Balances: map[Spot]Balance{}}, overs: map[Spot][]Draw{}}
}

// When refuses a time that is missing or lies ahead of the service's clock by more than five minutes.
func (b *Book) When(what string, at time.Time) error {
	switch {
	case at.IsZero():
		return fault.Invalid("effective_missing", "%s: its effective time is missing", what)
	case at.After(b.now.Add(ahead)):
		return fault.Precondition("effective_in_future", "%s: its effective time %s is more than 5 minutes after the service's clock, %s", what,
			Stamp(at), Stamp(b.now))
	}
	return nil
}

// Stamp prints a time as refusals show it.
func Stamp(at time.Time) string { return at.UTC().Format(time.RFC3339Nano) }

// Amount prints a quantity with its unit.
func Amount(q lot.Quantity, m lot.Measure) string {
	if m == lot.ByCount {
		return strconv.FormatInt(int64(q), 10) + " pieces"
	}
	return weight.Mass(q).String() + " lb"
}

// Lot finds a lot that is there.
func (b *Book) Lot(id lot.ID) (*Lot, error) {
	l := b.known.Lots[id]
	if l == nil {
		if _, err := lot.ParseID(string(id)); err != nil {
			return nil, err
		}
		return nil, fault.NotFound("lot_unknown", "lot %s: there is none of this code", id)
	}
	if l.Voided {
		return nil, fault.Precondition("lot_voided", "lot %s: it was voided", id)
	}
	return l, nil
}

// Find is the lot, voided or not; nil where there is none.
func (b *Book) Find(id lot.ID) *Lot { return b.known.Lots[id] }

// Run is the state of a run that Open was asked for.
func (b *Book) Run(id lot.RunID) *RunState { return b.known.Runs[id] }

// Again tells whether what is booked was accepted before, and is made again after the database went back to an earlier moment.
func (b *Book) Again() bool { return b.known.Accepted }

// Unit is what a piece of an item weighs in a run's balance.
func (b *Book) Unit(id lot.ItemID) lot.Quantity { return b.known.Units[id] }

// Flags are the holds on a lot, excluded ones too.
func (b *Book) Flags(id lot.ID) []Flag { return b.known.Flags[id] }

// Place is a registered place.
func (b *Book) Place(id lot.PlaceID) (Place, error) {
	if id == "" {
		return Place{}, nil
	}
	p, ok := b.known.Places[id]
	if !ok && !b.known.Accepted {
		return Place{}, fault.NotFound("place_unknown", "place %q: it is not registered", id)
	}
	return p, nil
}

// Party refuses a party that nobody registered.
func (b *Book) Party(id lot.PartyID) error {
	if !b.known.Parties[id] && !b.known.Accepted {
		return fault.NotFound("party_unknown", "party %q: it is not registered", id)
	}
	return nil
}

// Reason is the account of a registered reason.
func (b *Book) Reason(reason string) (lot.Account, error) {
	a, ok := b.known.Reasons[reason]
	if !ok {
		return lot.Account{}, fault.NotFound("reason_unknown", "reason %q: it is not registered", reason)
	}
	return a, nil
}

// OnHand is what lies at a spot now, with the legs of this book.
func (b *Book) OnHand(s Spot) lot.Quantity {
	q := b.known.Balances[s].Quantity
	for _, leg := range b.change.Legs {
		if leg.Spot == s {
			q += leg.Quantity
		}
	}
	return q
}

// Untouched tells whether all of a lot still lies at one spot as it was born.
func (b *Book) Untouched(l *Lot, place lot.PlaceID) bool {
	return b.OnHand(Spot{l.ID, place, l.Owner}) == l.Made
}

// Once uses up the natural key of a fact. A key used before is refused when the book is written.
func (b *Book) Once(fact string) { b.change.Facts = append(b.change.Facts, fact) }

// Put adds to a lot.
func (b *Book) Put(l *Lot, place lot.PlaceID, q lot.Quantity, k Key, fact string) {
	b.leg(Leg{Fact: fact, Spot: Spot{l.ID, place, l.Owner}, Measure: l.Measure, Quantity: q, Key: k})
}

// Post books a quantity to an account.
func (b *Book) Post(account string, m lot.Measure, q lot.Quantity, k Key, fact string) {
	b.leg(Leg{Fact: fact, Account: account, Measure: m, Quantity: q, Key: k})
}

func (b *Book) leg(l Leg) {
	if l.Quantity == 0 {
		return
	}
	l.Movement = b.change.Movement
	b.change.Legs = append(b.change.Legs, l)
	b.contain(l)
}

// Join adds an edge.
func (b *Book) Join(parent, child, fact string) {
	b.change.Edges = append(b.change.Edges, Edge{parent, child, fact})
}

// Cut takes the edges of a fact away, before those of this book are added.
func (b *Book) Cut(fact string) { b.change.Cut = append(b.change.Cut, fact) }

// Touch marks a lot as changed.
func (b *Book) Touch(l *Lot) {
	if l.change == unchanged {
		l.change = changed
		b.change.Lots = append(b.change.Lots, l)
	}
}

// SetRun writes a run's state, the lines of this book and, where there is one, its contribution table in place of the former.
func (b *Book) SetRun(r *RunState, lines []Line, table []lot.Contribution, replace bool) {
	b.change.Runs = append(b.change.Runs, r)
	b.change.Lines = append(b.change.Lines, lines...)
	if replace || len(table) > 0 {
		if b.change.Contributions == nil {
			b.change.Contributions = map[lot.RunID][]lot.Contribution{}
		}
		b.change.Contributions[r.ID] = table
	}
}

// Mark puts a hold on a lot that did not have it.
func (b *Book) Mark(hold string, id lot.ID) {
	b.change.Flags = append(b.change.Flags, Marked{hold, id})
}

// Spread lets a hold reach a lot and its descendants soon; until then issue and ship look at ancestors.
func (b *Book) Spread(hold string, id lot.ID) {
	b.change.Spread = append(b.change.Spread, Marked{hold, id})
}
