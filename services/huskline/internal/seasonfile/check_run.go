package seasonfile

import (
	"huskline/internal/lot"
	"huskline/internal/weight"
)

// run judges what a run says as a whole. A run with a broken row is passed over: its sums would be wrong for that reason alone.
func (j *judge) run(r *Run) {
	if j.runs[r.ID] != r || r.hazy() {
		return
	}
	var in, out weight.Mass
	for _, i := range r.Inputs {
		if !j.sum(&in, i.Weight, i.Where, "weight_lb") {
			return
		}
	}
	mains := 0
	for _, o := range r.Outputs {
		if !j.sum(&out, o.Weight, o.Where, "weight_lb") {
			return
		}
		if o.Role == lot.Main {
			mains++
		}
	}
	switch {
	case len(r.Inputs) == 0:
		j.faults.add(r.Where, "", "run_without_input", "run %s takes in nothing; at least one row of %s must name it", r.ID, RunInputsFile)
	case out > in:
		j.faults.add(r.Where, "", "outputs_above_inputs", "run %s: outputs of %s lb are above inputs of %s lb by %s lb; a run of a season has no gain",
			r.ID, out, in, out-in)
	}
	if mains == 0 {
		j.faults.add(r.Where, "", "run_without_main", "run %s has no output of role main; its cost would have nowhere to go", r.ID)
	}
	j.size(r)
	j.prices(r)
	if len(r.Contributions) > 0 {
		j.contributions(r)
	}
}

// hazy tells whether a cell of the run or of a row that belongs to it could not be read.
func (r *Run) hazy() bool {
	bad := r.broken
	for _, i := range r.Inputs {
		bad = bad || i.broken
	}
	for _, o := range r.Outputs {
		bad = bad || o.broken
	}
	for _, c := range r.Contributions {
		bad = bad || c.broken
	}
	return bad
}

// prices wants the main outputs all priced or none: cost is shared by pounds x split-off price, or by pounds. An explicit zero means no price.
func (j *judge) prices(r *Run) {
	var priced, bare *RunOutput
	for i := range r.Outputs {
		o := &r.Outputs[i]
		it := j.items[o.Item]
		if it == nil || it.broken {
			return
		}
		switch {
		case o.Role != lot.Main:
		case it.SplitOff != nil && *it.SplitOff > 0:
			priced = o
		case bare == nil:
			bare = o
		}
	}
	if priced != nil && bare != nil {
		j.faults.add(bare.Where, "item", "mains_partly_priced",
			"run %s: main output %s of item %s has no split-off price, main output %s of item %s has one; all or none must have one (0 means none)",
			r.ID, bare.Lot, bare.Item, priced.Lot, priced.Item)
	}
}

// contributions wants the rows of an input within what went in, and the rows of an output to be what came out.
func (j *judge) contributions(r *Run) {
	type side struct {
		at   Where
		sum  weight.Mass
		full weight.Mass
	}
	inputs, outputs := map[lot.ID]*side{}, map[lot.ID]*side{}
	for _, i := range r.Inputs {
		if inputs[i.Lot] == nil {
			inputs[i.Lot] = &side{}
		}
		inputs[i.Lot].full += i.Weight
	}
	for _, o := range r.Outputs {
		outputs[o.Lot] = &side{at: o.Where, full: o.Weight}
	}
	for _, c := range r.Contributions {
		in, out := inputs[c.Input], outputs[c.Output]
		if in == nil {
			j.faults.add(c.Where, "input_lot", "not_an_input", "lot %s is not among the inputs of run %s", c.Input, r.ID)
		}
		if out == nil {
			j.faults.add(c.Where, "output_lot", "not_an_output", "lot %s is not among the outputs of run %s", c.Output, r.ID)
		}
		if in == nil || out == nil {
			return
		}
		in.at, out.at = c.Where, c.Where
		if !j.sum(&in.sum, c.Weight, c.Where, "weight_lb") || !j.sum(&out.sum, c.Weight, c.Where, "weight_lb") {
			return
		}
	}
	told := map[lot.ID]bool{}
	for _, i := range r.Inputs {
		if s := inputs[i.Lot]; s.sum > s.full && !told[i.Lot] {
			told[i.Lot] = true
			j.faults.add(s.at, "weight_lb", "contributions_above_input", "run %s: the rows of input %s add up to %s lb, above the %s lb that went in",
				r.ID, i.Lot, s.sum, s.full)
		}
	}
	for _, o := range r.Outputs {
		if s := outputs[o.Lot]; s.sum != s.full {
			j.faults.add(s.at, "weight_lb", "contributions_not_output", "run %s: the rows of output %s add up to %s lb; they must be the %s lb that came out",
				r.ID, o.Lot, s.sum, s.full)
		}
	}
}

// The contract's bounds for one run.
const (
	maxRunLines         = 1000
	maxRunContributions = 10_000
)

// size wants a run to fit into one message of the contract.
func (j *judge) size(r *Run) {
	if len(r.Inputs) > maxRunLines || len(r.Outputs) > maxRunLines || len(r.Contributions) > maxRunContributions {
		j.faults.add(r.Where, "", "run_too_large", "run %s has %d inputs, %d outputs and %d contributions; at most %d, %d and %d are allowed", r.ID,
			len(r.Inputs), len(r.Outputs), len(r.Contributions), maxRunLines, maxRunLines, maxRunContributions)
	}
}
