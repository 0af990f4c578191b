package run

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

type pair struct{ in, out lot.ID }

// contributions holds a table to the run's lines: the rows of an output add up to it exactly, those of an input to no more than went in, the
// rest being its loss. A main output may not be left out. A table is for goods kept by weight.
func contributions(p lot.RunPosted, lots map[lot.ID]Lot) error {
	if len(p.Contributions) == 0 {
		return nil
	}
	in, out := map[lot.ID]lot.Quantity{}, map[lot.ID]lot.Quantity{}
	counted := map[lot.ID]bool{}
	for _, line := range p.Inputs {
		in[line.Lot] += line.Quantity
		counted[line.Lot] = lots[line.Lot].Measure == lot.ByCount
	}
	for _, line := range p.Outputs {
		out[line.Lot] += line.Quantity
		counted[line.Lot] = line.Measure == lot.ByCount
	}
	fromIn, intoOut, seen := map[lot.ID]lot.Quantity{}, map[lot.ID]lot.Quantity{}, map[pair]bool{}
	for _, c := range p.Contributions {
		if _, ok := in[c.Input]; !ok {
			return fault.Invalid("contribution_unknown", "run %s: the contribution table names input %s, which did not go in", p.Run, c.Input)
		}
		if _, ok := out[c.Output]; !ok {
			return fault.Invalid("contribution_unknown", "run %s: the contribution table names output %s, which did not come out", p.Run, c.Output)
		}
		switch {
		case counted[c.Input] || counted[c.Output]:
			return fault.Invalid("contribution_counted", "run %s: the contribution of %s to %s: a table is for goods kept by weight", p.Run, c.Input, c.Output)
		case c.Quantity <= 0:
			return fault.Invalid("quantity_not_positive", "run %s: the contribution of %s to %s is not above zero", p.Run, c.Input, c.Output)
		case seen[pair{c.Input, c.Output}]:
			return fault.Invalid("contribution_repeated", "run %s: the contribution of %s to %s is there twice", p.Run, c.Input, c.Output)
		case c.Quantity > in[c.Input]-fromIn[c.Input]:
			return mismatch(p.Run, "input", c.Input, fromIn[c.Input]+c.Quantity, in[c.Input])
		case c.Quantity > out[c.Output]-intoOut[c.Output]:
			return mismatch(p.Run, "output", c.Output, intoOut[c.Output]+c.Quantity, out[c.Output])
		}
		seen[pair{c.Input, c.Output}] = true
		fromIn[c.Input] += c.Quantity
		intoOut[c.Output] += c.Quantity
	}
	for _, line := range p.Outputs {
		rows, named := intoOut[line.Lot]
		if (named || line.Role == lot.Main) && rows != out[line.Lot] {
			return mismatch(p.Run, "output", line.Lot, rows, out[line.Lot])
		}
	}
	return nil
}

func mismatch(run lot.RunID, side string, id lot.ID, rows, line lot.Quantity) error {
	return fault.Invalid("contribution_mismatch", "run %s: the contributions of %s %s add up to %s lb, the run has %s lb", run, side, id,
		weight.Mass(rows), weight.Mass(line))
}
