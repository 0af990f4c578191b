package demoseason

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"huskline/internal/weight"
)

// WriteFolder writes the season's files into dir, which must be there; files of the same names are replaced.
func (s *Season) WriteFolder(dir string) error {
	tables := []struct {
		name string
		rows [][]string
	}{
		{"parties.csv", s.partyRows()},
		{"items.csv", s.itemRows()},
		{"deliveries.csv", s.deliveryRows()},
		{"receipts.csv", s.receiptRows()},
		{"pours.csv", s.pourRows()},
		{"runs.csv", s.runRows()},
		{"run_inputs.csv", s.inputRows()},
		{"run_outputs.csv", s.outputRows()},
		{"contributions.csv", s.contributionRows()},
		{"adjustments.csv", s.adjustmentRows()},
		{"shipments.csv", s.shipmentRows()},
		{"returns.csv", s.returnRows()},
		{"final_prices.csv", s.finalRows()},
		{"weighings.csv", s.readingRows()},
	}
	for _, t := range tables {
		if err := writeTable(filepath.Join(dir, t.name), t.rows); err != nil {
			return fmt.Errorf("write season file %s: %w", t.name, err)
		}
	}
	return nil
}

func writeTable(path string, rows [][]string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	buffered := bufio.NewWriter(f)
	err = csv.NewWriter(buffered).WriteAll(rows)
	if err == nil {
		err = buffered.Flush()
	}
	if closed := f.Close(); err == nil {
		err = closed
	}
	return err
}

// stamp prints an instant as RFC 3339 in UTC; the zero time is an empty cell.
func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// tenths prints a percentage held in tenths; 0 is an empty cell.
func tenths(n int64) string {
	if n == 0 {
		return ""
	}
	return weight.FormatDecimal(n, 1, 1)
}

func hundredths(n int64) string { return weight.FormatDecimal(n, 2, 2) }

func (s *Season) partyRows() [][]string {
	rows := [][]string{{"party", "name", "role", "address", "phone"}}
	for _, p := range s.parties {
		rows = append(rows, []string{p.id, p.name, p.role, p.address, p.phone})
	}
	return rows
}

func (s *Season) itemRows() [][]string {
	rows := [][]string{{"item", "name", "kind", "split_off_price_per_lb", "unit_lb", "allergens"}}
	for _, i := range s.items {
		price, unit := "", ""
		if i.splitOff > 0 {
			price = weight.FormatDecimal(int64(i.splitOff), 6, 2)
		}
		if i.unit > 0 {
			unit = i.unit.String()
		}
		rows = append(rows, []string{i.id, i.name, i.kind, price, unit, i.allergens})
	}
	return rows
}

func (s *Season) deliveryRows() [][]string {
	rows := [][]string{{"lot", "time", "seller", "ownership", "item", "variety", "crop_year", "gross_lb", "tare_lb", "moisture_pct", "foreign_pct",
		"sample_g", "sample_kernel_g", "sample_reject_g", "nuts_per_lb", "price_per_lb", "freight"}}
	for _, d := range s.deliveries {
		price := ""
		if d.ownership == "company" {
			price = d.price.String()
		}
		rows = append(rows, []string{d.lot, stamp(d.at), d.seller, d.ownership, d.item, d.variety, strconv.Itoa(cropYear), d.gross.String(),
			d.tare.String(), weight.FormatDecimal(d.moisture, 1, 1), weight.FormatDecimal(d.foreign, 1, 1), "1000",
			strconv.FormatInt(d.kernel, 10), strconv.FormatInt(d.reject, 10), strconv.FormatInt(d.nutsPerPound, 10), price, d.freight.String()})
	}
	return rows
}

func (s *Season) receiptRows() [][]string {
	rows := [][]string{{"lot", "time", "supplier", "item", "weight_lb", "cost", "supplier_lot", "best_by", "packaging", "carrier", "document"}}
	for _, r := range s.receipts {
		rows = append(rows, []string{r.lot, stamp(r.at), r.supplier, r.item, r.weight.String(), r.cost.String(), r.supplierLot, r.bestBy, r.packaging,
			r.carrier, r.docket})
	}
	return rows
}

func (s *Season) pourRows() [][]string {
	rows := [][]string{{"pour", "time", "bin_lot", "lot", "weight_lb"}}
	for _, p := range s.pours {
		rows = append(rows, []string{p.id, stamp(p.at), p.bin, p.lot, p.weight.String()})
	}
	return rows
}

func (s *Season) runRows() [][]string {
	rows := [][]string{{"run", "stage", "line", "start", "end", "labor_hours", "labor_rate", "machine_hours", "machine_rate", "other_cost", "recipe"}}
	for _, r := range s.runs {
		rows = append(rows, []string{r.id, r.stage, r.line, stamp(r.start), stamp(r.end), hundredths(r.laborHours),
			weight.FormatDecimal(int64(r.laborRate), 6, 2), hundredths(r.machineHours), weight.FormatDecimal(int64(r.machineRate), 6, 2),
			r.other.String(), r.recipe})
	}
	return rows
}

func (s *Season) inputRows() [][]string {
	rows := [][]string{{"run", "lot", "weight_lb", "dumped_from", "dumped_to", "moisture_pct"}}
	for _, i := range s.inputs {
		rows = append(rows, []string{i.run, i.lot, i.weight.String(), stamp(i.from), stamp(i.to), tenths(i.moisture)})
	}
	return rows
}

func (s *Season) outputRows() [][]string {
	rows := [][]string{{"run", "lot", "item", "weight_lb", "role", "filled_from", "filled_to", "moisture_pct"}}
	for _, o := range s.outputs {
		rows = append(rows, []string{o.run, o.lot, o.item, o.weight.String(), o.role, stamp(o.from), stamp(o.to), tenths(o.moisture)})
	}
	return rows
}

func (s *Season) contributionRows() [][]string {
	rows := [][]string{{"run", "input_lot", "output_lot", "weight_lb"}}
	for _, c := range s.contributions {
		rows = append(rows, []string{c.run, c.input, c.output, c.weight.String()})
	}
	return rows
}

func (s *Season) adjustmentRows() [][]string {
	rows := [][]string{{"adjustment", "time", "lot", "delta_lb", "reason"}}
	for _, a := range s.adjustments {
		rows = append(rows, []string{a.id, stamp(a.at), a.lot, a.delta.String(), a.reason})
	}
	return rows
}

func (s *Season) shipmentRows() [][]string {
	rows := [][]string{{"shipment", "time", "customer", "lot", "weight_lb", "channel", "carrier", "document", "price_per_lb", "freight_out"}}
	for _, x := range s.shipments {
		price := ""
		if x.price > 0 {
			price = x.price.String()
		}
		rows = append(rows, []string{x.id, stamp(x.at), x.customer, x.lot, x.weight.String(), x.channel, x.carrier, x.document, price,
			x.freightOut.String()})
	}
	return rows
}

func (s *Season) returnRows() [][]string {
	rows := [][]string{{"return", "time", "shipment", "lot", "weight_lb"}}
	for _, r := range s.returns {
		rows = append(rows, []string{r.id, stamp(r.at), r.shipment, r.lot, r.weight.String()})
	}
	return rows
}

func (s *Season) finalRows() [][]string {
	rows := [][]string{{"lot", "time", "final_price_per_lb"}}
	for _, f := range s.finals {
		rows = append(rows, []string{f.lot, stamp(f.at), f.price.String()})
	}
	return rows
}

func (s *Season) readingRows() [][]string {
	rows := [][]string{{"scale", "seq", "time", "reading", "unit", "kind", "reference"}}
	for _, r := range s.readings {
		rows = append(rows, []string{r.scale, strconv.FormatInt(r.seq, 10), stamp(r.at), r.digits, r.unit, r.kind, r.reference})
	}
	return rows
}
