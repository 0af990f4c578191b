package trade

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// begin is when the trade begins in its own time, which is data and no clock's.
var begin = time.Date(2025, 10, 1, 6, 0, 0, 0, time.UTC)

// goods is what a trader knows of a lot of its own.
type goods struct {
	lot   string
	item  string
	held  int64 // micropounds
	fresh bool  // a delivery of which nothing was taken, so that it can be corrected
}

// done is an accepted command with a way to send it again.
type done struct {
	Entry
	again func(ctx context.Context, req proto.Message) (proto.Message, error)
}

// Trader is one sender of commands.
type Trader struct {
	name    string
	clients *Clients
	journal *Journal
	seed    uint64
	rng     *rand.Rand
	step    int // commands made, for ids
	minute  int // of its trade

	lots  []*goods
	runs  []string
	past  []done // the last ones
	asked []question
	seq   int64 // of its scale
	flow  stream
	model sync.Mutex // held while a step runs, so that an audit sees whole steps

	mu     sync.Mutex
	relied map[lot.Producer]lot.Receipt
}

// New makes the trader of a number; what it does follows from seed and number alone, as far as the answers do.
func New(seed uint64, number int, clients *Clients, journal *Journal) *Trader {
	return &Trader{
		name: fmt.Sprintf("T%d", number), clients: clients, journal: journal, seed: seed,
		rng: rand.New(rand.NewPCG(seed, uint64(number)+1)), relied: map[lot.Producer]lot.Receipt{},
	}
}

// id makes the id of the next command.
func (t *Trader) id() string {
	t.step++
	return uuid.NewSHA1(uuid.NameSpaceOID, fmt.Appendf(nil, "storm %d %s %d", t.seed, t.name, t.step)).String()
}

// code makes a code that no other trader makes.
func (t *Trader) code(kind string) string { return fmt.Sprintf("%s-%s%d", t.name, kind, t.step) }

// now is the next minute of the trade.
func (t *Trader) now() *timestamppb.Timestamp {
	t.minute++
	return timestamppb.New(begin.Add(time.Duration(t.minute) * time.Minute))
}

func (t *Trader) receipts() []lot.Receipt {
	t.mu.Lock()
	defer t.mu.Unlock()
	var out []lot.Receipt
	for _, p := range []lot.Producer{lot.Intake, lot.Inventory, lot.Production} {
		if r, ok := t.relied[p]; ok {
			out = append(out, r)
		}
	}
	return out
}

// Rely makes the trader's calls rely on a receipt as well.
func (t *Trader) Rely(receipts ...lot.Receipt) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, r := range receipts {
		if r.Producer != "" && later(r, t.relied[r.Producer]) {
			t.relied[r.Producer] = r
		}
	}
}

const pastKept = 40

func (t *Trader) accepted(req Command, answer proto.Message, tries int, again func(context.Context, proto.Message) (proto.Message, error)) {
	e := Entry{Request: req, Answer: answer}
	t.journal.accepted(t.name, e, tries)
	if r := receiptOf(answer); r != nil {
		t.Rely(lotwire.ParseReceipt(r))
	}
	if len(t.past) == pastKept {
		t.past = slices.Delete(t.past, 0, 1)
	}
	t.past = append(t.past, done{e, again})
}

// Forget has the trader send none of its old commands again: a service that was restored to an earlier moment knows those that it lost by their effects,
// not by their messages and answers.
func (t *Trader) Forget() {
	t.model.Lock()
	defer t.model.Unlock()
	t.past = nil
}

// Register makes parties, items, places and reasons known; whoever trades then relies on the receipts that it returns.
func (t *Trader) Register(ctx context.Context) ([]lot.Receipt, error) {
	for code, role := range map[string]eventv1.PartyRole{
		"G1": eventv1.PartyRole_PARTY_ROLE_SELLER, "C1": eventv1.PartyRole_PARTY_ROLE_CUSTOMER, "S1": eventv1.PartyRole_PARTY_ROLE_SUPPLIER,
	} {
		party := &eventv1.PartyChanged{Party: code, Name: "Party " + code, Roles: []eventv1.PartyRole{role}, Address: "1 Grove Road", Phone: "555-0100"}
		if _, err := send(ctx, t, t.clients.Intake.RegisterParty, &intakev1.RegisterPartyRequest{CommandId: t.id(), Party: party}); err != nil {
			return nil, err
		}
	}
	for _, i := range []struct {
		code  string
		kind  eventv1.ItemKind
		price int64
	}{{nut, eventv1.ItemKind_ITEM_KIND_IN_SHELL, 0}, {kernel, eventv1.ItemKind_ITEM_KIND_KERNEL, 5_000_000}, {shell, eventv1.ItemKind_ITEM_KIND_BYPRODUCT, 15_000}} {
		item := &eventv1.ItemChanged{Item: i.code, Name: i.code, Kind: i.kind, Measure: eventv1.Measure_MEASURE_WEIGHT}
		if i.price > 0 {
			item.SplitOffMicrosPerLb = &i.price
		}
		if _, err := send(ctx, t, t.clients.Intake.RegisterItem, &intakev1.RegisterItemRequest{CommandId: t.id(), Item: item}); err != nil {
			return nil, err
		}
	}
	place := &inventoryv1.RegisterPlaceRequest{CommandId: t.id(), Place: &inventoryv1.Place{Place: yard, Name: "yard"}}
	if _, err := send(ctx, t, t.clients.Inventory.RegisterPlace, place); err != nil {
		return nil, err
	}
	reason := &inventoryv1.RegisterReasonRequest{CommandId: t.id(), Reason: shrink, Account: &eventv1.LossAccount{Name: shrink}}
	if _, err := send(ctx, t, t.clients.Inventory.RegisterReason, reason); err != nil {
		return nil, err
	}
	return t.receipts(), nil
}

// Trade goes on step by step until ctx ends. Between two steps it lets gate hold it up.
func (t *Trader) Trade(ctx context.Context, gate *Gate) {
	for ctx.Err() == nil {
		if !gate.enter(ctx) {
			return
		}
		t.Step(ctx)
		gate.leave()
	}
}

// Step does one thing that the seed chooses.
func (t *Trader) Step(ctx context.Context) {
	t.model.Lock()
	defer t.model.Unlock()
	steps := []struct {
		weight int
		do     func(context.Context) error
	}{
		{14, t.deliver}, {10, t.weigh}, {10, t.run}, {5, t.openRun}, {8, t.move}, {5, t.pour}, {6, t.hold}, {8, t.ship}, {4, t.adjust}, {5, t.correct},
		{3, t.charge}, {6, t.drill}, {8, t.repeat},
	}
	total := 0
	for _, s := range steps {
		total += s.weight
	}
	n := t.rng.IntN(total)
	for _, s := range steps {
		if n -= s.weight; n < 0 {
			if err := s.do(ctx); err != nil && ctx.Err() == nil {
				t.journal.wrong("%s: %v", t.name, err)
			}
			return
		}
	}
}

// choose is a lot of an item with something to take; nil where there is none.
func (t *Trader) choose(item string) *goods {
	var can []*goods
	for _, g := range t.lots {
		if g.item == item && g.held >= lb(minimum) {
			can = append(can, g)
		}
	}
	if len(can) == 0 {
		return nil
	}
	return can[t.rng.IntN(len(can))]
}

// part is some whole pounds of a lot, at least one.
func (t *Trader) part(g *goods) int64 { return lb(1 + t.rng.Int64N(g.held/lb(1))) }

func lb(n int64) int64 { return n * 1_000_000 }

func digits(micropounds int64) string { return weight.FormatDecimal(micropounds, 6, 0) }

// Audit asks for what each lot holds, at most so many of them, and compares it with what the trader's own books say.
func (t *Trader) Audit(ctx context.Context, most int) (checked int, err error) {
	t.model.Lock()
	defer t.model.Unlock()
	lots := slices.Clone(t.lots)
	t.rngFor(len(lots)).Shuffle(len(lots), func(i, j int) { lots[i], lots[j] = lots[j], lots[i] })
	for _, g := range lots[:min(most, len(lots))] {
		answer, err := read(ctx, t, t.clients.Inventory.GetLot, &inventoryv1.GetLotRequest{Lot: g.lot})
		if err != nil {
			if fault.Refused(err) {
				t.journal.wrong("%s: lot %s was accepted and is not known: %v", t.name, g.lot, err)
				continue
			}
			return checked, err
		}
		checked++
		if got := answer.GetLot().GetOnHand(); got != g.held {
			t.journal.wrong("%s: lot %s holds %d micropounds, its trader's books say %d", t.name, g.lot, got, g.held)
		}
	}
	return checked, nil
}

// rngFor is a source of its own, so that an audit leaves the trader's course alone.
func (t *Trader) rngFor(n int) *rand.Rand { return rand.New(rand.NewPCG(t.seed, uint64(n))) }

// Gate holds traders up between two steps.
type Gate struct {
	mu     sync.Mutex
	closed bool
	inside int
	change chan struct{}
}

// NewGate is an open gate.
func NewGate() *Gate { return &Gate{change: make(chan struct{})} }

func (g *Gate) announce() {
	close(g.change)
	g.change = make(chan struct{})
}

func (g *Gate) enter(ctx context.Context) bool {
	for {
		g.mu.Lock()
		if !g.closed {
			g.inside++
			g.mu.Unlock()
			return true
		}
		change := g.change
		g.mu.Unlock()
		select {
		case <-change:
		case <-ctx.Done():
			return false
		}
	}
}

func (g *Gate) leave() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.inside--
	g.announce()
}

// Close lets nobody begin another step, and waits until every step that was begun has ended.
func (g *Gate) Close(ctx context.Context) error {
	g.mu.Lock()
	g.closed = true
	for g.inside > 0 {
		change := g.change
		g.mu.Unlock()
		select {
		case <-change:
		case <-ctx.Done():
			return fmt.Errorf("traders wait for answers: %w", context.Cause(ctx))
		}
		g.mu.Lock()
	}
	g.mu.Unlock()
	return nil
}

// Open lets traders go on.
func (g *Gate) Open() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.closed = false
	g.announce()
}
