package movement

import (
	"context"
	"maps"
	"math"
	"slices"
	"strconv"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// Order is a movement that another service asks for.
type Order struct {
	Command string            // its id: claims the codes that no other claimant is named for
	Claims  map[lot.ID]string // code: claimant
	At      time.Time         // when it happened, as a whole
}

func (o Order) claimant(id lot.ID) string {
	if c := o.Claims[id]; c != "" {
		return c
	}
	return o.Command
}

// Totals are the pounds of a run's lines after a posting.
type Totals struct{ In, Out lot.Quantity }

// PostRun takes inputs and outputs of a run: the whole run, or a dump or a filled container of an open one, or its completion. A run that is
// complete changes by a correction set only.
func PostRun(ctx context.Context, tx stock.Tx, o Order, r lot.RunPosted) (Totals, []lot.Event, error) {
	if err := formOf(r); err != nil {
		return Totals{}, nil, err
	}
	b, err := stock.Open(ctx, tx, "run/"+string(r.Run)+"/"+o.Command, wantOf(r))
	if err != nil {
		return Totals{}, nil, err
	}
	state := b.Run(r.Run)
	switch {
	case state.Final:
		return Totals{}, nil, fault.Precondition("run_complete", "run %s: it is complete; a correction set changes it", r.Run)
	case state.Version == 0 && r.Version != 1, state.Version > 0 && r.Version != state.Version:
		return Totals{}, nil, fault.Conflict("run_version", "run %s: version %d is posted to, it stands at version %d; a correction set makes a new one",
			r.Run, r.Version, max(state.Version, 1))
	}
	p := &posting{b: b, order: o, run: r, state: state}
	if err := p.add(); err != nil {
		return Totals{}, nil, err
	}
	flags, err := p.flagsBefore(ctx, tx)
	if err != nil {
		return Totals{}, nil, err
	}
	held := p.handDown(flags)
	in, out := state.Totals()
	events, err := b.CloseWithGains(ctx, tx, append([]lot.Event{{Lots: lotsOf(p.run), Effective: o.At, Body: p.run}}, held...))
	if err != nil {
		return Totals{}, nil, err
	}
	if p.closesLoop() {
		if err := notFromItself(ctx, tx, r.Run); err != nil {
			return Totals{}, nil, err
		}
	}
	return Totals{in, out}, events, nil
}

func notFromItself(ctx context.Context, tx stock.Tx, id lot.RunID) error {
	loop, err := tx.FeedsItself(ctx, stock.RunNode(id))
	if err != nil {
		return err
	}
	if loop {
		return fault.Precondition("run_cycle", "run %s: it would take in what was made from its own outputs; that is a new run", id)
	}
	return nil
}

// maxLine bounds the numbers of lines, which indexes keep in 32 bits.
const maxLine = math.MaxInt32

// formOf refuses what no stock could make right.
func formOf(r lot.RunPosted) error {
	if len(r.Inputs)+len(r.Outputs) == 0 && !r.Final {
		return fault.Invalid("run_empty", "run %s: a posting without lines that does not complete it", r.Run)
	}
	if len(r.Contributions) > 0 && !r.Final {
		return fault.Invalid("contributions_early", "run %s: a contribution table comes with its completion", r.Run)
	}
	ins, outs, lots, filled := map[int64]bool{}, map[int64]bool{}, map[lot.ID]bool{}, map[container]bool{}
	for _, in := range r.Inputs {
		if in.Line < 1 || in.Line > maxLine {
			return fault.Invalid("line_out_of_range", "run %s: input line %d, 1 to %d are allowed", r.Run, in.Line, maxLine)
		}
		if ins[in.Line] {
			return fault.Invalid("line_repeated", "run %s: two inputs are line %d", r.Run, in.Line)
		}
		if in.Quantity <= 0 {
			return fault.Invalid("quantity_not_positive", "run %s, input %s: %d is not above zero", r.Run, in.Lot, in.Quantity)
		}
		ins[in.Line], lots[in.Lot] = true, true
	}
	for _, out := range r.Outputs {
		switch {
		case out.Line < 1 || out.Line > maxLine:
			return fault.Invalid("line_out_of_range", "run %s: output line %d, 1 to %d are allowed", r.Run, out.Line, maxLine)
		case outs[out.Line]:
			return fault.Invalid("line_repeated", "run %s: two outputs are line %d", r.Run, out.Line)
		case out.Quantity <= 0:
			return fault.Invalid("quantity_not_positive", "run %s, output %s: %d is not above zero", r.Run, out.Lot, out.Quantity)
		case lots[out.Lot]:
			return fault.Precondition("run_cycle", "run %s: lot %s is both an input and an output", r.Run, out.Lot)
		}
		of := container{out.Lot, out.Container}
		if out.Container != "" && filled[of] {
			return fault.Invalid("container_repeated", "run %s: two outputs fill container %s of lot %s", r.Run, out.Container, out.Lot)
		}
		outs[out.Line], filled[of] = true, true
	}
	return nil
}

// container names one: codes are unique within a lot.
type container struct {
	lot  lot.ID
	code string
}

func wantOf(r lot.RunPosted) stock.Want {
	want := stock.Want{Runs: []lot.RunID{r.Run}}
	for _, in := range r.Inputs {
		want.Lots = append(want.Lots, in.Lot)
	}
	for _, out := range r.Outputs {
		want.Lots, want.Born, want.Items = append(want.Lots, out.Lot), append(want.Born, out.Lot), append(want.Items, out.Item)
		if out.Place != "" {
			want.Places = append(want.Places, out.Place)
		}
	}
	return want
}

// lotsOf are the lots of a run's lines, each once.
func lotsOf(r lot.RunPosted) []lot.ID {
	var out []lot.ID
	for _, in := range r.Inputs {
		out = append(out, in.Lot)
	}
	for _, o := range r.Outputs {
		out = append(out, o.Lot)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// posting is one posting of a run on its way into a book.
type posting struct {
	b     *stock.Book
	order Order
	run   lot.RunPosted
	state *stock.RunState
	prior []stock.Line // lines of this version that were there before
}

// add brings the lines into the book: legs, births, edges, and the balance where the run is complete.
func (p *posting) add() error {
	if err := p.b.When("run "+string(p.run.Run), p.order.At); err != nil {
		return err
	}
	p.prior = p.state.Lines
	if err := p.ownerOf(); err != nil {
		return err
	}
	var lines []stock.Line
	for _, in := range p.run.Inputs {
		line, err := p.input(in)
		if err != nil {
			return err
		}
		lines = append(lines, line)
	}
	for i := range p.run.Outputs {
		line, err := p.output(&p.run.Outputs[i])
		if err != nil {
			return err
		}
		lines = append(lines, line)
	}
	s := p.state
	s.Version, s.Stage, s.Owner, s.Final = p.run.Version, p.run.Stage, p.run.Owner, p.run.Final
	s.Lines = append(slices.Clip(s.Lines), lines...)
	p.b.SetRun(s, lines, p.run.Contributions, p.run.Version > 1 && p.run.Final)
	if p.run.Final {
		return p.complete()
	}
	return nil
}

// ownerOf makes the run its inputs' owner's. Different owners' lots never share a run.
func (p *posting) ownerOf() error {
	owner, given := p.run.Owner, p.run.Owner != ""
	if slices.ContainsFunc(p.prior, func(l stock.Line) bool { return !l.Output }) {
		owner, given = p.state.Owner, true
	}
	for _, in := range p.run.Inputs {
		l, err := p.b.Lot(in.Lot)
		if err != nil {
			return err
		}
		if !given {
			owner, given = l.Owner, true
		}
		if l.Owner != owner {
			return fault.Precondition("owner_mixed", "run %s is for %s, lot %s belongs to %s: different owners' lots never share a run", p.run.Run,
				stock.OwnerName(owner), in.Lot, stock.OwnerName(l.Owner))
		}
	}
	if !given && p.state.Version > 0 {
		owner = p.state.Owner
	}
	for _, l := range p.prior {
		if l.Output && owner != p.state.Owner {
			return fault.Precondition("owner_mixed", "run %s: its output %s was booked for %s, its inputs are %s's", p.run.Run, l.Lot,
				stock.OwnerName(p.state.Owner), stock.OwnerName(owner))
		}
	}
	p.run.Owner = owner
	return nil
}

func (p *posting) taken(number int64, output bool) bool {
	return slices.ContainsFunc(p.prior, func(l stock.Line) bool { return l.Output == output && l.Number == number })
}

func (p *posting) input(in lot.RunInput) (stock.Line, error) {
	what := "run " + string(p.run.Run) + ", input " + string(in.Lot)
	if err := p.b.When(what, in.At); err != nil {
		return stock.Line{}, err
	}
	if p.taken(in.Line, false) {
		return stock.Line{}, fault.Conflict("line_known", "%s: line %d is there already", what, in.Line)
	}
	l, err := p.b.Lot(in.Lot)
	if err != nil {
		return stock.Line{}, err
	}
	if l.Source == stock.FromRun && l.Maker == string(p.run.Run) {
		return stock.Line{}, fault.Precondition("run_cycle", "%s: the run made it itself; that is a new run", what)
	}
	k := stock.DrawKey(in.At, stock.Run, string(p.run.Run))
	fact := stock.RunFact(p.run.Run)
	d := stock.Draw{Lot: l, Place: in.Place, Quantity: in.Quantity, Use: stock.ForRun, Key: k, Fact: fact}
	d.Line = strconv.FormatInt(p.run.Version, 10) + "/" + strconv.FormatInt(in.Line, 10)
	if in.Container != "" {
		d.Containers = []string{in.Container}
	}
	if _, err := p.b.Draw(d); err != nil {
		return stock.Line{}, err
	}
	p.b.Post(stock.RunAccount(p.run.Run), l.Measure, in.Quantity, k, fact)
	p.b.Join(string(in.Lot), stock.RunNode(p.run.Run), fact)
	return stock.Line{Run: p.run.Run, Version: p.run.Version, Number: in.Line, Lot: in.Lot, Item: l.Item, Measure: l.Measure, Quantity: in.Quantity,
		Unit: p.b.Unit(l.Item)}, nil
}

func (p *posting) output(out *lot.RunOutput) (stock.Line, error) {
	what := "run " + string(p.run.Run) + ", output " + string(out.Lot)
	if err := p.b.When(what, out.At); err != nil {
		return stock.Line{}, err
	}
	switch {
	case p.taken(out.Line, true):
		return stock.Line{}, fault.Conflict("line_known", "%s: line %d is there already", what, out.Line)
	case out.Owner != "" && out.Owner != p.run.Owner:
		return stock.Line{}, fault.Precondition("owner_mixed", "%s: it is for %s, the run for %s", what, stock.OwnerName(out.Owner),
			stock.OwnerName(p.run.Owner))
	case out.Role < lot.Main || out.Role > lot.Waste:
		return stock.Line{}, fault.Invalid("role_missing", "%s: its role is missing: main, by-product or waste", what)
	}
	out.Owner = p.run.Owner
	if err := p.b.Item(out.Item, out.Measure); err != nil {
		return stock.Line{}, err
	}
	if err := p.b.Enter(out.Place, out.Lot, ""); err != nil {
		return stock.Line{}, err
	}
	l, err := p.born(*out)
	if err != nil {
		return stock.Line{}, err
	}
	k := stock.FillKey(out.At, stock.Run, string(p.run.Run))
	fact := stock.RunFact(p.run.Run)
	fill := stock.Container{Code: out.Container, Quantity: out.Quantity, FilledFrom: out.FilledFrom, FilledTo: k.At}
	if err := p.b.Fill(l, out.Place, fill, k, fact); err != nil {
		return stock.Line{}, err
	}
	p.b.Post(stock.RunAccount(p.run.Run), out.Measure, -out.Quantity, k, fact)
	p.b.Grow(l, out.Quantity, out.At)
	p.b.Join(stock.RunNode(p.run.Run), string(out.Lot), fact)
	return stock.Line{
		Run: p.run.Run, Version: p.run.Version, Output: true, Number: out.Line, Lot: out.Lot, Item: out.Item, Role: out.Role,
		Measure: out.Measure, Quantity: out.Quantity, Unit: p.b.Unit(out.Item),
	}, nil
}

// born bears the lot of an output, or finds the one that the run fills further.
func (p *posting) born(out lot.RunOutput) (*stock.Lot, error) {
	l := p.b.Find(out.Lot)
	if l == nil || l.Voided || l.Source != stock.FromRun || l.Maker != string(p.run.Run) {
		ownership := lot.Company
		if out.Owner != "" {
			ownership = lot.Custom
		}
		return p.b.Bear(stock.Birth{
			ID: out.Lot, Claimant: p.order.claimant(out.Lot), Item: out.Item, Measure: out.Measure, Owner: out.Owner, Ownership: ownership,
			Source: stock.FromRun, Maker: string(p.run.Run), Born: out.At,
		})
	}
	if l.Made == 0 { // a correction makes it anew
		l.Item, l.Measure, l.Owner = out.Item, out.Measure, out.Owner
	}
	if l.Item != out.Item || l.Measure != out.Measure {
		return nil, fault.Conflict("lot_born", "lot %s: it is %s, run %s fills %s into it", out.Lot, l.Item, p.run.Run, out.Item)
	}
	return l, nil
}

// complete checks the balance of the run and posts what is left of its work in process.
func (p *posting) complete() error {
	in, out := p.state.Totals()
	if out > in && p.run.GainReason == "" {
		return fault.Precondition("run_gain_unexplained", "run %s: %s came out and %s went in; a gain needs its reason", p.run.Run,
			stock.Amount(out, lot.ByWeight), stock.Amount(in, lot.ByWeight))
	}
	if err := checkContributions(p.run, p.state.Lines); err != nil {
		return err
	}
	k, fact := stock.FillKey(p.order.At, stock.Run, string(p.run.Run)), stock.RunFact(p.run.Run)
	pounds, pieces := remainder(p.state.Lines, lot.ByWeight), remainder(p.state.Lines, lot.ByCount)
	p.b.Post(stock.RunAccount(p.run.Run), lot.ByWeight, -pounds, k, fact)
	p.b.Post(stock.AccountUnaccounted, lot.ByWeight, in-out, k, fact)
	p.b.Post(stock.AccountAssembled, lot.ByWeight, pounds-(in-out), k, fact) // what is in the pieces
	p.b.Post(stock.RunAccount(p.run.Run), lot.ByCount, -pieces, k, fact)
	p.b.Post(stock.AccountAssembled, lot.ByCount, pieces, k, fact)
	return nil
}

func remainder(lines []stock.Line, m lot.Measure) lot.Quantity {
	var rest lot.Quantity
	for _, l := range lines {
		switch {
		case l.Measure != m:
		case l.Output:
			rest -= l.Quantity
		default:
			rest += l.Quantity
		}
	}
	return rest
}

// closesLoop tells whether the posting could make the run its own ancestor: only an input of a run that has given something already can.
func (p *posting) closesLoop() bool {
	return len(p.run.Inputs) > 0 && slices.ContainsFunc(p.prior, func(l stock.Line) bool { return l.Output })
}

// flagsBefore are the holds on what went in before, where something comes out now. The run's lock keeps a spreading hold from passing by.
func (p *posting) flagsBefore(ctx context.Context, tx stock.Tx) (map[lot.ID][]stock.Flag, error) {
	var before []lot.ID
	for _, l := range p.prior {
		if !l.Output {
			before = append(before, l.Lot)
		}
	}
	if len(before) == 0 || len(p.run.Outputs) == 0 {
		return nil, nil
	}
	return tx.Flags(ctx, before)
}

// handDown puts the holds of what went in on what comes out now, and those on what goes in now also on what came out before. Goods that
// were held under whatever class went in under a disposition, so that what is made of them stays held.
func (p *posting) handDown(before map[lot.ID][]stock.Flag) []lot.Event {
	var events []lot.Event
	for _, out := range p.run.Outputs {
		var now, earlier []stock.Parent
		for _, in := range p.run.Inputs {
			if len(p.b.Flags(in.Lot)) > 0 && reaches(p.run.Contributions, in.Lot, out.Lot) {
				p.again(in, out.Lot)
				now = append(now, stock.Parent{Lot: in.Lot, Flags: p.b.Flags(in.Lot), Drawn: in.At})
			}
		}
		for _, in := range slices.Sorted(maps.Keys(before)) {
			if reaches(p.run.Contributions, in, out.Lot) {
				earlier = append(earlier, stock.Parent{Lot: in, Flags: before[in]})
			}
		}
		events = append(events, p.inherit(p.b.Find(out.Lot), now, earlier, out.At)...)
	}
	for _, in := range p.run.Inputs {
		for _, l := range p.prior {
			if l.Output {
				p.spread(in, l.Lot)
			}
		}
	}
	return events
}

// inherit hands down first what holds, then what is excluded: a lot is excluded only where all that a hold was on is.
func (p *posting) inherit(child *stock.Lot, now, earlier []stock.Parent, at time.Time) []lot.Event {
	events := p.b.HandDown(child, heldOnly(now), true, at)
	return append(events, p.b.HandDown(child, slices.Concat(now, earlier), false, at)...)
}

// heldOnly leaves out what was excluded.
func heldOnly(parents []stock.Parent) []stock.Parent {
	out := slices.Clone(parents)
	for i := range out {
		out[i].Flags = slices.DeleteFunc(slices.Clone(out[i].Flags), func(f stock.Flag) bool { return f.Excluded || f.Before(out[i].Drawn) })
	}
	return out
}

// again starts the spreading of holds to what was made before of a lot that is filled again, or made by other inputs now.
func (p *posting) again(in lot.RunInput, out lot.ID) {
	if !p.b.Find(out).IsNew() {
		p.spread(in, out)
	}
}

// spread lets the safety holds on an input be looked for at a lot soon, those that it is excluded from too.
func (p *posting) spread(from lot.RunInput, to lot.ID) {
	for _, f := range p.b.Flags(from.Lot) {
		if f.Class == lot.SafetyHold {
			p.b.Spread(f.Hold, to)
		}
	}
}
