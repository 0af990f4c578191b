package movement

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

type pair struct{ in, out lot.ID }

// checkContributions holds a contribution table to the run's lines: the rows of an output add up to it exactly, those of an input to no
// more than went in, the rest being its loss. A main output may not be left out; a by-product or waste that is has the origins of all inputs.
func checkContributions(r lot.RunPosted, lines []stock.Line) error {
	if len(r.Contributions) == 0 {
		return nil
	}
	in, out, counted := sums(lines)
	rowsIn, rowsOut, seen := map[lot.ID]lot.Quantity{}, map[lot.ID]lot.Quantity{}, map[pair]bool{}
	for _, c := range r.Contributions {
		_, isIn := in[c.Input]
		_, isOut := out[c.Output]
		switch {
		case !isIn:
			return fault.Invalid("contribution_unknown", "run %s: the contribution table names input %s, which did not go in", r.Run, c.Input)
		case !isOut:
			return fault.Invalid("contribution_unknown", "run %s: the contribution table names output %s, which did not come out", r.Run, c.Output)
		case counted[c.Input] || counted[c.Output]:
			return fault.Invalid("contribution_counted", "run %s: the contribution of %s to %s: a table is for goods kept by weight", r.Run, c.Input, c.Output)
		case c.Quantity <= 0:
			return fault.Invalid("quantity_not_positive", "run %s: the contribution of %s to %s is not above zero", r.Run, c.Input, c.Output)
		case seen[pair{c.Input, c.Output}]:
			return fault.Invalid("contribution_repeated", "run %s: the contribution of %s to %s is there twice", r.Run, c.Input, c.Output)
		}
		seen[pair{c.Input, c.Output}] = true
		rowsIn[c.Input] += c.Quantity
		rowsOut[c.Output] += c.Quantity
	}
	for _, c := range r.Contributions {
		if rowsIn[c.Input] > in[c.Input] {
			return mismatch(r.Run, "input", c.Input, rowsIn[c.Input], in[c.Input])
		}
		if rowsOut[c.Output] != out[c.Output] {
			return mismatch(r.Run, "output", c.Output, rowsOut[c.Output], out[c.Output])
		}
	}
	for _, l := range lines {
		if _, named := rowsOut[l.Lot]; l.Output && l.Role == lot.Main && !named {
			return mismatch(r.Run, "output", l.Lot, 0, out[l.Lot])
		}
	}
	return nil
}

func mismatch(run lot.RunID, side string, id lot.ID, rows, line lot.Quantity) error {
	return fault.Invalid("contribution_mismatch", "run %s: the contributions of %s %s add up to %s, the run has %s", run, side, id,
		stock.Amount(rows, lot.ByWeight), stock.Amount(line, lot.ByWeight))
}

func sums(lines []stock.Line) (in, out map[lot.ID]lot.Quantity, counted map[lot.ID]bool) {
	in, out, counted = map[lot.ID]lot.Quantity{}, map[lot.ID]lot.Quantity{}, map[lot.ID]bool{}
	for _, l := range lines {
		if l.Measure != lot.ByWeight {
			counted[l.Lot] = true
		}
		if l.Output {
			out[l.Lot] += l.Quantity
		} else {
			in[l.Lot] += l.Quantity
		}
	}
	return in, out, counted
}

// reaches tells whether an input went into an output: by the table for an output that it names, else always.
func reaches(table []lot.Contribution, in, out lot.ID) bool {
	named := false
	for _, c := range table {
		if c.Output == out {
			if c.Input == in {
				return true
			}
			named = true
		}
	}
	return !named
}
