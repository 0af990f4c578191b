package seasonfile

import (
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// row is what every row has: its place, and whether a cell of it could not be read.
type row struct {
	Where
	broken bool
}

// At is the row's place in the folder.
func (r row) At() Where { return r.Where }

// Party is a row of parties.csv.
type Party struct {
	row
	ID      lot.PartyID
	Name    string
	Role    lot.PartyRole
	Address string
	Phone   string
}

// Item is a row of items.csv. SplitOff is nil where the cell is empty; zero means no price, as nil does.
type Item struct {
	row
	ID        lot.ItemID
	Name      string
	Kind      lot.ItemKind
	SplitOff  *money.Price
	Unit      weight.Mass // of one package; 0 where it has none
	Allergens []string
}

// Delivery is a row of deliveries.csv. Price is nil for custom nuts, Sample is nil where none of its figures is given.
type Delivery struct {
	row
	Lot         lot.ID
	Time        time.Time
	Seller      lot.PartyID
	Ownership   lot.Ownership
	Item        lot.ItemID
	Variety     string
	CropYear    int64
	Gross, Tare weight.Mass
	Sample      *lot.Sample
	Price       *money.Price
	Freight     money.Amount
}

// Receipt is a row of receipts.csv.
type Receipt struct {
	row
	Lot         lot.ID
	Time        time.Time
	Supplier    lot.PartyID
	Item        lot.ItemID
	Weight      weight.Mass
	Cost        money.Amount
	SupplierLot string
	BestBy      string // a calendar day, 2025-06-30; empty where unknown
	Packaging   string
	Carrier     string
	Document    string
}

// Run is a row of runs.csv with the rows of the other files that belong to it, each in file order.
type Run struct {
	row
	ID            lot.RunID
	Stage, Line   string
	Start, End    time.Time
	LaborHours    int64 // millionths of an hour
	LaborRate     money.Price
	MachineHours  int64 // millionths of an hour
	MachineRate   money.Price
	Other         money.Amount
	Recipe        string
	Inputs        []RunInput
	Outputs       []RunOutput
	Contributions []Contribution
	Owner         lot.PartyID // of all its inputs; empty: the company
}

// RunInput is a row of run_inputs.csv; unknown times are zero, unknown moisture is below 0.
type RunInput struct {
	row
	Run         lot.RunID
	Lot         lot.ID
	Weight      weight.Mass
	DumpedFrom  time.Time
	DumpedTo    time.Time
	MoisturePPM int64
}

// Left is when the input left its lot: when dumping began, else the run's start.
func (i RunInput) Left(run *Run) time.Time {
	if !i.DumpedFrom.IsZero() {
		return i.DumpedFrom
	}
	return run.Start
}

// RunOutput is a row of run_outputs.csv; unknown times are zero, unknown moisture is below 0.
type RunOutput struct {
	row
	Run         lot.RunID
	Lot         lot.ID
	Item        lot.ItemID
	Weight      weight.Mass
	Role        lot.Role
	FilledFrom  time.Time
	FilledTo    time.Time
	MoisturePPM int64
}

// Appeared is when the output was there: when filling ended, else the run's end.
func (o RunOutput) Appeared(run *Run) time.Time {
	if !o.FilledTo.IsZero() {
		return o.FilledTo
	}
	return run.End
}

// Contribution is a row of contributions.csv. A weight of zero says that nothing of the input went into the output.
type Contribution struct {
	row
	Run    lot.RunID
	Input  lot.ID
	Output lot.ID
	Weight weight.Mass
}

// Pour is a row of pours.csv.
type Pour struct {
	row
	ID     string
	Time   time.Time
	Bin    lot.ID
	Lot    lot.ID
	Weight weight.Mass
}

// Adjustment is a row of adjustments.csv.
type Adjustment struct {
	row
	ID     string
	Time   time.Time
	Lot    lot.ID
	Delta  weight.Mass // below zero: a loss
	Reason string      // ReasonMoisture or ReasonDamage
}

// The reasons of an adjustment: the pounds go and the dollars stay; written off at cost.
const (
	ReasonMoisture = "moisture"
	ReasonDamage   = "damage"
)

// ReturnToOwner is the channel of custom-shelled nuts that go back to whom they belong.
const ReturnToOwner = "return to owner"

// Shipment is a row of shipments.csv: one line of a shipment. Rows with the same shipment are its lines and agree in time, customer, channel,
// carrier and document.
type Shipment struct {
	row
	ID         string
	Time       time.Time
	Customer   lot.PartyID
	Lot        lot.ID
	Weight     weight.Mass
	Channel    string
	Carrier    string
	Document   string
	Price      *money.Price // nil where unknown
	FreightOut money.Amount
}

// Return is a row of returns.csv.
type Return struct {
	row
	ID       string
	Time     time.Time
	Shipment string
	Lot      lot.ID // the lot it now is
	Weight   weight.Mass
}

// FinalPrice is a row of final_prices.csv.
type FinalPrice struct {
	row
	Lot   lot.ID
	Time  time.Time
	Price money.Price
}

// Season is a whole folder but for its weighings, which are read as a stream (OpenWeighings).
type Season struct {
	Parties     []Party
	Items       []Item
	Deliveries  []Delivery
	Receipts    []Receipt
	Runs        []Run
	Pours       []Pour
	Adjustments []Adjustment
	Shipments   []Shipment
	Returns     []Return
	FinalPrices []FinalPrice
	Weighings   int64 // rows of weighings.csv

	// Owner is whose each lot is, worked out through runs, pours and returns; empty: the company.
	Owner map[lot.ID]lot.PartyID
	// ItemOf is what lies in each lot; a bin lot and a returned lot hold what was poured and shipped.
	ItemOf map[lot.ID]lot.ItemID
}

// Rows is how many rows the season has, weighings apart.
func (s *Season) Rows() int {
	n := len(s.Parties) + len(s.Items) + len(s.Deliveries) + len(s.Receipts) + len(s.Runs) + len(s.Pours) + len(s.Adjustments) +
		len(s.Shipments) + len(s.Returns) + len(s.FinalPrices)
	for i := range s.Runs {
		n += s.Runs[i].Rows() - 1
	}
	return n
}

// Rows is how many rows a run takes up in all its files.
func (r *Run) Rows() int { return 1 + len(r.Inputs) + len(r.Outputs) + len(r.Contributions) }
