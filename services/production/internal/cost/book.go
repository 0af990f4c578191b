package cost

import (
	"cmp"
	"math"
	"sync/atomic"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
)

// Book holds the facts that cost rests on and what follows from them. It is not safe for concurrent use; after Settle, and until the next
// Apply, its answers only read and may be asked side by side.
type Book struct {
	lots     map[lot.ID]*node
	runs     map[lot.RunID]*node
	items    map[lot.ItemID]*itemState
	charges  map[string]*charge
	replaced map[string]bool // charges that another stands in place of
	records  map[recordKey]*record
	marked   []*node
	stuck    []*node // in or below a circle of flows
	visits   int
	admitted int64 // absolute figures of all facts, so that no sum of them can leave the range
	season   atomic.Pointer[Season]
}

// New is a book without facts.
func New() *Book {
	return &Book{
		lots:     map[lot.ID]*node{},
		runs:     map[lot.RunID]*node{},
		items:    map[lot.ItemID]*itemState{},
		charges:  map[string]*charge{},
		replaced: map[string]bool{},
		records:  map[recordKey]*record{},
	}
}

// Apply folds one fact of any producer into the book. It may come in any order and more than once. Bodies that cost does not rest on are
// passed over. A fact that can never be right (a quantity below zero, a sum out of range) is refused and leaves no effect.
func (b *Book) Apply(r lot.Recorded) error {
	if err := b.admit(r.Body); err != nil {
		return err
	}
	s := stamp{producer: r.Producer, epoch: r.Epoch, position: r.Position}
	at := micro(r.Effective)
	switch body := r.Body.(type) {
	case lot.ItemChanged:
		b.itemChanged(body, s, at)
	case lot.Received:
		s.version = 1
		b.received(lot.DeliveryCorrected{Version: 1, Now: body}, s, at)
	case lot.DeliveryCorrected:
		s.version = body.Version
		b.received(body, s, at)
	case lot.PriceSettled:
		b.priceSettled(body, s, at)
	case lot.Bought:
		b.bought(body, s, at)
	case lot.RunOpened:
		b.runOpened(body, s)
	case lot.RunPosted:
		b.runPosted(body, s, at)
	case lot.RunCompleted:
		b.runCompleted(body, s)
	case lot.RunCorrected:
		s.version = body.Completed.Version
		b.runOpened(body.Opened, s)
		b.runCompleted(body.Completed, s)
	case lot.ChargePosted:
		b.chargePosted(body, s)
	default:
		b.stockFact(r.Body, s, at)
	}
	return nil
}

// stockFact folds what inventory did with a lot outside of runs.
func (b *Book) stockFact(body lot.Body, s stamp, at int64) {
	switch body := body.(type) {
	case lot.Poured:
		b.poured(body, s, at, true)
	case lot.BinEmptied:
		b.emptied(body, s, at)
	case lot.Adjusted:
		b.adjusted(body, s, at, true)
	case lot.Shipped:
		b.shipped(body, s, at, true)
	case lot.Returned:
		b.returned(body, s, at)
	case lot.Corrected:
		b.corrected(body, s, at)
	}
}

// stamp is which of two facts under one key stands: the greater.
type stamp struct {
	producer lot.Producer
	version  int64
	epoch    int64
	position int64
}

func (s stamp) compare(t stamp) int {
	if c := cmp.Compare(s.version, t.version); c != 0 {
		return c
	}
	if c := cmp.Compare(s.producer, t.producer); c != 0 {
		return c
	}
	if c := cmp.Compare(s.epoch, t.epoch); c != 0 {
		return c
	}
	return cmp.Compare(s.position, t.position)
}

// recordKey is the natural key of a flow that a fact names.
type recordKey struct {
	kind flowKind
	key  string
	line int64
}

// record is what is known under a natural key. A correction gives a flow as it should have been but no time of its own, so the time is that of
// the first fact that said it, once known.
type record struct {
	newest   stamp
	first    stamp // of the facts that are no corrections
	original bool  // such a fact is known
	at       int64
	flow     *flow // nil: nothing flows
}

// state puts a flow under its natural key, unless a later fact stands there. A quantity of zero takes the flow away.
func (b *Book) state(f *flow, s stamp, original bool) {
	id := recordKey{kind: f.kind, key: f.key, line: f.line}
	r, known := b.records[id]
	if !known {
		r = &record{}
		b.records[id] = r
	}
	if original && (!r.original || s.compare(r.first) < 0) {
		r.original, r.first, r.at = true, s, f.at
		if r.flow != nil && r.flow.at != f.at {
			b.detach(r.flow)
			r.flow.at = f.at
			b.attach(r.flow)
		}
	}
	if known && s.compare(r.newest) <= 0 {
		return
	}
	r.newest = s
	if r.flow != nil {
		b.detach(r.flow)
		r.flow = nil
	}
	if f.quantity == 0 {
		return
	}
	if r.original {
		f.at = r.at
	}
	r.flow = f
	b.attach(f)
}

// lot is the node of a lot, made where it is not yet known.
func (b *Book) lot(id lot.ID) *node {
	n, ok := b.lots[id]
	if !ok {
		n = &node{lot: &lotState{id: id}}
		b.lots[id] = n
	}
	return n
}

// run is the node of a run, made where it is not yet known.
func (b *Book) run(id lot.RunID) *node {
	n, ok := b.runs[id]
	if !ok {
		n = &node{run: &runState{id: id}}
		b.runs[id] = n
	}
	return n
}

func micro(t time.Time) int64 { return t.UnixMicro() }

// most bounds the sum of the absolute figures of all facts, in each unit. A quarter of what 64 bits hold leaves room for every sum and difference
// of parts; it is two trillion dollars and as many pounds.
const most = math.MaxInt64 / 4

// admit refuses a fact with a figure that can never be right, and one that would carry the sums out of range.
func (b *Book) admit(body lot.Body) error {
	t := tally{room: most - b.admitted}
	t.body(body)
	if t.negative {
		return fault.Invalid("cost_negative_quantity", "cost of a %s: a quantity is below zero", body.Kind())
	}
	if t.over {
		return fault.Invalid("cost_out_of_range", "cost of a %s: the figures of all facts together pass %s", body.Kind(), money.Amount(most))
	}
	b.admitted += t.sum
	return nil
}

// tally adds up the absolute figures of one fact.
type tally struct {
	room, sum int64
	negative  bool
	over      bool
}

func (t *tally) add(n int64) {
	if n < 0 {
		n = -n
	}
	if n < 0 || n > t.room-t.sum {
		t.over = true
		return
	}
	t.sum += n
}

func (t *tally) quantity(q lot.Quantity) {
	if q < 0 {
		t.negative = true
	}
	t.add(int64(q))
}

func (t *tally) body(body lot.Body) {
	switch body := body.(type) {
	case lot.Received:
		t.receipt(body)
	case lot.DeliveryCorrected:
		t.receipt(body.Now)
	case lot.PriceSettled:
		t.add(int64(body.Purchase))
	case lot.Bought:
		t.quantity(body.Quantity)
		t.add(int64(body.Price))
	case lot.RunPosted:
		t.posting(body)
	case lot.ChargePosted:
		t.add(int64(body.Amount))
	case lot.Poured:
		t.quantity(body.Quantity)
	case lot.BinEmptied:
		t.quantity(body.Remainder)
	case lot.Adjusted:
		t.add(int64(body.Delta))
	case lot.Shipped:
		t.shipment(body)
	case lot.Returned:
		t.quantity(body.Quantity)
	case lot.Corrected:
		t.correction(body)
	}
}

func (t *tally) receipt(r lot.Received) {
	t.quantity(r.Quantity)
	t.add(int64(r.Purchase))
	t.add(int64(r.Freight))
	for _, c := range r.Charges {
		t.add(int64(c.Amount))
	}
}

func (t *tally) posting(p lot.RunPosted) {
	for _, in := range p.Inputs {
		t.quantity(in.Quantity)
	}
	for _, out := range p.Outputs {
		t.quantity(out.Quantity)
	}
	for _, c := range p.Contributions {
		t.quantity(c.Quantity)
	}
}

func (t *tally) shipment(s lot.Shipped) {
	for _, line := range s.Lines {
		t.quantity(line.Quantity)
	}
}

func (t *tally) correction(c lot.Corrected) {
	for _, d := range c.Deliveries {
		t.receipt(d.Now)
	}
	for _, r := range c.Runs {
		t.posting(r)
	}
	for _, p := range c.Pours {
		t.quantity(p.Quantity)
	}
	for _, a := range c.Adjustments {
		t.add(int64(a.Delta))
	}
	for _, s := range c.Shipments {
		t.shipment(s)
	}
}
