package movement

import (
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/shipping"
	"huskline/services/inventory/internal/stock"
)

// Tx is what movements need of a transaction.
type Tx interface {
	stock.Tx
	// Shipment reads a shipment, which stands for good, and locks its lines; fault shipment_unknown where there is none.
	Shipment(ctx context.Context, id string) (*shipping.Shipment, error)
	// SetLine changes a line of a shipment.
	SetLine(ctx context.Context, shipment string, l *shipping.Line) error
	// Accept takes the try of a command, before anything else. A try that was refused before gives that refusal again, at the latest from the
	// next method called.
	Accept(ctx context.Context, command string, try int64) error
}

// correction is a correction set on its way into a book.
type correction struct {
	order     Order
	set       lot.Corrected
	b         *stock.Book
	shipments map[string]*shipping.Shipment
	times     map[string]time.Time // fact: when it was
	events    []lot.Event
	totals    Totals // of the set's first run
}

// Correct takes a correction set: all that it names is taken back and put as it should have been, then the whole is judged at every moment.
// A part that replaces a fact happened when that did; one that replaces nothing, when the set did.
func Correct(ctx context.Context, tx Tx, o Order, set lot.Corrected) (Totals, []lot.Event, error) {
	c := &correction{order: o, set: set, shipments: map[string]*shipping.Shipment{}, times: map[string]time.Time{}}
	if err := c.open(ctx, tx); err != nil {
		return Totals{}, nil, err
	}
	for _, step := range []func() error{c.deliveries, c.runs, c.pours, c.adjustments, c.lines, c.b.HeldNoMore} {
		if err := step(); err != nil {
			return Totals{}, nil, err
		}
	}
	c.b.VoidUnmade()
	c.b.Once(stock.CorrectionFact(c.set.Correction))
	c.set.Adjustments = append(c.set.Adjustments, c.b.TakenBack(c.set.Adjustments)...)
	event := lot.Event{Lots: c.lots(), Effective: o.At, Body: c.set}
	events, err := c.b.CloseWithGains(ctx, tx, append([]lot.Event{event}, c.events...))
	if err != nil {
		return Totals{}, nil, c.waysOut(err)
	}
	return c.totals, events, c.written(ctx, tx)
}

// waysOut tells what to do about a delivery whose pounds were used already.
func (c *correction) waysOut(err error) error {
	s := c.set
	if fault.ReasonOf(err) != "stock_short" || len(s.Deliveries) == 0 || len(s.Runs)+len(s.Pours)+len(s.Adjustments)+len(s.Shipments) > 0 {
		return err
	}
	return fault.Precondition("stock_short", "%v. Correct the uses in the same set; or correct pay weight and cost only, and the difference goes to "+
		"receiving variance", err)
}

// open takes the locks and takes back what stands. Which lots stand in the facts is known for certain only once they are locked.
func (c *correction) open(ctx context.Context, tx Tx) error {
	facts, err := c.facts(ctx, tx)
	if err != nil {
		return err
	}
	legs, err := tx.FactLegs(ctx, facts)
	if err != nil {
		return err
	}
	want := c.want()
	for _, l := range legs {
		if l.Spot.Lot != "" {
			want.Lots = append(want.Lots, l.Spot.Lot)
		}
	}
	if c.b, err = stock.Open(ctx, tx, stock.CorrectionFact(c.set.Correction), want); err != nil {
		return err
	}
	if err := c.b.When("correction "+c.set.Correction, c.order.At); err != nil {
		return err
	}
	if legs, err = tx.FactLegs(ctx, facts); err != nil {
		return err
	}
	for _, l := range legs {
		if l.Spot.Lot != "" && !slices.Contains(want.Lots, l.Spot.Lot) {
			return fault.Unavailable("correction_raced", "correction %s: %s was corrected meanwhile", c.set.Correction, l.Fact)
		}
		c.times[l.Fact] = l.Key.At
	}
	c.b.Correct(legs)
	return nil
}

// facts are the natural keys that the set replaces. It locks the shipments among them.
func (c *correction) facts(ctx context.Context, tx Tx) ([]string, error) {
	s := c.set
	var facts []string
	for _, d := range s.Deliveries {
		facts = append(facts, stock.DeliveryFact(d.Now.Lot))
	}
	for _, r := range s.Runs {
		facts = append(facts, stock.RunFact(r.Run))
	}
	for _, p := range s.Pours {
		facts = append(facts, stock.PourFact(p.Pour))
	}
	for _, a := range s.Adjustments {
		facts = append(facts, stock.AdjustmentFact(a.Adjustment))
	}
	slices.SortFunc(s.Shipments, func(x, y lot.Shipped) int { return compareText(x.Shipment, y.Shipment) })
	for _, sh := range s.Shipments {
		have, err := tx.Shipment(ctx, sh.Shipment)
		if err != nil {
			return nil, err
		}
		c.shipments[sh.Shipment] = have
		for _, l := range sh.Lines {
			facts = append(facts, shipping.LineFact(sh.Shipment, l.Line))
		}
	}
	slices.Sort(facts)
	switch {
	case len(facts) == 0:
		return nil, fault.Invalid("correction_empty", "correction %s: it names nothing", s.Correction)
	case len(slices.Compact(slices.Clone(facts))) < len(facts):
		return nil, fault.Invalid("correction_repeated", "correction %s: it names one fact twice", s.Correction)
	}
	return facts, nil
}

func compareText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (c *correction) want() stock.Want {
	var want stock.Want
	for _, r := range c.set.Runs {
		w := wantOf(r)
		want.Runs, want.Lots = append(want.Runs, w.Runs...), append(want.Lots, w.Lots...)
		want.Born, want.Items, want.Places = append(want.Born, w.Born...), append(want.Items, w.Items...), append(want.Places, w.Places...)
	}
	for _, d := range c.set.Deliveries {
		want.Lots, want.Born = append(want.Lots, d.Now.Lot), append(want.Born, d.Now.Lot) // a void may be of one that is not here
	}
	for _, p := range c.set.Pours {
		want.Lots, want.Born, want.Places = append(want.Lots, p.Lot, p.Bin), append(want.Born, p.Bin), append(want.Places, p.BinPlace)
	}
	for _, a := range c.set.Adjustments {
		want.Lots, want.Reasons = append(want.Lots, a.Lot), append(want.Reasons, a.Reason)
	}
	for _, s := range c.set.Shipments {
		for _, l := range s.Lines {
			want.Lots = append(want.Lots, l.Lot)
		}
	}
	return want
}

// when is the time of a fact that the set replaces, else the set's.
func (c *correction) when(fact string) time.Time {
	if at, ok := c.times[fact]; ok {
		return at
	}
	return c.order.At
}

func (c *correction) deliveries() error {
	for _, d := range c.set.Deliveries {
		if err := c.b.CorrectDelivery(d, c.order.At); err != nil {
			return err
		}
	}
	return nil
}

// runs brings in the new versions, each after those of the set that make its inputs.
func (c *correction) runs() error {
	waiting := map[lot.RunID]bool{}
	for _, r := range c.set.Runs {
		if err := formOf(r); err != nil {
			return err
		}
		state := c.b.Run(r.Run)
		if state.Version == 0 {
			return fault.NotFound("run_unknown", "run %s: there is none of this code", r.Run)
		}
		if r.Version != state.Version+1 {
			return fault.Conflict("run_version", "run %s: version %d does not follow version %d", r.Run, r.Version, state.Version)
		}
		waiting[r.Run] = true
	}
	for len(waiting) > 0 {
		before := len(waiting)
		for i := range c.set.Runs {
			r := &c.set.Runs[i]
			if !waiting[r.Run] || c.restsOnWaiting(*r, waiting) {
				continue
			}
			if err := c.run(r); err != nil {
				return err
			}
			delete(waiting, r.Run)
		}
		if len(waiting) == before {
			return fault.Precondition("run_cycle", "correction %s: its runs take in what is made from their own outputs", c.set.Correction)
		}
	}
	return nil
}

func (c *correction) restsOnWaiting(r lot.RunPosted, waiting map[lot.RunID]bool) bool {
	for _, other := range c.set.Runs {
		if other.Run == r.Run || !waiting[other.Run] {
			continue
		}
		for _, out := range other.Outputs {
			if slices.ContainsFunc(r.Inputs, func(in lot.RunInput) bool { return in.Lot == out.Lot }) {
				return true
			}
		}
	}
	return false
}

func (c *correction) run(r *lot.RunPosted) error {
	state := c.b.Run(r.Run)
	state.Lines = nil
	c.b.Cut(stock.RunFact(r.Run))
	p := &posting{b: c.b, order: c.order, run: *r, state: state}
	if at, ok := c.times[stock.RunFact(r.Run)]; ok && r.Final {
		p.order.At = at // the balance of the run is closed when it was
	}
	if err := p.add(); err != nil {
		return err
	}
	*r = p.run
	if r.Run == c.set.Runs[0].Run {
		c.totals.In, c.totals.Out = state.Totals()
	}
	p.order.At = c.order.At
	c.events = append(c.events, p.handDown(nil)...)
	return nil
}

func (c *correction) pours() error {
	for i := range c.set.Pours {
		p := &c.set.Pours[i]
		fact := stock.PourFact(p.Pour)
		c.b.Cut(fact)
		if p.Quantity == 0 {
			continue
		}
		if err := c.b.Pour(p, c.order.claimant(p.Bin), c.when(fact)); err != nil {
			return err
		}
		if _, ok := c.times[fact]; !ok {
			c.b.Once(fact)
		}
		bin := c.b.Find(p.Bin)
		for _, f := range c.b.Flags(p.Lot) {
			if f.Class == lot.SafetyHold && !bin.IsNew() {
				c.b.Spread(f.Hold, p.Bin)
			}
		}
		c.events = append(c.events, c.b.HandDown(bin, []stock.Parent{{Lot: p.Lot, Flags: c.b.Flags(p.Lot), Drawn: c.when(fact)}}, false, c.order.At)...)
	}
	return nil
}

func (c *correction) adjustments() error {
	for i := range c.set.Adjustments {
		a := &c.set.Adjustments[i]
		fact := stock.AdjustmentFact(a.Adjustment)
		if err := c.byItself(*a); err != nil {
			return err
		}
		if a.Delta == 0 {
			continue
		}
		body, err := c.b.Adjust(stock.Adjust{Name: a.Adjustment, Lot: a.Lot, Place: a.Place, Delta: a.Delta, Reason: a.Reason, At: c.when(fact)})
		if err != nil {
			return err
		}
		if _, ok := c.times[fact]; !ok {
			c.b.Once(fact)
		}
		*a = body
	}
	return nil
}

// byItself refuses a count gain that a draw made: it is corrected with the draw, and inventory says so itself.
func (c *correction) byItself(a lot.Adjusted) error {
	switch {
	case c.b.Again():
		return nil
	case a.DrawnBy != "":
		return fault.Invalid("adjustment_reserved", "adjustment %s: it says that %s made it; only inventory says that", a.Adjustment, a.DrawnBy)
	}
	return stock.FreeName(a.Adjustment)
}

// lines puts shipment lines in place of those of the same number. Who received the shipment stays: goods that went elsewhere are another
// shipment.
func (c *correction) lines() error {
	for i := range c.set.Shipments {
		part := &c.set.Shipments[i]
		have := c.shipments[part.Shipment]
		if part.Consignee != "" && part.Consignee != have.Consignee || part.ShipKind != 0 && part.ShipKind != have.ShipKind {
			return fault.Precondition("shipment_header", "shipment %s: who received it, and why, is not corrected by its lines", part.Shipment)
		}
		lines := part.Lines
		*part = have.Shipped
		part.Lines = lines
		for _, l := range lines {
			if err := c.line(have, l); err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *correction) line(have *shipping.Shipment, l lot.ShipmentLine) error {
	if l.Line <= 0 {
		return fault.Invalid("line_missing", "shipment %s: a corrected line needs its number", have.Shipment)
	}
	old, err := have.Line(l.Line)
	if err != nil {
		return err // goods that left beside it are another shipment
	}
	if l.Quantity < old.Returned || old.Returned > 0 && l.Lot != old.Lot {
		return fault.Precondition("return_beyond", "shipment %s, line %d: more came back of it than the correction lets go out", have.Shipment, l.Line)
	}
	old.ShipmentLine = l
	if l.Quantity == 0 {
		return nil
	}
	return shipping.Leave(c.b, have, l)
}

// written writes the shipment lines and looks for what is made from itself.
func (c *correction) written(ctx context.Context, tx Tx) error {
	for _, part := range c.set.Shipments {
		for _, l := range part.Lines {
			line, err := c.shipments[part.Shipment].Line(l.Line)
			if err != nil {
				return err
			}
			if err := tx.SetLine(ctx, part.Shipment, line); err != nil {
				return err
			}
		}
	}
	for _, r := range c.set.Runs {
		if err := notFromItself(ctx, tx, r.Run); err != nil {
			return err
		}
	}
	for _, p := range c.set.Pours {
		loop, err := tx.FeedsItself(ctx, string(p.Bin))
		if err != nil {
			return err
		}
		if loop {
			return fault.Precondition("run_cycle", "bin lot %s: it would hold what was made from itself", p.Bin)
		}
	}
	return nil
}

// lots are all that the set names.
func (c *correction) lots() []lot.ID {
	out := c.want().Lots
	slices.Sort(out)
	return slices.Compact(out)
}
