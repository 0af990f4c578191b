package genealogy

import (
	"math"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// maxQuantity bounds one leg, a billion pounds, so that sums over a whole plant stay far inside 64 bits. A lot kept by count has at most
// maxPieces of at most maxUnit each, whose product is a billion pounds times a thousand.
const (
	maxQuantity lot.Quantity = 1_000_000_000_000_000
	maxPieces   lot.Quantity = 1_000_000_000
	maxUnit                  = 1_000 * weight.Pound
)

// check judges a body whole before any of it is taken in.
func check(body lot.Body) error {
	switch b := body.(type) {
	case lot.ItemChanged:
		if b.Unit < 0 || b.Unit > maxUnit {
			return fault.Invalid("unit_out_of_range", "item %s: a piece of %s lb, it must lie between 0 and %s", b.Item, b.Unit, maxUnit)
		}
	case lot.Received:
		return checkBirth(b.Lot, b.Measure, b.Quantity)
	case lot.DeliveryCorrected:
		return check(b.Now)
	case lot.Bought:
		return checkQuantity(b.Lot, b.Quantity, false)
	case lot.RunPosted:
		return checkRun(b)
	case lot.Poured:
		return checkBirth(b.Bin, b.Measure, b.Quantity)
	case lot.BinEmptied:
		return checkQuantity(b.Bin, b.Remainder, true)
	case lot.Adjusted:
		return checkQuantity(b.Lot, b.Delta, true)
	case lot.Shipped:
		return checkShipped(b)
	case lot.Returned:
		if err := checkLine(b.Shipment, b.Line); err != nil {
			return err
		}
		return checkBirth(b.Lot, b.Measure, b.Quantity)
	case lot.Moved:
		return checkQuantity(b.Lot, b.Quantity, false)
	case lot.Corrected:
		return checkCorrected(b)
	}
	return nil
}

func checkQuantity(id lot.ID, q lot.Quantity, signed bool) error {
	if q > maxQuantity || q < -maxQuantity || q < 0 && !signed {
		return fault.Invalid("quantity_out_of_range", "lot %s: quantity %d, it must lie between %d and %d", id, q, floor(signed), maxQuantity)
	}
	return nil
}

// checkBirth judges the pounds or pieces that a lot is born with.
func checkBirth(id lot.ID, m lot.Measure, q lot.Quantity) error {
	if m == lot.ByCount && q > maxPieces {
		return fault.Invalid("quantity_out_of_range", "lot %s: %d pieces, at most %d", id, q, maxPieces)
	}
	return checkQuantity(id, q, false)
}

func floor(signed bool) lot.Quantity {
	if signed {
		return -maxQuantity
	}
	return 0
}

func checkLine(of string, line int64) error {
	if line < math.MinInt32 || line > math.MaxInt32 {
		return fault.Invalid("line_out_of_range", "%s: line %d is beyond 32 bits", of, line)
	}
	return nil
}

func checkRun(b lot.RunPosted) error {
	for i := range b.Inputs {
		if err := checkLine(string(b.Run), b.Inputs[i].Line); err != nil {
			return err
		}
		if err := checkQuantity(b.Inputs[i].Lot, b.Inputs[i].Quantity, false); err != nil {
			return err
		}
	}
	for i := range b.Outputs {
		if err := checkLine(string(b.Run), b.Outputs[i].Line); err != nil {
			return err
		}
		if err := checkBirth(b.Outputs[i].Lot, b.Outputs[i].Measure, b.Outputs[i].Quantity); err != nil {
			return err
		}
	}
	for _, c := range b.Contributions {
		if err := checkQuantity(c.Output, c.Quantity, false); err != nil {
			return err
		}
	}
	return nil
}

func checkShipped(b lot.Shipped) error {
	for _, line := range b.Lines {
		if err := checkLine(b.Shipment, line.Line); err != nil {
			return err
		}
		if err := checkQuantity(line.Lot, line.Quantity, false); err != nil {
			return err
		}
	}
	return nil
}

func checkCorrected(b lot.Corrected) error {
	var parts []lot.Body
	for _, p := range b.Deliveries {
		parts = append(parts, p)
	}
	for _, p := range b.Runs {
		parts = append(parts, p)
	}
	for _, p := range b.Pours {
		parts = append(parts, p)
	}
	for _, p := range b.Adjustments {
		parts = append(parts, p)
	}
	for _, p := range b.Shipments {
		parts = append(parts, p)
	}
	for _, p := range parts {
		if err := check(p); err != nil {
			return err
		}
	}
	return nil
}
