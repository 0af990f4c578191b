package run

import (
	"fmt"
	"math"
	"math/bits"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/production/internal/cost"
)

// ahead is how far a time may lie after the service's clock: clocks of scales and terminals differ by so much.
const ahead = 5 * time.Minute

// want is what a run that is told at once is judged by.
func (f Facts) want() Want {
	w := Want{Run: f.Run, Stage: f.Stage, Items: itemsOf(f.Outputs), At: f.End, Lots: make([]lot.ID, len(f.Inputs))}
	for i, in := range f.Inputs {
		w.Lots[i] = in.Lot
	}
	return w
}

// whole judges a run that is told at once and gives it as the inventory is asked for it, as the given version.
func whole(tx Known, f Facts, have Have, version int64) (lot.RunPosted, error) {
	p := lot.RunPosted{
		Run: f.Run, Version: version, Stage: f.Stage, Contributions: f.Contributions, Final: true, GainReason: f.GainReason,
	}
	if !have.Stage {
		return p, noStage(f.Run, f.Stage)
	}
	if err := span(f.Run, f.Start, f.End, tx.Now()); err != nil {
		return p, err
	}
	between := window{run: f.Run, start: f.Start, end: f.End, now: tx.Now()}
	for i, in := range f.Inputs {
		line, err := between.input(in)
		if err != nil {
			return p, err
		}
		line.Line = int64(i + 1)
		p.Inputs = append(p.Inputs, line)
	}
	for i, out := range f.Outputs {
		line, err := between.output(out, have.Items)
		if err != nil {
			return p, err
		}
		line.Line = int64(i + 1)
		p.Outputs = append(p.Outputs, line)
	}
	return p, sound(p, have)
}

// sound judges the lines of a complete run against each other.
func sound(p lot.RunPosted, have Have) error {
	if len(p.Inputs) == 0 {
		return fault.Precondition("run_without_input", "run %s: it has taken nothing in", p.Run)
	}
	if err := distinct(p); err != nil {
		return err
	}
	if err := prices(p, have.Items); err != nil {
		return err
	}
	if err := gain(p, have); err != nil {
		return err
	}
	return contributions(p, have.Lots)
}

func noStage(id lot.RunID, code string) error {
	return fault.NotFound("stage_unknown", "run %s: stage %q is not registered", id, code)
}

func span(id lot.RunID, start, end, now time.Time) error {
	switch {
	case start.IsZero() || end.IsZero():
		return fault.Invalid("effective_missing", "run %s: its start and its end are asked for", id)
	case !end.After(start):
		return fault.Invalid("run_ends_before_start", "run %s: its end %s is not after its start %s", id, stamp(end), stamp(start))
	}
	return notAhead(fmt.Sprintf("run %s: its end", id), end, now)
}

func notAhead(what string, at, now time.Time) error {
	if at.After(now.Add(ahead)) {
		return fault.Precondition("effective_in_future", "%s %s is more than 5 minutes after the service's clock, %s", what, stamp(at), stamp(now))
	}
	return nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

// window is what the times of a run's lines must lie in. An open run has no end yet: then no line lies ahead of the clock.
type window struct {
	run        lot.RunID
	start, end time.Time
	now        time.Time
}

// within judges one time of a line; a zero time is unknown and passes.
func (w window) within(reason, what string, at time.Time) error {
	switch {
	case at.IsZero():
		return nil
	case at.Before(w.start):
		return fault.Invalid(reason, "run %s, %s: %s is before the run's start %s", w.run, what, stamp(at), stamp(w.start))
	case !w.end.IsZero() && at.After(w.end):
		return fault.Invalid(reason, "run %s, %s: %s is after the run's end %s", w.run, what, stamp(at), stamp(w.end))
	}
	return notAhead(fmt.Sprintf("run %s, %s:", w.run, what), at, w.now)
}

// ordered judges the two times of a line.
func (w window) ordered(reason, what string, from, to time.Time) error {
	if err := w.within(reason, what, from); err != nil {
		return err
	}
	if err := w.within(reason, what, to); err != nil {
		return err
	}
	if !from.IsZero() && !to.IsZero() && to.Before(from) {
		return fault.Invalid(reason, "run %s, %s: it ends at %s, before it begins at %s", w.run, what, stamp(to), stamp(from))
	}
	return nil
}

func (w window) input(in Input) (lot.RunInput, error) {
	what := "input " + string(in.Lot)
	line := lot.RunInput{
		Lot: in.Lot, Quantity: in.Quantity, Place: in.Place, At: in.DumpedFrom, DumpedFrom: in.DumpedFrom, DumpedTo: in.DumpedTo,
		MoisturePPM: in.MoisturePPM, Container: in.Container,
	}
	if line.At.IsZero() {
		line.At = w.start
	}
	if _, err := lot.ParseID(string(in.Lot)); err != nil {
		return line, fmt.Errorf("run %s: %w", w.run, err)
	}
	if in.Quantity <= 0 {
		return line, fault.Invalid("quantity_not_positive", "run %s, %s: its quantity is not above zero", w.run, what)
	}
	return line, w.ordered("dump_outside_run", what, in.DumpedFrom, in.DumpedTo)
}

func (w window) output(out Output, items map[lot.ItemID]Item) (lot.RunOutput, error) {
	what := "output " + string(out.Lot)
	item, known := items[out.Item]
	line := lot.RunOutput{
		Lot: out.Lot, Item: out.Item, Measure: item.Measure, Quantity: out.Quantity, Role: out.Role, Place: out.Place, At: out.FilledTo,
		FilledFrom: out.FilledFrom, FilledTo: out.FilledTo, MoisturePPM: out.MoisturePPM, Container: out.Container,
	}
	if line.At.IsZero() {
		line.At = w.end
	}
	if _, err := lot.ParseID(string(out.Lot)); err != nil {
		return line, fmt.Errorf("run %s: %w", w.run, err)
	}
	switch {
	case !known:
		return line, fault.NotFound("item_unknown", "run %s, %s: item %q is not registered", w.run, what, out.Item)
	case out.Quantity <= 0:
		return line, fault.Invalid("quantity_not_positive", "run %s, %s: its quantity is not above zero", w.run, what)
	case out.Role < lot.Main || out.Role > lot.Waste:
		return line, fault.Invalid("role_missing", "run %s, %s: its role is missing: main, by-product or waste", w.run, what)
	}
	return line, w.ordered("fill_outside_run", what, out.FilledFrom, out.FilledTo)
}

// distinct refuses a run that takes in what it gives, and a lot that would be two things at once.
func distinct(p lot.RunPosted) error {
	first := map[lot.ID]lot.RunOutput{}
	for _, out := range p.Outputs {
		same, again := first[out.Lot]
		if again && (same.Item != out.Item || same.Role != out.Role) {
			return fault.Invalid("output_differs", "run %s: output lot %s is filled as %s and as %s; one lot is one item in one role", p.Run, out.Lot, same.Item, out.Item)
		}
		first[out.Lot] = out
	}
	for _, in := range p.Inputs {
		if _, made := first[in.Lot]; made {
			return fault.Precondition("run_cycle", "run %s: lot %s is both an input and an output", p.Run, in.Lot)
		}
	}
	return nil
}

// prices wants the main outputs all priced or none: its cost is shared by pounds x price, or by pounds.
func prices(p lot.RunPosted, items map[lot.ItemID]Item) error {
	err := cost.CheckPrices(p.Outputs, func(id lot.ItemID) *money.Price { return items[id].Price })
	if err != nil {
		return fmt.Errorf("run %s: %w", p.Run, err)
	}
	return nil
}

// gain wants a reason where more came out than went in. It is judged here only where what went in is known here; the inventory judges all.
func gain(p lot.RunPosted, have Have) error {
	in, out, err := sums(p, have)
	if err != nil {
		return err
	}
	for _, line := range p.Inputs {
		if _, known := have.Lots[line.Lot]; !known {
			return nil
		}
	}
	if out > in && p.GainReason == "" {
		return fault.Precondition("run_gain_unexplained", "run %s: %s lb came out and %s lb went in; a gain needs its reason", p.Run, out, in)
	}
	return nil
}

// sums adds up what went in and what came out: goods kept by count are pieces x the weight of one, packaging is nothing.
func sums(p lot.RunPosted, have Have) (in, out weight.Mass, err error) {
	for _, line := range p.Inputs {
		l := have.Lots[line.Lot]
		if in, err = plus(in, line.Quantity, l.Measure, l.Unit); err != nil {
			return 0, 0, fmt.Errorf("run %s, input %s: %w", p.Run, line.Lot, err)
		}
	}
	for _, line := range p.Outputs {
		if out, err = plus(out, line.Quantity, line.Measure, have.Items[line.Item].Unit); err != nil {
			return 0, 0, fmt.Errorf("run %s, output %s: %w", p.Run, line.Lot, err)
		}
	}
	return in, out, nil
}

func plus(sum weight.Mass, q lot.Quantity, measure lot.Measure, unit weight.Mass) (weight.Mass, error) {
	mass := weight.Mass(q)
	if measure == lot.ByCount {
		high, low := bits.Mul64(uint64(q), uint64(unit))
		if high != 0 || low > math.MaxInt64 {
			return 0, fault.Invalid("weight_out_of_range", "%d pieces of %s lb weigh more than can be kept", q, unit)
		}
		mass = weight.Mass(low)
	}
	return weight.Add(sum, mass)
}

func itemsOf(outputs []Output) []lot.ItemID {
	ids := make([]lot.ItemID, len(outputs))
	for i, out := range outputs {
		ids[i] = out.Item
	}
	return ids
}

func itemsOut(p lot.RunPosted) []lot.ItemID {
	ids := make([]lot.ItemID, len(p.Outputs))
	for i, out := range p.Outputs {
		ids[i] = out.Item
	}
	return ids
}

func lotsIn(p lot.RunPosted) []lot.ID {
	ids := make([]lot.ID, len(p.Inputs))
	for i, in := range p.Inputs {
		ids[i] = in.Lot
	}
	return ids
}
