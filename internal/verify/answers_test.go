package verify

import (
	"context"
	"fmt"
	"io"
	"math/big"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// answering is three services that answer from a book, rounded to millionths. bend may change an answer before it goes out.
type answering struct {
	b      *book
	chains []*chain
	bend   func(proto.Message)
	refuse func(rpc, subject string) error // nil refuses nothing
	aside  []*inventoryv1.QuarantinedEvent // by inventory

	origins func() map[string]map[string]*big.Int
}

func (a *answering) refused(rpc, subject string) error {
	if a.refuse == nil {
		return nil
	}
	return a.refuse(rpc, subject)
}

func (f intakeFake) ListQuarantine(context.Context, *intakev1.ListQuarantineRequest, ...grpc.CallOption) (*intakev1.ListQuarantineResponse, error) {
	return &intakev1.ListQuarantineResponse{}, f.refused("ListQuarantine", "intake")
}

// ListQuarantine gives one event to a page.
func (f inventoryFake) ListQuarantine(_ context.Context, q *inventoryv1.ListQuarantineRequest, _ ...grpc.CallOption,
) (*inventoryv1.ListQuarantineResponse, error) {
	n := len(q.GetPageToken())
	if n >= len(f.aside) {
		return &inventoryv1.ListQuarantineResponse{}, nil
	}
	return &inventoryv1.ListQuarantineResponse{Events: f.aside[n : n+1], NextPageToken: strings.Repeat("x", n+1)}, nil
}

func (f productionFake) ListQuarantine(context.Context, *productionv1.ListQuarantineRequest, ...grpc.CallOption,
) (*productionv1.ListQuarantineResponse, error) {
	return &productionv1.ListQuarantineResponse{}, nil
}

func (a *answering) out(m proto.Message) {
	if a.bend != nil {
		a.bend(m)
	}
}

type intakeFake struct {
	intakev1.IntakeServiceClient
	*answering
}

type inventoryFake struct {
	inventoryv1.InventoryServiceClient
	*answering
}

type productionFake struct {
	productionv1.ProductionServiceClient
	*answering
}

func (a *answering) services() Services {
	return Services{Intake: intakeFake{answering: a}, Inventory: inventoryFake{answering: a}, Production: productionFake{answering: a}}
}

// pages is a stream of envelopes, three to a page.
type pages[T any] struct {
	grpc.ClientStream
	left []*eventv1.Envelope
	wrap func([]*eventv1.Envelope) *T
}

func (p *pages[T]) Recv() (*T, error) {
	if len(p.left) == 0 {
		return nil, io.EOF
	}
	n := min(3, len(p.left))
	page := p.left[:n]
	p.left = p.left[n:]
	return p.wrap(page), nil
}

func (f intakeFake) GetHead(context.Context, *intakev1.GetHeadRequest, ...grpc.CallOption) (*intakev1.GetHeadResponse, error) {
	return &intakev1.GetHeadResponse{Head: f.chains[0].head}, nil
}

func (f intakeFake) ReadEvents(context.Context, *intakev1.ReadEventsRequest, ...grpc.CallOption) (grpc.ServerStreamingClient[intakev1.ReadEventsResponse], error) {
	return &pages[intakev1.ReadEventsResponse]{left: f.chains[0].envelopes, wrap: func(e []*eventv1.Envelope) *intakev1.ReadEventsResponse {
		return &intakev1.ReadEventsResponse{Envelopes: e}
	}}, nil
}

func (f intakeFake) GetFeedTotals(context.Context, *intakev1.GetFeedTotalsRequest, ...grpc.CallOption) (*intakev1.GetFeedTotalsResponse, error) {
	m := &intakev1.GetFeedTotalsResponse{Lines: f.b.feedLines, Distinct: f.b.feedKept, Conflicts: 1, Scales: 1}
	f.out(m)
	return m, nil
}

func (f inventoryFake) GetHead(context.Context, *inventoryv1.GetHeadRequest, ...grpc.CallOption) (*inventoryv1.GetHeadResponse, error) {
	return &inventoryv1.GetHeadResponse{Head: f.chains[1].head}, nil
}

func (f inventoryFake) ReadEvents(context.Context, *inventoryv1.ReadEventsRequest, ...grpc.CallOption) (grpc.ServerStreamingClient[inventoryv1.ReadEventsResponse], error) {
	return &pages[inventoryv1.ReadEventsResponse]{left: f.chains[1].envelopes, wrap: func(e []*eventv1.Envelope) *inventoryv1.ReadEventsResponse {
		return &inventoryv1.ReadEventsResponse{Envelopes: e}
	}}, nil
}

func (f inventoryFake) ListHolds(context.Context, *inventoryv1.ListHoldsRequest, ...grpc.CallOption) (*inventoryv1.ListHoldsResponse, error) {
	m := &inventoryv1.ListHoldsResponse{}
	for _, h := range f.b.holds {
		m.Holds = append(m.Holds, &inventoryv1.HoldState{Hold: h.id, Class: h.class, Root: h.root, Ended: h.ended, Lots: sorted(h.lots), Excluded: sorted(h.excluded),
			Containers: h.part.containers, FillFrom: h.part.from, FillTo: h.part.to})
	}
	f.out(m)
	return m, nil
}

func (f inventoryFake) ListLots(context.Context, *inventoryv1.ListLotsRequest, ...grpc.CallOption) (*inventoryv1.ListLotsResponse, error) {
	m := &inventoryv1.ListLotsResponse{}
	for _, id := range f.b.order {
		g := f.b.lots[id]
		m.Lots = append(m.Lots, &inventoryv1.LotState{Lot: id, Item: g.item, Measure: g.measure, Owner: g.owner, Made: g.made, Born: timestamppb.New(g.born),
			OnHand: g.onHand, Balances: []*inventoryv1.Balance{{Owner: g.owner, Quantity: g.onHand}}, Holds: f.b.holdsOn(id)})
	}
	f.out(m)
	return m, nil
}

func (f inventoryFake) Drill(_ context.Context, q *inventoryv1.DrillRequest, _ ...grpc.CallOption) (*inventoryv1.DrillResponse, error) {
	b, id := f.b, q.GetLot()
	if err := f.refused("Drill", id); err != nil {
		return nil, err
	}
	g := b.lots[id]
	m := &inventoryv1.DrillResponse{Lot: id, Item: g.item, Owner: g.owner, Measure: g.measure, Holds: b.holdsOn(id), OwnReceivedOrMade: g.made, OwnUsed: g.used,
		OwnShipped: g.shipped, OwnAdjusted: g.changed, OwnOnHand: g.onHand, AccountedPpmPct: 100_000_000}
	relative := func(id string) *inventoryv1.AffectedLot {
		l := b.lots[id]
		return &inventoryv1.AffectedLot{Lot: id, Item: l.item, Owner: l.owner, Measure: l.measure, Made: l.made, OnHand: l.onHand, Holds: b.holdsOn(id)}
	}
	family := b.descendants(id)
	for _, l := range family {
		m.Affected = append(m.Affected, relative(l))
	}
	for _, l := range b.ancestors(id) {
		m.Ancestors = append(m.Ancestors, relative(l))
	}
	family = append(family, id)
	back := b.cameBack()
	who := map[string]bool{}
	for _, l := range family {
		m.OnHand += b.lots[l].onHand
	}
	for _, key := range b.shipLines {
		s := b.shipped[key]
		if !slices.Contains(family, s.line.GetLot()) {
			continue
		}
		m.Shipped += s.line.GetQuantity()
		m.Returned += back[key]
		who[s.of.GetConsignee()] = true
		m.Shipments = append(m.Shipments, &inventoryv1.AffectedShipment{Shipment: key.shipment, Line: key.line, Lot: s.line.GetLot(), Quantity: s.line.GetQuantity(),
			Returned: back[key], Time: timestamppb.New(s.at), Consignee: s.of.GetConsignee(), Channel: s.of.GetChannel(), Carrier: s.of.GetCarrier(),
			Document: s.of.GetDocument()})
	}
	for _, id := range sorted(who) {
		p := b.parties[id]
		m.Consignees = append(m.Consignees, &inventoryv1.Consignee{Party: id, Name: p.GetName(), Address: p.GetAddress(), Phone: p.GetPhone()})
	}
	for _, l := range family {
		if n := b.runs[b.lots[l].run]; n != nil {
			in, out := b.runMass(n)
			m.Runs = append(m.Runs, &inventoryv1.RunBalance{Run: n.id, Stage: n.stage, Input: in, Output: out, Unaccounted: in - out})
		}
	}
	f.out(m)
	return m, nil
}

func (f inventoryFake) Origins(_ context.Context, q *inventoryv1.OriginsRequest, _ ...grpc.CallOption) (*inventoryv1.OriginsResponse, error) {
	m := &inventoryv1.OriginsResponse{Lot: q.GetLot()}
	shares := f.origins()[q.GetLot()]
	left := int64(1_000_000_000_000_000_000)
	for i, id := range sorted(shares) {
		share := new(big.Int).Quo(shares[id], new(big.Int).Exp(big.NewInt(10), big.NewInt(18), nil)).Int64()
		if i == len(shares)-1 {
			share = left
		}
		left -= share
		from := f.b.lots[id]
		m.Origins = append(m.Origins, &inventoryv1.Origin{Lot: id, Share: share, Item: from.item, Party: from.receipt.of.GetParty()})
	}
	f.out(m)
	return m, nil
}

func (f productionFake) GetHead(context.Context, *productionv1.GetHeadRequest, ...grpc.CallOption) (*productionv1.GetHeadResponse, error) {
	return &productionv1.GetHeadResponse{Head: f.chains[2].head}, nil
}

func (f productionFake) ReadEvents(context.Context, *productionv1.ReadEventsRequest, ...grpc.CallOption) (grpc.ServerStreamingClient[productionv1.ReadEventsResponse], error) {
	return &pages[productionv1.ReadEventsResponse]{left: f.chains[2].envelopes, wrap: func(e []*eventv1.Envelope) *productionv1.ReadEventsResponse {
		return &productionv1.ReadEventsResponse{Envelopes: e}
	}}, nil
}

// micros rounds half up, as a service would.
func micros(n *big.Rat) int64 {
	twice := new(big.Int).Mul(n.Num(), big.NewInt(2))
	twice.Add(twice, n.Denom())
	return twice.Div(twice, new(big.Int).Mul(n.Denom(), big.NewInt(2))).Int64()
}

func answer(v vec) *productionv1.CostAmounts {
	return &productionv1.CostAmounts{PaidStockMicros: micros(v.at(paidStock)), PaidServiceMicros: micros(v.at(paidService)),
		FinalStockMicros: micros(v.at(finalStock)), FinalServiceMicros: micros(v.at(finalService))}
}

func (f productionFake) GetLotCost(_ context.Context, q *productionv1.GetLotCostRequest, _ ...grpc.CallOption) (*productionv1.GetLotCostResponse, error) {
	if err := f.refused("GetLotCost", q.GetLot()); err != nil {
		return nil, err
	}
	g := f.b.lots[q.GetLot()]
	born := g.cost.born
	m := &productionv1.GetLotCostResponse{Lot: g.id, Item: g.item, Owner: g.owner, Made: g.made, OnHand: g.onHand, Cost: answer(born),
		OnHandCost: answer(g.cost.onHand), Measure: g.measure, Run: g.run}
	if f.b.itemKind(g.item) == eventv1.ItemKind_ITEM_KIND_FINISHED {
		m.Finished = true
		m.KernelMicropounds = micros(born.at(kernelPounds))
		m.KernelCost = &productionv1.CostAmounts{PaidStockMicros: micros(born.at(kernelPaidStock)), PaidServiceMicros: micros(born.at(kernelPaidService)),
			FinalStockMicros: micros(born.at(kernelFinalStock)), FinalServiceMicros: micros(born.at(kernelFinalService))}
	}
	f.out(m)
	return m, nil
}

func (f productionFake) GetRunCost(_ context.Context, q *productionv1.GetRunCostRequest, _ ...grpc.CallOption) (*productionv1.GetRunCostResponse, error) {
	n, c := f.b.runs[q.GetRun()], f.b.costs[q.GetRun()]
	in, out := f.b.runMass(n)
	m := &productionv1.GetRunCostResponse{Run: n.id, Stage: n.stage, InputMicropounds: in, OutputMicropounds: out, UnaccountedMicropounds: in - out,
		Material: answer(c.material), Conversion: answer(c.conversion), ByproductCredit: answer(c.credit), AbnormalLoss: answer(c.abnormal),
		KernelMicropounds: c.kernelMass, KernelCost: answer(c.kernel)}
	for _, l := range f.b.dumps(n) {
		m.Inputs = append(m.Inputs, &productionv1.InputCost{Lot: l.lot, Item: f.b.lots[l.lot].item, Quantity: -l.quantity, Cost: answer(l.value)})
	}
	for _, o := range n.outputs {
		for _, l := range f.b.lots[o.GetLot()].legs {
			if l.out == o {
				m.Outputs = append(m.Outputs, &productionv1.OutputCost{Lot: l.lot, Item: o.GetItem(), Role: o.GetRole(), Quantity: l.quantity, Cost: answer(l.value)})
			}
		}
	}
	f.out(m)
	return m, nil
}

func (f productionFake) GetBalance(context.Context, *productionv1.GetBalanceRequest, ...grpc.CallOption) (*productionv1.GetBalanceResponse, error) {
	t := f.b.totals
	m := &productionv1.GetBalanceResponse{Deliveries: t.deliveries, Lots: t.lots, Runs: t.runs, Shipments: t.shipments, ReturnedMicropounds: t.returned,
		ReceivedMicropounds: t.received, ShippedMicropounds: t.shipped, OnHandMicropounds: t.onHand, AdjustedMicropounds: t.changed,
		UnaccountedMicropounds: t.unaccounted, InProcessMicropounds: t.process, CostIn: answer(t.costIn), InventoryCost: answer(t.stock),
		ShippedCost: answer(t.out), WrittenOff: answer(t.writtenOff), AbnormalLoss: answer(t.abnormal), InProcessCost: answer(t.inProcess),
		Proof: []*productionv1.ProofLine{{Name: "weight", Left: 7, Right: 7}}}
	f.out(m)
	return m, nil
}

// answersOf are services that answer rightly about sound facts.
func answersOf(t testing.TB, facts []lot.Recorded) *answering {
	chains := chained(t, facts)
	r := &Report{}
	b := recompute(r, chains)
	b.checkHolds(r, nil)
	require.Empty(t, r.Differences)
	return &answering{b: b, chains: chains, origins: sync.OnceValue(b.origins)}
}

// busy is a small plant with a return, an adjustment and a hold.
func busy(t *testing.T) *plant {
	p := flow(t)
	p.say(lot.Intake, lot.PartyChanged{Party: "C", Name: "Millstone Market", Roles: []lot.PartyRole{lot.Customer}, Address: "1 Gin Road", Phone: "555-0101"})
	p.say(lot.Inventory, lot.Returned{Return: "RT-1", Shipment: "X-1", Line: 1, Origin: "F-1", Lot: "V-1", Item: "CF", Measure: lot.ByWeight, Quantity: lb(3)})
	p.say(lot.Inventory, lot.Adjusted{Adjustment: "A-1", Lot: "N-1", Delta: -lb(2), Reason: "moisture", Account: lot.Account{Name: "moisture"}})
	for _, on := range []lot.ID{"D-1", "N-1", "F-1"} {
		p.hold("D-1", on)
	}
	p.say(lot.Inventory, lot.HoldEnded{Hold: "H", Lot: "V-1", Excluded: true, Reason: "tested clean"})
	return p
}

// TestRightAnswersAgree also runs the whole of the second season through right answers, so that rounding alone is no difference.
func TestRightAnswersAgree(t *testing.T) {
	t.Parallel()
	for _, facts := range [][]lot.Recorded{loadSeason(t, "season-2").Facts(), busy(t).facts} {
		r, err := Run(t.Context(), answersOf(t, facts).services())
		require.NoError(t, err)
		if !r.OK() {
			t.Errorf("%d differences, the first %+v", len(r.Differences), r.Differences[0])
		}
	}
	r, err := Run(t.Context(), answersOf(t, busy(t).facts).services())
	require.NoError(t, err)
	var text strings.Builder
	require.NoError(t, r.Write(&text))
	for _, want := range []string{"no differences", "drills", "costs of lots", "intake/1/"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("the report does not say %q:\n%s", want, text.String())
		}
	}
}

// unchecked are fields that an answer may carry as it likes: what is not recomputed here, or only says how the answer came about.
var unchecked = []string{
	"GetFeedTotalsResponse.conflicts", "GetFeedTotalsResponse.scales", "HoldState.reason", "HoldState.recall", "HoldState.placed_by", "LotState.ownership",
	"ListHoldsResponse.next_page_token", "ListLotsResponse.next_page_token", "Consignee.quantity", "OriginsResponse.lot", "GetLotCostResponse.lot",
	"GetRunCostResponse.run", "GetRunCostResponse.stage", "GetRunCostResponse.basis", "GetRunCostResponse.basis_fault", "GetRunCostResponse.provisional_micros", "OutputCost.role",
	"OutputCost.split_off_micros_per_lb", "OutputCost.kernel", "GetLotCostResponse.provisional", "GetLotCostResponse.provisional_micros",
	"GetBalanceResponse.has_returns", "ProofLine.name", "ProofLine.text", "ProofLine.unit", "HoldState.spreading",
	"GetLotCostResponse.kernel_micropounds of a lot that is not finished", "Timestamp.nanos",
}

// TestEveryWrongAnswerIsNamed changes each figure, name and list of each answer, one at a time. A comparison left out makes it fail.
func TestEveryWrongAnswerIsNamed(t *testing.T) {
	t.Parallel()
	a := answersOf(t, busy(t).facts)
	tried := map[string]bool{}
	for n := 0; ; n++ {
		changed := ""
		left := n
		a.bend = func(m proto.Message) {
			if changed == "" {
				changed = bend(m.ProtoReflect(), &left)
			}
		}
		r, err := one(t, a)
		if changed == "" {
			break
		}
		tried[changed] = true
		if err == nil && r.OK() && !slices.Contains(unchecked, changed) {
			t.Errorf("change %d, of %s, is not noticed", n, changed)
		}
	}
	if len(tried) < 60 {
		t.Errorf("only %d fields were changed: %v", len(tried), sorted(tried))
	}
}

// one compares one after the other, so that the n-th answer is always the same.
func one(t *testing.T, a *answering) (*Report, error) {
	r := &Report{}
	s := a.services()
	b := a.b
	spreading, err := b.compareHolds(t.Context(), s.Inventory, r)
	b.checkHolds(r, spreading)
	if err != nil {
		return nil, err
	}
	feed, _ := s.Intake.GetFeedTotals(t.Context(), nil)
	b.compareFeed(feed, r)
	_ = b.compareLots(t.Context(), s.Inventory, r)
	for _, id := range b.order {
		_ = b.compareDrill(t.Context(), s.Inventory, id, b.cameBack(), r)
		_ = b.compareOrigins(t.Context(), s.Inventory, id, b.origins()[id], r)
		_ = b.compareLotCost(t.Context(), s.Production, id, r)
	}
	for _, id := range b.runIDs {
		_ = b.compareRunCost(t.Context(), s.Production, id, r)
	}
	_ = b.compareBalance(t.Context(), s.Production, r)
	return r, nil
}

// bend changes the n-th thing that can be changed in a message, counting down, and says what it was.
func bend(m protoreflect.Message, n *int) string {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		name := string(m.Descriptor().Name()) + "." + string(f.Name())
		if strings.HasSuffix(name, ".as_of") || strings.HasSuffix(name, ".charges") {
			continue
		}
		if f.IsList() {
			if what := bendList(m, f, name, n); what != "" {
				return what
			}
			continue
		}
		if f.Kind() == protoreflect.MessageKind {
			if m.Has(f) {
				if what := bend(m.Mutable(f).Message(), n); what != "" {
					return what
				}
			}
			continue
		}
		if *n--; *n < 0 {
			m.Set(f, other(f, m.Get(f)))
			if cost, ok := m.Interface().(*productionv1.GetLotCostResponse); ok && f.Name() == "kernel_micropounds" && !cost.GetFinished() {
				name += " of a lot that is not finished"
			}
			return name
		}
	}
	return ""
}

func bendList(m protoreflect.Message, f protoreflect.FieldDescriptor, name string, n *int) string {
	list := m.Mutable(f).List()
	if list.Len() == 0 {
		if f.Kind() == protoreflect.StringKind {
			if *n--; *n < 0 {
				list.Append(protoreflect.ValueOfString("more"))
				return name
			}
		}
		return ""
	}
	if f.Kind() == protoreflect.MessageKind {
		if what := bend(list.Get(list.Len()-1).Message(), n); what != "" {
			return what
		}
	}
	if strings.HasSuffix(name, ".proof") || strings.HasSuffix(name, ".runs") {
		return ""
	}
	if *n--; *n < 0 {
		list.Truncate(list.Len() - 1)
		return name
	}
	return ""
}

func other(f protoreflect.FieldDescriptor, v protoreflect.Value) protoreflect.Value {
	switch f.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(v.String() + "x")
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(!v.Bool())
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(v.Enum() + 1)
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(v.Int()) + 1)
	case protoreflect.Int64Kind:
		return protoreflect.ValueOfInt64(v.Int() + 1_000_001)
	}
	panic(fmt.Sprintf("a field of kind %s", f.Kind()))
}
