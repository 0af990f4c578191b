package trade

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// What all traders name.
const (
	nut, kernel, shell = "NUT", "KERNEL", "SHELL"
	yard               = "YARD"
	shrink             = "shrink"
	stage              = "shell"
	minimum            = 20 // pounds below which a lot is left alone
)

func (t *Trader) facts(code string, pounds int64) *intakev1.DeliveryFacts {
	price := int64(1_000_000)
	return &intakev1.DeliveryFacts{
		Lot: code, Party: "G1", Ownership: eventv1.Ownership_OWNERSHIP_COMPANY, Item: nut, PriceMicrosPerLb: &price,
		Weighings: []*intakev1.Weighing{
			{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Digits: digits(lb(pounds + 100)), Unit: "LBR"},
			{Kind: intakev1.ReadingKind_READING_KIND_TARE, Digits: "100", Unit: "LBR"},
		},
	}
}

func (t *Trader) deliver(ctx context.Context) error {
	id, pounds := t.id(), 100+t.rng.Int64N(5_000)
	code := t.code("D")
	req := &intakev1.RecordDeliveryRequest{CommandId: id, Delivery: t.facts(code, pounds), Effective: t.now()}
	if _, err := send(ctx, t, t.clients.Intake.RecordDelivery, req); err != nil {
		return err
	}
	t.lots = append(t.lots, &goods{lot: code, item: nut, held: lb(pounds), fresh: true})
	return nil
}

func (t *Trader) correct(ctx context.Context) error {
	for _, g := range t.lots {
		if !g.fresh {
			continue
		}
		pounds := 100 + t.rng.Int64N(5_000)
		req := &intakev1.CorrectDeliveryRequest{CommandId: t.id(), Lot: g.lot, Delivery: t.facts(g.lot, pounds), Reason: "the ticket was keyed wrong"}
		_, err := send(ctx, t, t.clients.Intake.CorrectDelivery, req)
		if fault.ReasonOf(err) == "effective_in_future" {
			return nil // a correction is dated by intake's clock, and the inventory's is more than five minutes behind it
		}
		if err != nil {
			return err
		}
		g.held, g.fresh = lb(pounds), false
		return nil
	}
	return t.deliver(ctx)
}

// yield is what a run makes of an input: kernel and shell, the rest is loss.
func (t *Trader) yield(in int64) (k, s int64) {
	k = in / 100 * (40 + t.rng.Int64N(15))
	return k, in / 100 * (30 + t.rng.Int64N(10))
}

func (t *Trader) run(ctx context.Context) error {
	g := t.choose(nut)
	if g == nil {
		return t.deliver(ctx)
	}
	id, in := t.id(), t.part(g)
	k, s := t.yield(in)
	code := t.code("R")
	at, end := t.now(), t.now()
	req := &productionv1.RecordRunRequest{CommandId: id, Run: &productionv1.RunFacts{
		Run: code, Stage: stage, Start: at, End: end,
		Inputs: []*productionv1.InputLine{{Lot: g.lot, Quantity: in}},
		Outputs: []*productionv1.OutputLine{
			{Lot: code + "-K", Item: kernel, Quantity: k, Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN},
			{Lot: code + "-S", Item: shell, Quantity: s, Role: eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT},
		},
		Charges: []*eventv1.ChargePosted{{Kind: eventv1.ChargeKind_CHARGE_KIND_OTHER, AmountMicros: 10_000_000}},
	}}
	if _, err := send(ctx, t, t.clients.Production.RecordRun, req); err != nil {
		return err
	}
	g.held, g.fresh = g.held-in, false
	t.runs = append(t.runs, code)
	t.lots = append(t.lots, &goods{lot: code + "-K", item: kernel, held: k}, &goods{lot: code + "-S", item: shell, held: s})
	return nil
}

// openRun dumps and fills step by step, and closes.
func (t *Trader) openRun(ctx context.Context) error {
	g := t.choose(nut)
	if g == nil {
		return t.deliver(ctx)
	}
	id := t.id()
	code := t.code("R")
	p := t.clients.Production
	if _, err := send(ctx, t, p.OpenRun, &productionv1.OpenRunRequest{CommandId: id, Run: code, Stage: stage, Start: t.now()}); err != nil {
		return err
	}
	total := int64(0)
	for range 1 + t.rng.IntN(3) {
		if g.held < lb(minimum) {
			break
		}
		in := t.part(g)
		line := &productionv1.InputLine{Lot: g.lot, Quantity: in, DumpedFrom: t.now()}
		if _, err := send(ctx, t, p.DumpInput, &productionv1.DumpInputRequest{CommandId: t.id(), Run: code, Input: line}); err != nil {
			return err
		}
		g.held, g.fresh = g.held-in, false
		total += in
	}
	k, _ := t.yield(total)
	out := &productionv1.OutputLine{Lot: code + "-K", Item: kernel, Quantity: k, Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, FilledTo: t.now()}
	if _, err := send(ctx, t, p.FillOutput, &productionv1.FillOutputRequest{CommandId: t.id(), Run: code, Output: out}); err != nil {
		return err
	}
	t.lots = append(t.lots, &goods{lot: code + "-K", item: kernel, held: k})
	if _, err := send(ctx, t, p.CompleteRun, &productionv1.CompleteRunRequest{CommandId: t.id(), Run: code, End: t.now()}); err != nil {
		return err
	}
	t.runs = append(t.runs, code)
	return nil
}

// move takes part of a lot to the yard and back, so that what a later step draws on stands where it stood.
func (t *Trader) move(ctx context.Context) error {
	g := t.choose(nut)
	if g == nil {
		return t.deliver(ctx)
	}
	id, quantity := t.id(), t.part(g)
	m := &inventoryv1.MoveLotRequest{CommandId: id, Movement: t.code("M"), Lot: g.lot, Quantity: quantity, FromPlace: t.home(), ToPlace: yard, Effective: t.now()}
	if _, err := send(ctx, t, t.clients.Inventory.MoveLot, m); err != nil {
		return err
	}
	g.fresh = false
	t.lots = slicesWithout(t.lots, g) // it stands in two places now: it is audited, and drawn on no more
	t.lots = append(t.lots, &goods{lot: g.lot, item: "moved " + nut, held: g.held})
	return nil
}

// home is the place of what was given none.
func (t *Trader) home() string { return "" }

func slicesWithout(lots []*goods, g *goods) []*goods {
	var out []*goods
	for _, l := range lots {
		if l != g {
			out = append(out, l)
		}
	}
	return out
}

// pour pours part of a delivery into a bin lot of its own.
func (t *Trader) pour(ctx context.Context) error {
	g := t.choose(nut)
	if g == nil {
		return t.deliver(ctx)
	}
	id, quantity := t.id(), t.part(g)
	bin := t.code("B")
	claimant := t.id()
	req := &inventoryv1.RecordPourRequest{CommandId: id, Pour: t.code("P"), BinLot: bin, Claimant: claimant, Lot: g.lot, Quantity: quantity, Effective: t.now()}
	if _, err := send(ctx, t, t.clients.Inventory.RecordPour, req); err != nil {
		return err
	}
	g.held, g.fresh = g.held-quantity, false
	t.lots = append(t.lots, &goods{lot: bin, item: nut, held: quantity})
	return nil
}

func (t *Trader) sale(g *goods, quantity int64) *inventoryv1.ShipGoodsRequest {
	id := t.id()
	return &inventoryv1.ShipGoodsRequest{
		CommandId: id, Shipment: t.code("X"), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "C1", Channel: "bulk",
		Lines: []*eventv1.ShippedLine{{Line: 1, Lot: g.lot, Quantity: quantity}}, Effective: t.now(),
	}
}

func (t *Trader) ship(ctx context.Context) error {
	g := t.choose(kernel)
	if g == nil {
		return t.run(ctx)
	}
	quantity := t.part(g)
	if _, err := send(ctx, t, t.clients.Inventory.ShipGoods, t.sale(g, quantity)); err != nil {
		return err
	}
	g.held -= quantity
	return nil
}

func (t *Trader) adjust(ctx context.Context) error {
	g := t.choose(kernel)
	if g == nil {
		return t.run(ctx)
	}
	id := t.id()
	req := &inventoryv1.AdjustLotRequest{CommandId: id, Adjustment: t.code("A"), Lot: g.lot, Delta: -lb(1), Reason: shrink, Effective: t.now()}
	if _, err := send(ctx, t, t.clients.Inventory.AdjustLot, req); err != nil {
		return err
	}
	g.held -= lb(1)
	return nil
}

// hold holds a lot, sees that it does not leave, and releases it.
func (t *Trader) hold(ctx context.Context) error {
	g := t.choose(kernel)
	if g == nil {
		return t.run(ctx)
	}
	class := eventv1.HoldClass_HOLD_CLASS_COMMERCIAL
	if t.rng.IntN(2) == 0 {
		class = eventv1.HoldClass_HOLD_CLASS_SAFETY
	}
	id := t.id()
	req := &inventoryv1.PlaceHoldRequest{CommandId: id, Hold: t.code("H"), Lot: g.lot, Class: class, Reason: "positive test", Effective: t.now()}
	if _, err := send(ctx, t, t.clients.Inventory.PlaceHold, req); err != nil {
		return err
	}
	if _, err := send(ctx, t, t.clients.Inventory.ShipGoods, t.sale(g, lb(1))); fault.KindOf(err) != fault.KindPrecondition {
		g.held -= lb(1)
		return fmt.Errorf("lot %s is held by %s and was shipped: %w", g.lot, req.GetHold(), err)
	}
	release := &inventoryv1.ReleaseHoldRequest{CommandId: t.id(), Hold: req.GetHold(), Reason: "negative retest"}
	_, err := send(ctx, t, t.clients.Inventory.ReleaseHold, release)
	return err
}

func (t *Trader) charge(ctx context.Context) error {
	if len(t.runs) == 0 {
		return t.run(ctx)
	}
	id := t.id()
	req := &productionv1.PostChargeRequest{CommandId: id, Effective: t.now(), Charge: &eventv1.ChargePosted{
		Charge: t.code("C"), Runs: []string{t.runs[t.rng.IntN(len(t.runs))]}, Kind: eventv1.ChargeKind_CHARGE_KIND_OTHER, AmountMicros: 1_230_000,
	}}
	_, err := send(ctx, t, t.clients.Production.PostCharge, req)
	return err
}

// drill asks for a lot: the answer is complete as of positions no earlier than what was answered before, or it says what is missing.
func (t *Trader) drill(ctx context.Context) error {
	if len(t.lots) == 0 {
		return t.deliver(ctx)
	}
	g := t.lots[t.rng.IntN(len(t.lots))]
	relied := t.receipts()
	answer, err := read(ctx, t, t.clients.Inventory.Drill, &inventoryv1.DrillRequest{Lot: g.lot})
	if err != nil {
		return fmt.Errorf("drill of %s: %w", g.lot, err)
	}
	t.journal.mu.Lock()
	if len(answer.GetMissing()) > 0 {
		t.journal.drills[1]++
		t.journal.mu.Unlock()
		return nil
	}
	t.journal.drills[0]++
	t.journal.mu.Unlock()
	at := map[lot.Producer]lot.Receipt{}
	for _, r := range lotwire.ParseReceipts(answer.GetAsOf()) {
		at[r.Producer] = r
	}
	for _, r := range relied {
		if later(r, at[r.Producer]) {
			return fmt.Errorf("drill of %s: it says complete as of %v and relied on %v", g.lot, at[r.Producer], r)
		}
	}
	if answer.GetOwnOnHand() != g.held {
		return fmt.Errorf("drill of %s: complete, %d micropounds on hand, its trader's books say %d", g.lot, answer.GetOwnOnHand(), g.held)
	}
	return nil
}

// repeat sends an old command again, which gives its old answer, or its id with another message, which is refused.
func (t *Trader) repeat(ctx context.Context) error {
	if len(t.past) == 0 {
		return t.deliver(ctx)
	}
	d := t.past[t.rng.IntN(len(t.past))]
	if t.rng.IntN(3) == 0 {
		if other, ok := altered(d.Request); ok {
			return t.reuse(ctx, d, other)
		}
	}
	for {
		answer, err := d.again(ctx, d.Request)
		switch {
		case err == nil && !proto.Equal(answer, d.Answer):
			return fmt.Errorf("%s %s: answered %v, and again %v", nameOf(d.Request), d.Request.GetCommandId(), d.Answer, answer)
		case err == nil || ctx.Err() != nil:
			return nil
		case fault.Refused(err):
			return fmt.Errorf("%s %s: answered OK, and again refused: %w", nameOf(d.Request), d.Request.GetCommandId(), err)
		}
		t.journal.unknown(err)
	}
}

func (t *Trader) reuse(ctx context.Context, d done, other proto.Message) error {
	for {
		_, err := d.again(ctx, other)
		switch {
		case err == nil:
			return fmt.Errorf("%s %s: its id was taken again for another message", nameOf(d.Request), d.Request.GetCommandId())
		case fault.Refused(err) || ctx.Err() != nil:
			return nil
		}
		t.journal.unknown(err)
	}
}
