// Package sim gives the simulation what is pure in intake: deliveries with their corrections, final prices and purchases, over tables in memory in
// place of SQL. It is for tests only.
package sim

import (
	"cmp"
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/sim/mem"
	"huskline/services/intake/internal/consumer"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/settle"
	"huskline/services/intake/internal/weighing"
)

// store is intake's tables.
type store struct {
	codes       *mem.Table[lot.ID, bool]
	numbers     *mem.Table[int, int64] // own codes, by year
	parties     *mem.Table[lot.PartyID, lot.PartyChanged]
	items       *mem.Table[lot.ItemID, lot.ItemChanged]
	received    *mem.Table[lot.ID, delivery.State]
	settlements *mem.Table[string, settlement]
	purchaseIDs *mem.Table[string, string] // id: the command that keeps it
	purchases   *mem.Table[string, lot.Bought]
	owned       *mem.Table[lot.ID, lot.PartyID]
}

type settlement struct {
	delivery.Settled
	version int64
}

func newStore(log *mem.Log) *store {
	return &store{
		codes: mem.NewTable[lot.ID, bool](log), numbers: mem.NewTable[int, int64](log), parties: mem.NewTable[lot.PartyID, lot.PartyChanged](log),
		items: mem.NewTable[lot.ItemID, lot.ItemChanged](log), received: mem.NewTable[lot.ID, delivery.State](log),
		settlements: mem.NewTable[string, settlement](log), purchaseIDs: mem.NewTable[string, string](log),
		purchases: mem.NewTable[string, lot.Bought](log), owned: mem.NewTable[lot.ID, lot.PartyID](log),
	}
}

// tx is a transaction as the domains see it. What the simulation does not use (scales, readings, tokens) is not there: to call it is a nil
// dereference.
type tx struct {
	work.Tx
	s  *store
	at time.Time
}

var (
	_ delivery.Tx = (*tx)(nil)
	_ settle.Tx   = (*tx)(nil)
	_ consumer.Tx = (*tx)(nil)
)

// Now is the time of recording.
func (t *tx) Now() time.Time { return t.at }

// SaveParty keeps a party as it stands from now on.
func (t *tx) SaveParty(_ context.Context, p lot.PartyChanged) error {
	t.s.parties.Put(p.Party, p)
	return nil
}

// SaveItem keeps an item as it stands.
func (t *tx) SaveItem(_ context.Context, i lot.ItemChanged, _ time.Time) error {
	if have, ok := t.s.items.Get(i.Item); ok && have.Measure != i.Measure {
		return fault.Precondition("item_measure_fixed", "item %s: whether it is kept by weight or by count cannot change", i.Item)
	}
	t.s.items.Put(i.Item, i)
	return nil
}

// Known looks up what a delivery needs to know.
func (t *tx) Known(_ context.Context, w delivery.Want) (delivery.Known, error) {
	known := delivery.Known{Scales: map[string]bool{}, Readings: map[delivery.ReadingKey]weighing.Stored{}, LotUsed: t.s.codes.Has(w.Lot)}
	if p, ok := t.s.parties.Get(w.Party); ok {
		known.Roles = p.Roles
	}
	if i, ok := t.s.items.Get(w.Item); ok {
		known.Item = &delivery.Item{Kind: i.ItemKind, Measure: i.Measure}
	}
	return known, nil
}

// NextCode gives the next lot code of intake's for a year.
func (t *tx) NextCode(_ context.Context, year int) (lot.ID, error) {
	n, _ := t.s.numbers.Get(year)
	t.s.numbers.Put(year, n+1)
	return lot.NewCode('N', year, n+1)
}

func (t *tx) use(id lot.ID) error {
	if t.s.codes.Has(id) {
		return fault.Conflict("lot_code_used", "the lot code of this command came into use just now; a code is never used again")
	}
	t.s.codes.Put(id, true)
	return nil
}

// Bear writes version 1 of a received lot.
func (t *tx) Bear(_ context.Context, s delivery.State) error {
	if err := t.use(s.Facts.Lot); err != nil {
		return err
	}
	t.s.received.Put(s.Facts.Lot, s)
	return nil
}

// Received finds a received lot.
func (t *tx) Received(_ context.Context, id lot.ID) (*delivery.State, error) {
	s, ok := t.s.received.Get(id)
	if !ok {
		return nil, nil
	}
	return &s, nil
}

// SaveVersion writes a later version, which stands from now on, and ends its hold.
func (t *tx) SaveVersion(_ context.Context, s delivery.State) error {
	have, ok := t.s.received.Get(s.Facts.Lot)
	if ok && have.Version >= s.Version {
		return fault.Bug("lot %s: version %d is there already", s.Facts.Lot, s.Version)
	}
	s.HeldBy, s.Bought = "", have.Bought
	t.s.received.Put(s.Facts.Lot, s)
	return nil
}

// Hold moves the hold on a lot from one command to another, where it is the first one's.
func (t *tx) Hold(_ context.Context, id lot.ID, from, to string) error {
	if s, ok := t.s.received.Get(id); ok && s.HeldBy == from {
		s.HeldBy = to
		t.s.received.Put(id, s)
	}
	return nil
}

// Resettle gives every final price of a lot its purchase anew.
func (t *tx) Resettle(_ context.Context, id lot.ID, version int64, purchase delivery.Purchase) ([]delivery.Settled, error) {
	var all []delivery.Settled
	for k, s := range t.s.settlements.All() {
		if s.Lot != id {
			continue
		}
		amount, err := purchase(s.Price)
		if err != nil {
			return nil, err
		}
		s.Purchase, s.version = amount, version
		t.s.settlements.Put(k, s)
		all = append(all, s.Settled)
	}
	slices.SortFunc(all, func(a, b delivery.Settled) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Settlement, b.Settlement))
	})
	return all, nil
}

// SaveSettlement adds a final price.
func (t *tx) SaveSettlement(_ context.Context, s delivery.Settled, version int64) error {
	if t.s.settlements.Has(s.Settlement) {
		return fault.Conflict("settlement_known", "the settlement's id is in use already")
	}
	t.s.settlements.Put(s.Settlement, settlement{s, version})
	return nil
}

// Reserve keeps a purchase's id for a command.
func (t *tx) Reserve(_ context.Context, purchase, command string, code lot.ID) (purchaseUsed, codeUsed bool, err error) {
	by, kept := t.s.purchaseIDs.Get(purchase)
	if kept && by != "" && by != command {
		return true, t.s.codes.Has(code), nil
	}
	t.s.purchaseIDs.Put(purchase, command)
	return t.s.purchases.Has(purchase), t.s.codes.Has(code), nil
}

// Free gives a purchase's id back that a command has reserved.
func (t *tx) Free(_ context.Context, purchase, command string) error {
	if by, _ := t.s.purchaseIDs.Get(purchase); by == command {
		t.s.purchaseIDs.Put(purchase, "")
	}
	return nil
}

// SavePurchase adds a purchase; one of a whole ticket, which keeps its code, marks the ticket as bought.
func (t *tx) SavePurchase(_ context.Context, b lot.Bought, _ time.Time) error {
	if t.s.purchases.Has(b.Purchase) {
		return fault.Conflict("purchase_known", "the purchase's id is in use already")
	}
	t.s.purchases.Put(b.Purchase, b)
	if b.NewLot != b.Lot {
		return t.use(b.NewLot)
	}
	if s, ok := t.s.received.Get(b.Lot); ok {
		s.Bought = true
		t.s.received.Put(b.Lot, s)
	}
	return nil
}

// Owned finds a lot of an owner's that was made here.
func (t *tx) Owned(_ context.Context, id lot.ID) (*settle.Owned, error) {
	if owner, ok := t.s.owned.Get(id); ok {
		return &settle.Owned{Lot: id, Owner: owner}, nil
	}
	return nil, nil
}

// SaveOwned notes a lot of an owner's that was made here.
func (t *tx) SaveOwned(_ context.Context, id lot.ID, owner lot.PartyID) error {
	t.s.owned.Put(id, owner)
	return nil
}
