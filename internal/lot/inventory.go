package lot

import (
	"time"

	"huskline/internal/money"
)

// Role is what an output is to its run.
type Role int

// The roles of an output: what the run is for; sold for little; thrown away.
const (
	Main Role = iota + 1
	ByProduct
	Waste
)

// RunInput is goods that a run took in.
type RunInput struct {
	Line        int64 // unique within the run
	Lot         ID
	Quantity    Quantity
	Place       PlaceID
	At          time.Time // when it left its lot: the start of dumping, else the run's start
	DumpedFrom  time.Time // zero where unknown
	DumpedTo    time.Time
	MoisturePPM int64  // below 0 where unknown
	Container   string // dumped; empty: from no container in particular
}

// RunOutput is goods that a run gave.
type RunOutput struct {
	Line        int64 // unique within the run
	Lot         ID
	Item        ItemID
	Measure     Measure
	Quantity    Quantity
	Role        Role
	Place       PlaceID
	Owner       PartyID   // empty: the company
	At          time.Time // when it appeared: the end of filling, else the run's end
	FilledFrom  time.Time // zero where unknown
	FilledTo    time.Time
	MoisturePPM int64  // below 0 where unknown
	Container   string // filled; empty: loose
}

// Contribution is the pounds of an input lot that went into an output lot.
type Contribution struct {
	Input    ID
	Output   ID
	Quantity Quantity
}

// RunPosted is what a run took in and gave, as inventory accepted it. An open run is posted piece by piece: the lines of a run are those of
// all its postings of the newest version. A posting of a higher version replaces all lines of the lower ones.
type RunPosted struct {
	Run           RunID
	Version       int64
	Stage         string
	Owner         PartyID // empty: the company
	Inputs        []RunInput
	Outputs       []RunOutput
	Contributions []Contribution // only with the final posting of a version
	Final         bool           // the run is complete: what is left of inputs over outputs is unaccounted
	GainReason    string         // required where outputs exceed inputs
}

// Poured is pounds of a lot put into a bin lot.
type Poured struct {
	Pour     string
	Bin      ID // the bin lot
	Item     ItemID
	Measure  Measure
	Lot      ID
	Quantity Quantity
	Place    PlaceID // of the lot poured
	BinPlace PlaceID
}

// BinEmptied is the sight of an empty bin: the book remainder goes to unaccounted, at the bin lot's cost.
type BinEmptied struct {
	Bin       ID
	Place     PlaceID
	Remainder Quantity
	Emptying  string // the command's natural key
}

// Account is a loss (or gain) account of the ledger, with what happens to the dollars of the pounds that go to it.
type Account struct {
	Name       string // such as "moisture", "damage", "count", "sample"
	WritesOff  bool   // true: dollars go with the pounds; false: they stay on the pounds that are left
	Unexplains bool   // counts as unaccounted
}

// Adjusted is a correction of stock.
type Adjusted struct {
	Adjustment string
	Lot        ID
	Place      PlaceID
	Delta      Quantity // below zero: a loss
	Reason     string
	Account    Account
	// DrawnBy is, of a count gain that a draw over the book of a bin lot made, the fact that drew; empty: an adjustment by itself. At one instant
	// such a gain stands right after receipts and returns, before all that draws.
	DrawnBy string
}

// ShipmentKind says why goods left.
type ShipmentKind int

// The kinds of shipment: sold; custom-shelled nuts handed back to their owner; rejected pounds that leave again to their seller.
const (
	Sale ShipmentKind = iota + 1
	ReturnToOwner
	ReturnToSeller
)

// ShipmentLine is pounds of one lot in a shipment.
type ShipmentLine struct {
	Line     int64 // 1, 2, 3 … within the shipment
	Lot      ID
	Quantity Quantity
	Place    PlaceID
	Price    *money.Price // per pound, where invoiced here
	// Containers are what the goods left in; empty: from no container in particular.
	Containers []string
}

// Shipped is goods that left.
type Shipped struct {
	Shipment   string
	ShipKind   ShipmentKind
	Consignee  PartyID
	Channel    string
	Carrier    string
	Document   string
	FreightOut money.Amount
	Lines      []ShipmentLine
}

// Returned is goods of a shipment line that came back as a lot of their own, with the dollars and origins of what was shipped.
type Returned struct {
	Return   string
	Shipment string
	Line     int64
	Origin   ID // the lot that was shipped
	Lot      ID // the lot they now are
	Item     ItemID
	Measure  Measure
	Owner    PartyID
	Quantity Quantity
	Place    PlaceID
}

// Moved is goods carried from one place to another.
type Moved struct {
	Movement string
	Lot      ID
	Quantity Quantity
	From, To PlaceID
	// Containers are what was carried; empty: goods in no container in particular.
	Containers []string
}

// HoldClass says how far a hold reaches.
type HoldClass int

// A safety hold reaches existing and future descendants; a commercial hold does not spread.
const (
	SafetyHold HoldClass = iota + 1
	CommercialHold
)

// Held is a hold put on a lot: the root, or a descendant it spread to.
type Held struct {
	Hold       string
	Class      HoldClass
	Root       ID
	Lot        ID
	Containers []string  // empty: the whole lot
	FillFrom   time.Time // zero: no fill window
	FillTo     time.Time
	Reason     string
	Recall     bool // a recall hold is not released by one person alone
}

// HoldEnded is a hold lifted: from one lot that quality excluded, or from all by release.
type HoldEnded struct {
	Hold     string
	Lot      ID   // the excluded lot; empty: the hold as a whole was released
	Excluded bool // by exclusion, with the reason
	Reason   string
}

// Disposition is what quality decided about held goods.
type Disposition int

// The dispositions.
const (
	Rework Disposition = iota + 1
	ReSort
	Treat
	ReturnGoods
	Destroy
)

// Disposed is a quality disposition of held goods: it alone lets them move, and what is made of them stays held.
type Disposed struct {
	DispositionID string
	Hold          string
	Lot           ID
	Decision      Disposition
	Quantity      Quantity
	Reason        string
}

// Corrected is a correction set that inventory accepted whole: every part stands as it is given here from now on.
type Corrected struct {
	Correction  string
	Reason      string
	Deliveries  []DeliveryCorrected
	Runs        []RunPosted // the run's whole new version
	Pours       []Poured    // in place of the pour of the same name; quantity zero takes it away
	Adjustments []Adjusted  // likewise
	Shipments   []Shipped   // likewise, by line
}

// Kind names the event type.
func (RunPosted) Kind() string { return "run-posted" }

// Kind names the event type.
func (Poured) Kind() string { return "lot-poured" }

// Kind names the event type.
func (BinEmptied) Kind() string { return "bin-emptied" }

// Kind names the event type.
func (Adjusted) Kind() string { return "lot-adjusted" }

// Kind names the event type.
func (Shipped) Kind() string { return "lot-shipped" }

// Kind names the event type.
func (Returned) Kind() string { return "lot-returned" }

// Kind names the event type.
func (Moved) Kind() string { return "lot-moved" }

// Kind names the event type.
func (Held) Kind() string { return "lot-held" }

// Kind names the event type.
func (HoldEnded) Kind() string { return "hold-ended" }

// Kind names the event type.
func (Disposed) Kind() string { return "lot-disposed" }

// Kind names the event type.
func (Corrected) Kind() string { return "lots-corrected" }
