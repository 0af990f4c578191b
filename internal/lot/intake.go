package lot

import (
	"huskline/internal/money"
	"huskline/internal/weight"
)

// PartyRole is what a party is to us; one party may have several.
type PartyRole int

// The roles of a party.
const (
	Seller PartyRole = iota + 1
	CustomClient
	Customer
	Supplier
	OwnOrchard
)

// PartyChanged is a party as it stands from now on.
type PartyChanged struct {
	Party   PartyID
	Name    string
	Roles   []PartyRole
	Address string // asked for by the one-up-one-back record of 21 CFR 1.337 and 1.345
	Phone   string
}

// ItemKind is what an item is in the flow of the plant.
type ItemKind int

// The kinds of item.
const (
	InShell ItemKind = iota + 1
	Kernel
	ByProductItem
	WasteItem
	Ingredient
	Finished
	Packaging
)

// ItemChanged is an item as it stands from now on. A split-off price is dated by the event's effective time.
type ItemChanged struct {
	Item      ItemID
	Name      string
	ItemKind  ItemKind
	Measure   Measure
	SplitOff  *money.Price // per pound; nil or zero means none
	Unit      weight.Mass  // weight of one piece or package; 0 where it has none
	Allergens []string     // by their specific names
}

// ReadingsStored is one stored batch of scale readings. A reading is no event: the batch is.
type ReadingsStored struct {
	Batch    string // the command id it came under
	Lines    int64  // lines that came, repeats too
	Stored   int64  // readings not seen before
	Historic bool   // imported: kept as they are, never measured by the rules for live scales
	Scales   []ScaleReadings
}

// ScaleReadings is what a batch stored of one scale.
type ScaleReadings struct {
	Scale  string
	Ranges []SequenceRange // of the stored readings, ascending
	Count  int64
	Digest []byte // SHA-256 over the 16-byte row hashes in sequence order
}

// SequenceRange is First to Last, both included.
type SequenceRange struct{ First, Last int64 }

// Ownership says whose the nuts are.
type Ownership int

// The ownerships: the company's; a custom client's, shelled for a fee; still the seller's, title not passed.
const (
	Company Ownership = iota + 1
	Custom
	SellersOwn
)

// Source says how pounds were born.
type Source int

// The sources of a received lot.
const (
	Delivery Source = iota + 1
	IngredientReceipt
)

// Sample is what the crack-out of a delivery found. The kernel weight includes the rejects; foreign material is outside the sample.
type Sample struct {
	MoisturePPM      int64 // parts per million of the delivered weight, so 5.3 % is 53,000; below 0 where unknown
	ForeignPPM       int64
	SampleMilligrams int64
	KernelMilligrams int64
	RejectMilligrams int64
	NutsPerPound     int64
}

// Received is a lot born at the gate: a delivery of nuts or a bought ingredient.
type Received struct {
	Lot         ID
	Source      Source
	Item        ItemID
	Measure     Measure
	Quantity    Quantity
	Party       PartyID // who brought it
	Ownership   Ownership
	Owner       PartyID // empty: the company
	Place       PlaceID
	Gross, Tare weight.Mass // zero for a bought ingredient
	Price       *money.Price
	Purchase    money.Amount // what it cost at the price first paid: quantity x price to the cent, or the bill of an ingredient
	Freight     money.Amount
	Charges     []LandedCharge // commission, assessments that the handler bears, drying
	SupplierLot string         // the supplier's own lot number, an alias scoped by the party
	Variety     string
	CropYear    int64
	Sample      *Sample
	BestBy      string // a calendar day, 2025-06-30; empty where unknown
	Packaging   string
	Carrier     string
	Document    string
	Visit       int64   // of the vehicle that it was weighed in; 0: its weighings were listed
	VisitLine   int64   // 0: all lines of the visit
	Draft       Draft   // how the vehicle stood; 0: not known
	Keyed       []int64 // numbers of the keyed weights among its weighings
}

// LandedCharge is a cost of getting a lot to the plant, beside price and freight.
type LandedCharge struct {
	Name   string
	Amount money.Amount
}

// PriceSettled is the final price of a received lot. It replaces the price first paid in every cost that came from the lot; of several
// the latest by effective time stands, then the greatest settlement id.
type PriceSettled struct {
	Settlement string
	Lot        ID
	Price      money.Price
	Purchase   money.Amount // pay quantity x price, to the cent
}

// DeliveryCorrected puts a delivery as it should have been recorded in place of what was, or voids it.
type DeliveryCorrected struct {
	Version int64 // 2, 3 …
	Voided  bool
	Reason  string
	Now     Received // as corrected; where voided, as it was
	// ReceivingVariance is quantity paid for less quantity received, where pay weight alone was corrected.
	ReceivingVariance Quantity
}

// Bought is title to an owner's pounds passing to the company.
type Bought struct {
	Purchase string // the purchase's own id
	Lot      ID     // the owner's lot
	NewLot   ID     // the company's; the same code where an untouched ticket was bought whole
	Owner    PartyID
	Quantity Quantity
	Price    money.Amount
	Place    PlaceID
}

// Kind names the event type.
func (PartyChanged) Kind() string { return "party-changed" }

// Kind names the event type.
func (ItemChanged) Kind() string { return "item-changed" }

// Kind names the event type.
func (ReadingsStored) Kind() string { return "readings-stored" }

// Kind names the event type.
func (Received) Kind() string { return "lot-received" }

// Kind names the event type.
func (PriceSettled) Kind() string { return "price-settled" }

// Kind names the event type.
func (DeliveryCorrected) Kind() string { return "delivery-corrected" }

// Kind names the event type.
func (Bought) Kind() string { return "lot-bought" }
