package stock

import (
	"context"
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Adjust is an order to correct stock for a reason.
type Adjust struct {
	Name   string
	Lot    lot.ID
	Place  lot.PlaceID
	Delta  lot.Quantity
	Reason string
	At     time.Time
	// Account is that of the reason, where it was said already; nil: the registered one.
	Account *lot.Account
	DrawnBy string // of a count gain that is made again: the fact that drew
}

// AdjustLot corrects stock. Held goods may be found fewer, but leave, as what is given away or destroyed does, under a
// disposition to destroy them only.
func AdjustLot(ctx context.Context, tx Tx, a Adjust) (lot.Quantity, []lot.Event, error) {
	fact := AdjustmentFact(a.Name)
	left, events, err := adjustLot(ctx, tx, a, fact)
	return left, events, InUse(ctx, tx, fact, err)
}

func adjustLot(ctx context.Context, tx Tx, a Adjust, fact string) (lot.Quantity, []lot.Event, error) {
	if a.DrawnBy == "" {
		if err := FreeName(a.Name); err != nil {
			return 0, nil, err
		}
	}
	b, err := Open(ctx, tx, fact, Want{Lots: []lot.ID{a.Lot}, Reasons: []string{a.Reason}})
	if err != nil {
		return 0, nil, err
	}
	if err := b.When(fact, a.At); err != nil {
		return 0, nil, err
	}
	body, err := b.Adjust(a)
	if err != nil {
		return 0, nil, err
	}
	b.Once(fact)
	l := b.Find(a.Lot)
	left := b.OnHand(Spot{l.ID, a.Place, l.Owner})
	return left, []lot.Event{{Lots: []lot.ID{a.Lot}, Effective: a.At, Body: body}}, b.Close(ctx, tx)
}

// leavesPlant tells whether what is booked to an account leaves our hands. It does, whatever the reason is called, unless the account only finds
// that goods are fewer or worse: moisture, damage, count, what quality draws as a sample, and any that counts as unaccounted.
func leavesPlant(a lot.Account) bool {
	return !a.Unexplains && !slices.Contains([]string{"moisture", "damage", "count", "sample"}, a.Name)
}

// Adjust adds the legs of an adjustment and says it.
func (b *Book) Adjust(a Adjust) (lot.Adjusted, error) {
	if a.Delta == 0 {
		return lot.Adjusted{}, fault.Invalid("quantity_zero", "adjustment %s: it changes nothing", a.Name)
	}
	l, err := b.Lot(a.Lot)
	if err != nil {
		return lot.Adjusted{}, err
	}
	account, err := b.accountOf(a)
	if err != nil {
		return lot.Adjusted{}, err
	}
	if a.At.Before(l.Born) {
		return lot.Adjusted{}, fault.Precondition("before_birth", "lot %s: %s is before it came to be, at %s", l.ID, Stamp(a.At), Stamp(l.Born))
	}
	fact, k := AdjustmentFact(a.Name), FillKey(a.At, Adjustment, a.Name)
	if a.DrawnBy != "" {
		fact, k = a.DrawnBy, GainKey(a.At, a.Name)
	}
	if a.Delta > 0 {
		if b.titleLater(l, k) && !b.Again() {
			return lot.Adjusted{}, fault.Precondition("title_passed", "lot %s: at %s it was another's; title passed to %s later, to all that was there", l.ID,
				Stamp(a.At), OwnerName(l.Owner))
		}
		b.Put(l, a.Place, a.Delta, k, fact)
	} else {
		k = DrawKey(a.At, Adjustment, a.Name)
		if err := b.lose(l, a, account, k); err != nil {
			return lot.Adjusted{}, err
		}
	}
	b.Post(account.Name, l.Measure, -a.Delta, k, fact)
	return lot.Adjusted{Adjustment: a.Name, Lot: a.Lot, Place: a.Place, Delta: a.Delta, Reason: a.Reason, Account: account, DrawnBy: a.DrawnBy}, nil
}

// lose takes what is fewer than the book has: loose goods first, since nobody knows which container lacks something.
func (b *Book) lose(l *Lot, a Adjust, to lot.Account, k Key) error {
	d := Draw{Lot: l, Place: a.Place, Quantity: -a.Delta, Key: k, Fact: AdjustmentFact(a.Name)}
	if leavesPlant(to) {
		d.Use = ForDestruction
	}
	return b.take(d, b.anywhere(l, a.Place, d.Quantity))
}

func (b *Book) accountOf(a Adjust) (lot.Account, error) {
	if a.Account != nil {
		return *a.Account, nil
	}
	return b.Reason(a.Reason)
}

// MoveLot carries goods from one place to another.
func MoveLot(ctx context.Context, tx Tx, m lot.Moved, at time.Time) ([]lot.Event, error) {
	fact := MoveFact(m.Movement)
	b, err := Open(ctx, tx, fact, Want{Lots: []lot.ID{m.Lot}, Places: []lot.PlaceID{m.To}})
	if err != nil {
		return nil, err
	}
	if err := b.When(fact, at); err != nil {
		return nil, err
	}
	l, err := b.Lot(m.Lot)
	if err != nil {
		return nil, err
	}
	if _, err := b.Place(m.To); err != nil {
		return nil, err
	}
	switch {
	case m.Quantity <= 0:
		return nil, fault.Invalid("quantity_not_positive", "move %s: %d is not above zero", m.Movement, m.Quantity)
	case m.From == m.To:
		return nil, fault.Invalid("move_nowhere", "move %s: from and to are both %q", m.Movement, m.To)
	}
	if err := b.Enter(m.To, l.ID, ""); err != nil {
		return nil, err
	}
	d := Draw{
		Lot: l, Place: m.From, Quantity: m.Quantity, Containers: m.Containers, Use: ForMove, Key: DrawKey(at, Transfer, m.Movement), Fact: fact,
	}
	portions, err := b.Draw(d)
	if err != nil {
		return nil, err
	}
	for _, code := range m.Containers {
		if c := b.container(l.ID, code, m.From); c.Quantity > 0 {
			return nil, fault.Invalid("container_partial", "move %s: container %s of lot %s would stay behind with %s: a container is carried with all that is in it",
				m.Movement, code, l.ID, Amount(c.Quantity, l.Measure))
		}
	}
	b.Once(fact)
	b.PutPortions(l, m.To, d, portions, FillKey(at, Transfer, m.Movement))
	return b.CloseWithGains(ctx, tx, []lot.Event{{Lots: []lot.ID{m.Lot}, Effective: at, Body: m}})
}

// CheckAccount keeps the accounts that are no loss from being used for adjustments.
func CheckAccount(a lot.Account) error {
	for _, own := range []string{AccountGate, AccountShipped, AccountTitle, AccountAssembled} {
		if a.Name == own {
			return fault.Invalid("account_reserved", "account %q: the ledger uses it for something else", a.Name)
		}
	}
	if strings.HasPrefix(a.Name, RunAccount("")) {
		return fault.Invalid("account_reserved", "account %q: names that begin with %q are work in process", a.Name, RunAccount(""))
	}
	return nil
}

// titleLater tells whether a lot came to its owner under its own code after a place in its order. What was found then was found of another's goods,
// of which all that there was has passed.
func (b *Book) titleLater(l *Lot, k Key) bool {
	for s, had := range b.known.Balances {
		if s.Lot == l.ID && s.Owner != l.Owner && k.Compare(had.Latest) < 0 {
			return true
		}
	}
	return false
}
