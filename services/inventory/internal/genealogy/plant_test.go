package genealogy

import (
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

const lb = lot.Quantity(weight.Pound)

var start = time.Date(2024, 10, 1, 0, 0, 0, 0, time.UTC)

// plant draws a small plant's facts, each producer's in order, and keeps by itself what they come to. It shares nothing with the index but the
// event bodies.
type plant struct {
	t     *rapid.T
	facts map[lot.Producer][]lot.Recorded
	now   time.Time
	names int

	lots   []lot.ID // in the order of birth: nothing is made from a later one
	onHand map[lot.ID]lot.Quantity
	pairs  map[[2]lot.ID]bool // made straight from: parent, child
	gates  map[lot.ID]lot.Received
	left   map[string]lot.ID // shipment: lot
	runs   []lot.RunPosted
}

func drawPlant(t *rapid.T) *plant {
	p := &plant{
		t: t, now: start, facts: map[lot.Producer][]lot.Recorded{}, onHand: map[lot.ID]lot.Quantity{},
		pairs: map[[2]lot.ID]bool{}, gates: map[lot.ID]lot.Received{}, left: map[string]lot.ID{},
	}
	p.receive()
	steps := []func(){p.receive, p.run, p.run, p.runInPieces, p.pour, p.ship, p.comeBack, p.adjust, p.carry, p.buy, p.correctDelivery, p.correctRun}
	for range rapid.IntRange(1, 25).Draw(t, "steps") {
		steps[rapid.IntRange(0, len(steps)-1).Draw(t, "step")]()
	}
	return p
}

func (p *plant) say(by lot.Producer, b lot.Body) {
	p.now = p.now.Add(time.Minute)
	p.facts[by] = append(p.facts[by], lot.Recorded{
		Receipt: lot.Receipt{Producer: by, Epoch: 1, Position: int64(len(p.facts[by]) + 1)},
		Event:   lot.Event{Effective: p.now, Body: b},
	})
}

func (p *plant) name(letter string) string {
	p.names++
	return fmt.Sprintf("%s%03d", letter, p.names)
}

func (p *plant) birth(letter string, q lot.Quantity) lot.ID {
	id := lot.ID(p.name(letter))
	p.lots, p.onHand[id] = append(p.lots, id), q
	return id
}

// take draws part of a lot that is on hand; nothing where none is.
func (p *plant) take() (lot.ID, lot.Quantity) {
	var there []lot.ID
	for _, id := range p.lots {
		if p.onHand[id] > 0 {
			there = append(there, id)
		}
	}
	if len(there) == 0 {
		return "", 0
	}
	id := rapid.SampledFrom(there).Draw(p.t, "lot")
	q := lot.Quantity(rapid.Int64Range(1, int64(p.onHand[id])).Draw(p.t, "quantity"))
	p.onHand[id] -= q
	return id, q
}

func (p *plant) receive() {
	q := lot.Quantity(rapid.Int64Range(1, int64(1000*lb)).Draw(p.t, "received"))
	id := p.birth("D", q)
	p.gates[id] = lot.Received{Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: q, Party: "G", Ownership: lot.Company}
	p.say(lot.Intake, p.gates[id])
}

// drawRun takes in up to three lots and gives up to three; with a table, input by input to outputs of its own choice.
func (p *plant) drawRun() lot.RunPosted {
	b := lot.RunPosted{Run: lot.RunID(p.name("R")), Version: 1, Stage: "sort", Final: true}
	for range rapid.IntRange(1, 3).Draw(p.t, "inputs") {
		if id, q := p.take(); id != "" {
			b.Inputs = append(b.Inputs, lot.RunInput{Line: int64(len(b.Inputs) + 1), Lot: id, Quantity: q, At: p.now})
		}
	}
	if len(b.Inputs) == 0 {
		return b
	}
	for i := range rapid.IntRange(1, 3).Draw(p.t, "outputs") {
		b.Outputs = append(b.Outputs, lot.RunOutput{
			Line: int64(i + 1), Lot: p.birth("N", 0), Item: "K", Measure: lot.ByWeight, Role: lot.Main, At: p.now,
		})
	}
	p.fill(&b, rapid.Bool().Draw(p.t, "table"))
	return b
}

// fill puts each input into outputs, less a loss, and notes the pairs.
func (p *plant) fill(b *lot.RunPosted, table bool) {
	b.Contributions = nil
	for _, in := range b.Inputs {
		for i := range b.Outputs {
			share := in.Quantity / lot.Quantity(len(b.Outputs)+1)
			if table && rapid.Bool().Draw(p.t, "none") {
				share = 0
			}
			b.Outputs[i].Quantity += share
			if table {
				b.Contributions = append(b.Contributions, lot.Contribution{Input: in.Lot, Output: b.Outputs[i].Lot, Quantity: share})
			}
		}
	}
	p.join(*b)
	for _, out := range b.Outputs {
		p.onHand[out.Lot] = out.Quantity
	}
}

// join notes which inputs each output was made from: those of its rows, or all where no row gives it any pounds.
func (p *plant) join(b lot.RunPosted) {
	for _, out := range b.Outputs {
		told := false
		for _, c := range b.Contributions {
			if c.Output == out.Lot && c.Quantity > 0 {
				told, p.pairs[[2]lot.ID{c.Input, out.Lot}] = true, true
			}
		}
		for _, in := range b.Inputs {
			if !told {
				p.pairs[[2]lot.ID{in.Lot, out.Lot}] = true
			}
		}
	}
}

func (p *plant) run() {
	if b := p.drawRun(); len(b.Inputs) > 0 {
		p.runs = append(p.runs, b)
		p.say(lot.Inventory, b)
	}
}

// runInPieces posts a run line by line, one of them twice, and its table at the end.
func (p *plant) runInPieces() {
	b := p.drawRun()
	if len(b.Inputs) == 0 {
		return
	}
	p.runs = append(p.runs, b)
	piece := lot.RunPosted{Run: b.Run, Version: 1, Stage: b.Stage}
	for _, in := range append(b.Inputs, b.Inputs[0]) {
		piece.Inputs = []lot.RunInput{in}
		p.say(lot.Inventory, piece)
	}
	piece.Inputs = nil
	for _, out := range b.Outputs {
		piece.Outputs = []lot.RunOutput{out}
		p.say(lot.Inventory, piece)
	}
	piece.Outputs, piece.Contributions, piece.Final = nil, b.Contributions, true
	p.say(lot.Inventory, piece)
}

func (p *plant) pour() {
	bin := p.birth("P", 0)
	for range rapid.IntRange(1, 3).Draw(p.t, "pours") {
		id, q := p.take()
		if id == "" {
			continue
		}
		p.pairs[[2]lot.ID{id, bin}] = true
		p.say(lot.Inventory, lot.Poured{Pour: p.name("PR"), Bin: bin, Item: "IN", Measure: lot.ByWeight, Lot: id, Quantity: q})
		defer func() { p.onHand[bin] += q }()
	}
}

func (p *plant) ship() {
	if id, q := p.take(); id != "" {
		name := p.name("X")
		p.left[name] = id
		p.say(lot.Inventory, lot.Shipped{Shipment: name, Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: id, Quantity: q}}})
	}
}

// shipAll empties the plant.
func (p *plant) shipAll() {
	for _, id := range p.lots {
		if q := p.onHand[id]; q > 0 {
			p.onHand[id] = 0
			p.say(lot.Inventory, lot.Shipped{Shipment: p.name("X"), Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: id, Quantity: q}}})
		}
	}
}

func (p *plant) comeBack() {
	for _, name := range slices.Sorted(maps.Keys(p.left)) {
		from := p.left[name]
		delete(p.left, name)
		id := p.birth("V", 1)
		p.pairs[[2]lot.ID{from, id}] = true
		p.say(lot.Inventory, lot.Returned{
			Return: p.name("RT"), Shipment: name, Line: 1, Origin: from, Lot: id, Item: "K", Measure: lot.ByWeight, Quantity: 1,
		})
		return
	}
}

// carry moves pounds of a lot to a place and leaves them there.
func (p *plant) carry() {
	id := rapid.SampledFrom(p.lots).Draw(p.t, "carried")
	p.say(lot.Inventory, lot.Moved{Movement: p.name("M"), Lot: id, Quantity: 1, To: lot.PlaceID(rapid.SampledFrom([]string{"a", "b"}).Draw(p.t, "to"))})
}

func (p *plant) adjust() {
	if id, q := p.take(); id != "" {
		p.say(lot.Inventory, lot.Adjusted{Adjustment: p.name("A"), Lot: id, Delta: -q, Account: lot.Account{Name: "moisture"}})
	}
}

func (p *plant) buy() {
	if id, q := p.take(); id != "" {
		to := p.birth("Q", q)
		p.pairs[[2]lot.ID{id, to}] = true
		p.say(lot.Intake, lot.Bought{Purchase: p.name("BUY"), Lot: id, NewLot: to, Owner: "K", Quantity: q})
	}
}

// correctDelivery raises what came in; inventory tells it, and intake too where its event is there already.
func (p *plant) correctDelivery() {
	for _, id := range p.lots {
		b, ok := p.gates[id]
		if !ok {
			continue
		}
		delete(p.gates, id)
		b.Quantity, p.onHand[id] = b.Quantity+lb, p.onHand[id]+lb
		part := lot.DeliveryCorrected{Version: 2, Reason: "misread", Now: b}
		if rapid.Bool().Draw(p.t, "told by both") {
			p.say(lot.Intake, part)
		}
		p.say(lot.Inventory, lot.Corrected{Correction: p.name("COR"), Deliveries: []lot.DeliveryCorrected{part}})
		return
	}
}

// correctRun takes the table of a run away or, where it had none, all inputs but the first: the pairs change, its lots stay.
func (p *plant) correctRun() {
	if len(p.runs) == 0 {
		return
	}
	b := p.runs[0]
	p.runs = p.runs[1:]
	for pair := range p.pairs {
		if slices.ContainsFunc(b.Outputs, func(out lot.RunOutput) bool { return out.Lot == pair[1] }) {
			delete(p.pairs, pair)
		}
	}
	b.Version = 2
	if b.Contributions == nil {
		for _, in := range b.Inputs[1:] {
			p.onHand[in.Lot] += in.Quantity
		}
		b.Inputs, b.GainReason = b.Inputs[:1], "inputs were another run's"
	}
	b.Contributions = nil
	p.join(b)
	p.say(lot.Inventory, lot.Corrected{Correction: p.name("COR"), Runs: []lot.RunPosted{b}})
}

// merged draws an order across producers that keeps each one's own.
func (p *plant) merged(label string) []lot.Recorded {
	var turns []lot.Producer
	for _, by := range []lot.Producer{lot.Intake, lot.Inventory} {
		turns = append(turns, slices.Repeat([]lot.Producer{by}, len(p.facts[by]))...)
	}
	if len(turns) == 0 {
		return nil
	}
	var out []lot.Recorded
	next := map[lot.Producer]int{}
	for _, by := range rapid.Permutation(turns).Draw(p.t, label) {
		out = append(out, p.facts[by][next[by]])
		next[by]++
	}
	return out
}

func fold(t require.TestingT, facts []lot.Recorded) *Index {
	x := New()
	for _, f := range facts {
		require.NoError(t, x.Apply(f))
	}
	return x
}

// closure is everything reached from a lot over the pairs, end 1 forward and end 0 backward: plain and slow.
func (p *plant) closure(id lot.ID, end int) []lot.ID {
	found := []lot.ID{id}
	for i := 0; i < len(found); i++ {
		for pair := range p.pairs {
			if pair[1-end] == found[i] && !slices.Contains(found, pair[end]) {
				found = append(found, pair[end])
			}
		}
	}
	found = found[1:]
	slices.Sort(found)
	return found
}

func single(t testing.TB, bodies ...lot.Body) *Index {
	t.Helper()
	x := New()
	for i, b := range bodies {
		require.NoError(t, x.Apply(lot.Recorded{
			Receipt: lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: int64(i + 1)},
			Event:   lot.Event{Effective: start.Add(time.Duration(i+1) * time.Hour), Body: b},
		}))
	}
	return x
}
