package verify

import (
	"context"
	"fmt"
	"math/big"

	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// figure is what is being compared, for the report.
type figure struct {
	r              *Report
	check, subject string
}

func (f figure) of(what string) figure {
	f.subject += what
	return f
}

// within compares dollars: exact fractions of millionths with what a service rounded, which may be off by bound millionths.
func (f figure) within(want *big.Rat, got, bound int64) {
	off := new(big.Rat).Sub(want, whole64(got))
	if off.Abs(off).Cmp(whole64(bound)) > 0 {
		f.r.differ(f.check, f.subject, fmt.Sprintf("%s millionths, give or take %d", want.FloatString(3), bound), got)
	}
}

// amounts compares the four columns of a cost.
func (f figure) amounts(want vec, got *productionv1.CostAmounts, bound int64) {
	f.of(", stock at prices paid").within(want.at(paidStock), got.GetPaidStockMicros(), bound)
	f.of(", service at prices paid").within(want.at(paidService), got.GetPaidServiceMicros(), bound)
	f.of(", stock at final prices").within(want.at(finalStock), got.GetFinalStockMicros(), bound)
	f.of(", service at final prices").within(want.at(finalService), got.GetFinalServiceMicros(), bound)
}

// kernelDollars compares kernel dollars, where the services need not tell stock from service.
func (f figure) kernelDollars(want vec, got *productionv1.CostAmounts, bound int64) {
	paid := new(big.Rat).Add(want.at(kernelPaidStock), want.at(kernelPaidService))
	final := new(big.Rat).Add(want.at(kernelFinalStock), want.at(kernelFinalService))
	f.of(", at prices paid").within(paid, got.GetPaidStockMicros()+got.GetPaidServiceMicros(), 2*bound)
	f.of(", at final prices").within(final, got.GetFinalStockMicros()+got.GetFinalServiceMicros(), 2*bound)
}

func (b *book) compareLotCost(ctx context.Context, client productionv1.ProductionServiceClient, id string, r *Report) error {
	a, err := client.GetLotCost(ctx, &productionv1.GetLotCostRequest{Lot: id})
	if err != nil {
		return fmt.Errorf("cost of lot %s: %w", id, err)
	}
	g := b.lots[id]
	r.equal("lot cost", id+" item", g.item, a.GetItem())
	r.equal("lot cost", id+" owner", g.owner, a.GetOwner())
	r.equal("lot cost", id+" measure and run", fmt.Sprint(g.measure, " ", g.run), fmt.Sprint(a.GetMeasure(), " ", a.GetRun()))
	r.equal("lot cost", id+" made", quantity(g, g.made), quantity(g, a.GetMade()))
	r.equal("lot cost", id+" on hand", quantity(g, g.onHand), quantity(g, a.GetOnHand()))
	f := figure{r, "lot cost", id}
	f.amounts(g.cost.born, a.GetCost(), g.cost.bornErr)
	f.of(" on hand").amounts(g.cost.onHand, a.GetOnHandCost(), g.cost.err)
	finished := b.itemKind(g.item) == eventv1.ItemKind_ITEM_KIND_FINISHED
	r.equal("lot cost", id+" finished", finished, a.GetFinished())
	if finished {
		f.of(" kernel in it").within(g.cost.born.at(kernelPounds), a.GetKernelMicropounds(), g.cost.bornErr)
		f.of(" kernel").kernelDollars(g.cost.born, a.GetKernelCost(), g.cost.bornErr)
	}
	r.equal("lot cost", id+" missing", "[]", list(a.GetMissing()))
	r.count("costs of lots", 1)
	return nil
}

func (b *book) compareRunCost(ctx context.Context, client productionv1.ProductionServiceClient, id string, r *Report) error {
	a, err := client.GetRunCost(ctx, &productionv1.GetRunCostRequest{Run: id})
	if err != nil {
		return fmt.Errorf("cost of run %s: %w", id, err)
	}
	n, c := b.runs[id], b.costs[id]
	if c == nil {
		return nil // in a circle, which is said already
	}
	in, out := b.runMass(n)
	subject := "run " + id
	r.equal("run cost", subject+" input", weight.Mass(in), weight.Mass(a.GetInputMicropounds()))
	r.equal("run cost", subject+" output", weight.Mass(out), weight.Mass(a.GetOutputMicropounds()))
	r.equal("run cost", subject+" unaccounted", weight.Mass(in-out), weight.Mass(a.GetUnaccountedMicropounds()))
	r.equal("run cost", subject+" open", !n.final, a.GetOpen())
	f := figure{r, "run cost", subject}
	f.of(" material").amounts(c.material, a.GetMaterial(), c.err)
	f.of(" conversion").amounts(c.conversion, a.GetConversion(), c.err)
	f.of(" by-product credit").amounts(c.credit, a.GetByproductCredit(), c.err)
	f.of(" abnormal loss").amounts(c.abnormal, a.GetAbnormalLoss(), c.err)
	r.equal("run cost", subject+" kernel made", weight.Mass(c.kernelMass), weight.Mass(a.GetKernelMicropounds()))
	f.of(" kernel").amounts(c.kernel, a.GetKernelCost(), c.err+int64(len(n.outputs)))
	b.compareRunLines(n, a, r)
	r.equal("run cost", subject+" missing", "[]", list(a.GetMissing()))
	r.count("costs of runs", 1)
	return nil
}

// side is what a run took of a lot, or gave to it, all lines together.
type side struct {
	quantity int64
	value    vec
	err      int64
}

func (b *book) compareRunLines(n *run, a *productionv1.GetRunCostResponse, r *Report) {
	taken, given := map[string]side{}, map[string]side{}
	add := func(to map[string]side, l *leg) {
		s := to[l.lot]
		to[l.lot] = side{s.quantity + max(l.quantity, -l.quantity), s.value.plus(l.value.money()), s.err + l.err}
	}
	for _, l := range b.dumps(n) {
		add(taken, l)
	}
	for _, role := range []eventv1.OutputRole{eventv1.OutputRole_OUTPUT_ROLE_MAIN, eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT,
		eventv1.OutputRole_OUTPUT_ROLE_WASTE} {
		b.eachOutput(n, role, func(l *leg) { add(given, l) })
	}
	for _, l := range a.GetInputs() {
		take(taken, l.GetLot(), l.GetQuantity(), l.GetCost())
		r.equal("run cost", "run "+n.id+" input "+l.GetLot()+" item", b.lot(l.GetLot()).item, l.GetItem())
	}
	for _, l := range a.GetOutputs() {
		take(given, l.GetLot(), l.GetQuantity(), l.GetCost())
		r.equal("run cost", "run "+n.id+" output "+l.GetLot()+" item", b.lot(l.GetLot()).item, l.GetItem())
	}
	nothingLeft("run "+n.id+" input ", taken, r)
	nothingLeft("run "+n.id+" output ", given, r)
}

func nothingLeft(subject string, sides map[string]side, r *Report) {
	for _, id := range sorted(sides) {
		s := sides[id]
		r.equal("run cost", subject+id+" left over", 0, s.quantity)
		figure{r, "run cost", subject + id + " left over"}.amounts(s.value, &productionv1.CostAmounts{}, s.err)
	}
}

// take takes what a service said of a line from what the facts say, so that nothing may be left over.
func take(from map[string]side, id string, n int64, c *productionv1.CostAmounts) {
	s := from[id]
	var v vec
	v[paidStock], v[paidService] = whole64(c.GetPaidStockMicros()), whole64(c.GetPaidServiceMicros())
	v[finalStock], v[finalService] = whole64(c.GetFinalStockMicros()), whole64(c.GetFinalServiceMicros())
	from[id] = side{s.quantity - n, s.value.minus(v), s.err + 1}
}

func (b *book) compareBalance(ctx context.Context, client productionv1.ProductionServiceClient, r *Report) error {
	a, err := client.GetBalance(ctx, &productionv1.GetBalanceRequest{})
	if err != nil {
		return fmt.Errorf("balance: %w", err)
	}
	t := b.totals
	for _, of := range []struct {
		name      string
		want, got int64
	}{
		{"deliveries", t.deliveries, a.GetDeliveries()}, {"lots", t.lots, a.GetLots()}, {"runs", t.runs, a.GetRuns()},
		{"shipment lines", t.shipments, a.GetShipments()},
	} {
		r.equal("balance", of.name, of.want, of.got)
	}
	for _, of := range []struct {
		name      string
		want, got int64
	}{
		{"received", t.received, a.GetReceivedMicropounds()}, {"returned", t.returned, a.GetReturnedMicropounds()},
		{"shipped", t.shipped, a.GetShippedMicropounds()}, {"on hand", t.onHand, a.GetOnHandMicropounds()},
		{"adjusted", t.changed, a.GetAdjustedMicropounds()}, {"unaccounted", t.unaccounted + t.blind, a.GetUnaccountedMicropounds()},
		{"in process", t.process, a.GetInProcessMicropounds()},
	} {
		r.equal("balance", of.name+", lb", weight.Mass(of.want), weight.Mass(of.got))
	}
	f := figure{r, "balance", ""}
	f.of("cost in").amounts(t.costIn, a.GetCostIn(), t.err)
	f.of("inventory cost").amounts(t.stock, a.GetInventoryCost(), t.err)
	f.of("shipped cost").amounts(t.out, a.GetShippedCost(), t.err)
	f.of("written off").amounts(t.writtenOff, a.GetWrittenOff(), t.err)
	f.of("abnormal loss").amounts(t.abnormal, a.GetAbnormalLoss(), t.err)
	f.of("in process").amounts(t.inProcess, a.GetInProcessCost(), t.err)
	for _, p := range a.GetProof() {
		r.equal("balance", "proof of "+p.GetName(), p.GetLeft(), p.GetRight())
		r.equal("balance", "proof of "+p.GetName()+", difference", p.GetLeft()-p.GetRight(), p.GetDifference())
	}
	r.equal("balance", "missing", "[]", list(a.GetMissing()))
	r.count("totals of the plant", 17)
	return nil
}
