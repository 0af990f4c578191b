package stock

import (
	"cmp"
	"time"

	"huskline/internal/lot"
)

// Rank orders what happened to a lot at one instant.
type Rank int16

// The ranks: receipts and returns first, shipments last.
const (
	Receipt Rank = iota
	OwnerChange
	Run
	Transfer // moves and pours
	Adjustment
	Shipment
)

// Key is the place of a leg among the legs of its lot.
type Key struct {
	At    time.Time // when it happened, to the microsecond
	Order int16     // twice the rank, and one more for what draws; GainOrder
	Name  string    // natural key of the fact
}

// GainOrder is that of a count gain which a draw over the book of a bin lot made: right after receipts and returns, which draw nothing, and before
// all that draws at the instant.
const GainOrder = int16(Receipt)*2 + 1

// GainKey is the key of such a gain.
func GainKey(at time.Time, name string) Key {
	return Key{at.UTC().Truncate(time.Microsecond), GainOrder, name}
}

// FillKey is the key of a leg that adds.
func FillKey(at time.Time, r Rank, name string) Key {
	return Key{at.UTC().Truncate(time.Microsecond), int16(r) * 2, name}
}

// DrawKey is the key of a leg that takes.
func DrawKey(at time.Time, r Rank, name string) Key {
	return Key{at.UTC().Truncate(time.Microsecond), int16(r)*2 + 1, name}
}

// Compare is below zero where k comes before o.
func (k Key) Compare(o Key) int {
	return cmp.Or(k.At.Compare(o.At), cmp.Compare(k.Order, o.Order), cmp.Compare(k.Name, o.Name))
}

// Spot is where goods of a lot lie, and whose they are.
type Spot struct {
	Lot   lot.ID
	Place lot.PlaceID
	Owner lot.PartyID
}

// Compare orders spots as bytes.
func (s Spot) Compare(o Spot) int {
	return cmp.Or(cmp.Compare(s.Lot, o.Lot), cmp.Compare(s.Place, o.Place), cmp.Compare(s.Owner, o.Owner))
}

// Leg is one side of a movement: goods of a lot at a spot, or of an account.
type Leg struct {
	Movement string
	Fact     string // what it records: "run/R-1", "shipment/S-1/2"; a correction reverses by it
	Spot     Spot   // empty lot: a leg of an account
	Account  string // empty: a leg of a lot
	// Container that the goods lie in; empty: loose. Balances are of spots, containers hold a part of them.
	Container string
	Measure   lot.Measure
	Quantity  lot.Quantity // signed
	Key       Key
}

// The accounts that are no loss: the gate, customers, title, and work in process of a run.
const (
	AccountGate        = "gate"
	AccountShipped     = "shipped"
	AccountTitle       = "title"
	AccountUnaccounted = "unaccounted"
	// AccountAssembled is counted goods that a run joins or takes apart: pieces in are not pieces out, and pounds in are pieces out.
	AccountAssembled = "assembled"
)

// RunAccount is the work in process of a run. It may stand below zero while the run is open.
func RunAccount(id lot.RunID) string { return "run/" + string(id) }

// The names of facts.

// DeliveryFact is the birth of a lot at the gate.
func DeliveryFact(id lot.ID) string { return "delivery/" + string(id) }

// RunFact is all lines of a run.
func RunFact(id lot.RunID) string { return "run/" + string(id) }

// PourFact is a pour.
func PourFact(name string) string { return "pour/" + name }

// EmptyingFact is the sight of an empty bin.
func EmptyingFact(name string) string { return "emptying/" + name }

// AdjustmentFact is an adjustment.
func AdjustmentFact(name string) string { return "adjustment/" + name }

// MoveFact is a move.
func MoveFact(name string) string { return "move/" + name }

// PurchaseFact is a change of title.
func PurchaseFact(name string) string { return "purchase/" + name }

// CorrectionFact is a correction set.
func CorrectionFact(name string) string { return "correction/" + name }

// ReturnFact is goods that came back.
func ReturnFact(name string) string { return "return/" + name }

// ShipmentFact is a shipment as a whole.
func ShipmentFact(name string) string { return "shipment/" + name }
