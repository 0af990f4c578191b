// Package delivery takes in goods at the gate: nuts by any number of weighings, bought ingredients by the bill. What was recorded wrong is
// put right by a later version, which stands in place of the earlier one; nothing is taken away.
//
//	Record, ReceiveIngredient ──▶ version 1 ──▶ Correct, Void: the inventory judges what moves stock ──▶ version 2 …
//	                                       └──▶ pay weight and cost only: no stock moves, the difference is receiving variance
package delivery

import (
	"context"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/intake/internal/visit"
	"huskline/services/intake/internal/weighing"
)

// Weighing is one weight of a visit.
type Weighing struct {
	Kind     weighing.Kind
	Scale    string // empty where not known
	Sequence int64  // of the scale's reading; 0 where there is none
	Keyed    int64  // number of the keyed weight that it is; 0: none
	Digits   string // as the scale showed them; empty: the stored reading gives the weight
	Unit     string
	Time     time.Time // zero where not known
	Mass     weight.Mass
}

// Facts is a delivery of nuts as it is to be recorded.
type Facts struct {
	Lot       lot.ID // empty: intake gives a code
	Party     lot.PartyID
	Ownership lot.Ownership
	Item      lot.ItemID
	Variety   string
	CropYear  int64
	Weighings []Weighing
	Visit     int64 // closed visit of the vehicle, in place of weighings; 0: none
	VisitLine int64 // 0: all lines of the visit
	Sample    *lot.Sample
	Price     *money.Price
	Freight   money.Amount
	Charges   []lot.LandedCharge
	Place     lot.PlaceID
	Carrier   string
	Document  string
	Pay       *weight.Mass // where the weight paid for is not the net
}

// Ingredient is a bought lot as it is to be recorded.
type Ingredient struct {
	Lot         lot.ID // empty: intake gives a code
	Supplier    lot.PartyID
	Item        lot.ItemID
	Quantity    lot.Quantity
	Cost        money.Amount
	SupplierLot string
	BestBy      string
	Packaging   string
	Carrier     string
	Document    string
	Place       lot.PlaceID
}

// State is a received lot as it stands.
type State struct {
	Facts     lot.Received
	Effective time.Time
	Version   int64
	Voided    bool
	Pay       lot.Quantity // paid for; the quantity unless agreed or corrected otherwise
	Weighings []Weighing
	Command   string // that made this version
	Reason    string // of a correction
	HeldBy    string // the command that waits for the inventory
	Bought    bool   // title to the whole ticket passed to the company
}

// Item is what is known of an item.
type Item struct {
	Kind    lot.ItemKind
	Measure lot.Measure
}

// ReadingKey names a reading by the scale's code.
type ReadingKey = visit.ReadingKey

// Want is what a use-case needs to know.
type Want struct {
	Lot      lot.ID // empty: none
	Party    lot.PartyID
	Item     lot.ItemID
	Scales   []string
	Readings []ReadingKey // that give a weight, where one is stored
	Named    []ReadingKey // whose use is asked for; locked until the end of the transaction
	Visit    int64        // 0: none
	Keyed    []int64
}

// Known is what is known of it.
type Known struct {
	LotUsed  bool
	Roles    []lot.PartyRole // nil: the party is not known
	Item     *Item           // nil: not known
	Scales   map[string]bool
	Readings map[ReadingKey]weighing.Stored
	Used     map[ReadingKey]visit.Use // of readings that belong to a visit, to a delivery or to a keyed weight that was used
	Keyed    map[int64]visit.Keyed    // locked until the end of the transaction
	Visit    *visit.State             // locked until the end of the transaction; nil: there is none
}

// Tx is what deliveries need of a transaction.
type Tx interface {
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// Known looks up what is wanted.
	Known(ctx context.Context, w Want) (Known, error)
	// NextCode gives the next lot code of this producer for a year. A refused command gives it back.
	NextCode(ctx context.Context, year int) (lot.ID, error)
	// Bear writes version 1 of a received lot. A code that is in use is refused.
	Bear(ctx context.Context, s State) error
	// Received finds a received lot and locks it until the end of the transaction; nil where there is none.
	Received(ctx context.Context, id lot.ID) (*State, error)
	// SaveVersion writes a later version, which stands from now on, and ends its hold.
	SaveVersion(ctx context.Context, s State) error
	// Hold moves the hold on a lot from one command to another, where it is the first one's; empty: none waits for the inventory.
	Hold(ctx context.Context, id lot.ID, from, to string) error
	// Resettle gives every final price of a lot its purchase anew and returns them with their times, in the order they were said.
	Resettle(ctx context.Context, id lot.ID, version int64, purchase Purchase) ([]Settled, error)
}

// Purchase is what a lot costs at a price.
type Purchase func(money.Price) (money.Amount, error)

// Settled is a final price with the time from which it stands.
type Settled struct {
	lot.PriceSettled
	At time.Time
}

// Priced is a received lot with its final prices, the latest effective last.
type Priced struct {
	State
	Settled []Settled
}
