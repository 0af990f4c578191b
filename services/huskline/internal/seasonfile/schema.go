package seasonfile

import "slices"

// The files of a season folder.
const (
	PartiesFile       = "parties.csv"
	ItemsFile         = "items.csv"
	DeliveriesFile    = "deliveries.csv"
	ReceiptsFile      = "receipts.csv"
	RunsFile          = "runs.csv"
	RunInputsFile     = "run_inputs.csv"
	RunOutputsFile    = "run_outputs.csv"
	ContributionsFile = "contributions.csv"
	PoursFile         = "pours.csv"
	AdjustmentsFile   = "adjustments.csv"
	ShipmentsFile     = "shipments.csv"
	ReturnsFile       = "returns.csv"
	FinalPricesFile   = "final_prices.csv"
	WeighingsFile     = "weighings.csv"
)

// schema is the columns a file must have and those it may have.
type schema struct {
	file     string
	required []string
	optional []string
	absent   bool // the file itself may be absent
}

// schemas lists the files in the order in which they are read and their faults are listed.
var schemas = []schema{
	{file: PartiesFile, required: []string{"party", "name", "role"}, optional: []string{"address", "phone"}},
	{file: ItemsFile, required: []string{"item", "name", "kind", "split_off_price_per_lb", "unit_lb", "allergens"}},
	{file: DeliveriesFile, required: []string{"lot", "time", "seller", "ownership", "item", "variety", "crop_year", "gross_lb", "tare_lb", "moisture_pct",
		"foreign_pct", "sample_g", "sample_kernel_g", "sample_reject_g", "nuts_per_lb", "price_per_lb", "freight"}},
	{file: ReceiptsFile, required: []string{"lot", "time", "supplier", "item", "weight_lb", "cost"},
		optional: []string{"supplier_lot", "best_by", "packaging", "carrier", "document"}},
	{file: RunsFile, required: []string{"run", "stage", "line", "start", "end", "labor_hours", "labor_rate", "machine_hours", "machine_rate", "other_cost",
		"recipe"}},
	{file: RunInputsFile, required: []string{"run", "lot", "weight_lb"}, optional: []string{"dumped_from", "dumped_to", "moisture_pct"}},
	{file: RunOutputsFile, required: []string{"run", "lot", "item", "weight_lb", "role"}, optional: []string{"filled_from", "filled_to", "moisture_pct"}},
	{file: ContributionsFile, required: []string{"run", "input_lot", "output_lot", "weight_lb"}, absent: true},
	{file: PoursFile, required: []string{"pour", "time", "bin_lot", "lot", "weight_lb"}, absent: true},
	{file: AdjustmentsFile, required: []string{"adjustment", "time", "lot", "delta_lb", "reason"}},
	{file: ShipmentsFile, required: []string{"shipment", "time", "customer", "lot", "weight_lb", "channel"},
		optional: []string{"carrier", "document", "price_per_lb", "freight_out"}},
	{file: ReturnsFile, required: []string{"return", "time", "shipment", "lot", "weight_lb"}, absent: true},
	{file: FinalPricesFile, required: []string{"lot", "time", "final_price_per_lb"}},
	{file: WeighingsFile, required: []string{"scale", "seq", "time", "reading", "unit", "kind", "reference"}},
}

// fileOrder is the place of a file in schemas; a file that is none of them comes last.
func fileOrder(file string) int {
	at := slices.IndexFunc(schemas, func(s schema) bool { return s.file == file })
	if at < 0 {
		return len(schemas)
	}
	return at
}
