package verify

import (
	"context"
	"fmt"
	"math/big"

	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// within compares dollars: exact fractions of millionths with what a service rounded, which may be off by bound millionths.
func within(r *Report, check, subject string, want *big.Rat, got, bound int64) {
	off := new(big.Rat).Sub(want, whole64(got))
	if off.Abs(off).Cmp(whole64(bound)) > 0 {
		r.differ(check, subject, fmt.Sprintf("%s millionths, give or take %d", want.FloatString(3), bound), got)
	}
}

// amounts compares the four columns of a cost.
func amounts(r *Report, check, subject string, want vec, got *productionv1.CostAmounts, bound int64) {
	within(r, check, subject+", stock at prices paid", want.at(paidStock), got.GetPaidStockMicros(), bound)
	within(r, check, subject+", service at prices paid", want.at(paidService), got.GetPaidServiceMicros(), bound)
	within(r, check, subject+", stock at final prices", want.at(finalStock), got.GetFinalStockMicros(), bound)
	within(r, check, subject+", service at final prices", want.at(finalService), got.GetFinalServiceMicros(), bound)
}

// kernelDollars compares kernel dollars, where the services need not tell stock from service.
func kernelDollars(r *Report, subject string, want vec, got *productionv1.CostAmounts, bound int64) {
	paid := new(big.Rat).Add(want.at(kernelPaidStock), want.at(kernelPaidService))
	final := new(big.Rat).Add(want.at(kernelFinalStock), want.at(kernelFinalService))
	within(r, "lot cost", subject+", at prices paid", paid, got.GetPaidStockMicros()+got.GetPaidServiceMicros(), 2*bound)
	within(r, "lot cost", subject+", at final prices", final, got.GetFinalStockMicros()+got.GetFinalServiceMicros(), 2*bound)
}

func (b *book) compareLotCost(ctx context.Context, client productionv1.ProductionServiceClient, id string, r *Report) error {
	a, err := client.GetLotCost(ctx, &productionv1.GetLotCostRequest{Lot: id})
	if err != nil {
		return fmt.Errorf("cost of lot %s: %w", id, err)
	}
	g := b.lots[id]
	r.equal("lot cost", id+" item", g.item, a.GetItem())
	r.equal("lot cost", id+" owner", g.owner, a.GetOwner())
	r.equal("lot cost", id+" made", quantity(g, g.made), quantity(g, a.GetMade()))
	r.equal("lot cost", id+" on hand", quantity(g, g.onHand), quantity(g, a.GetOnHand()))
	amounts(r, "lot cost", id, g.cost.born, a.GetCost(), g.cost.bornErr)
	amounts(r, "lot cost", id+" on hand", g.cost.onHand, a.GetOnHandCost(), g.cost.err)
	finished := b.itemKind(g.item) == eventv1.ItemKind_ITEM_KIND_FINISHED
	r.equal("lot cost", id+" finished", finished, a.GetFinished())
	if finished {
		within(r, "lot cost", id+" kernel in it", g.cost.born.at(kernelPounds), a.GetKernelMicropounds(), g.cost.bornErr)
		kernelDollars(r, id+" kernel", g.cost.born, a.GetKernelCost(), g.cost.bornErr)
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
	amounts(r, "run cost", subject+" material", c.material, a.GetMaterial(), c.err)
	amounts(r, "run cost", subject+" conversion", c.conversion, a.GetConversion(), c.err)
	amounts(r, "run cost", subject+" by-product credit", c.credit, a.GetByproductCredit(), c.err)
	amounts(r, "run cost", subject+" abnormal loss", c.abnormal, a.GetAbnormalLoss(), c.err)
	r.equal("run cost", subject+" kernel made", weight.Mass(c.kernelMass), weight.Mass(a.GetKernelMicropounds()))
	amounts(r, "run cost", subject+" kernel", c.kernel, a.GetKernelCost(), c.err+int64(len(n.outputs)))
	r.equal("run cost", subject+" missing", "[]", list(a.GetMissing()))
	r.count("costs of runs", 1)
	return nil
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
		{"adjusted", t.changed, a.GetAdjustedMicropounds()}, {"unaccounted", t.unaccounted, a.GetUnaccountedMicropounds()},
		{"in process", t.process, a.GetInProcessMicropounds()},
	} {
		r.equal("balance", of.name+", lb", weight.Mass(of.want), weight.Mass(of.got))
	}
	amounts(r, "balance", "cost in", t.costIn, a.GetCostIn(), t.err)
	amounts(r, "balance", "inventory cost", t.stock, a.GetInventoryCost(), t.err)
	amounts(r, "balance", "shipped cost", t.out, a.GetShippedCost(), t.err)
	amounts(r, "balance", "written off", t.writtenOff, a.GetWrittenOff(), t.err)
	amounts(r, "balance", "abnormal loss", t.abnormal, a.GetAbnormalLoss(), t.err)
	amounts(r, "balance", "in process", t.inProcess, a.GetInProcessCost(), t.err)
	for _, p := range a.GetProof() {
		r.equal("balance", "proof of "+p.GetName(), p.GetLeft(), p.GetRight())
		r.equal("balance", "proof of "+p.GetName()+", difference", p.GetLeft()-p.GetRight(), p.GetDifference())
	}
	r.equal("balance", "missing", "[]", list(a.GetMissing()))
	r.count("totals of the plant", 17)
	return nil
}
