package verify

import (
	"context"
	"fmt"
	"math/big"
	"slices"
	"strings"

	"huskline/internal/weight"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

func (b *book) compareDrill(ctx context.Context, client inventoryv1.InventoryServiceClient, id string, back map[lineKey]int64, r *Report) error {
	a, err := client.Drill(ctx, &inventoryv1.DrillRequest{Lot: id})
	if err != nil {
		return fmt.Errorf("drill of %s: %w", id, err)
	}
	g := b.lots[id]
	affected := b.descendants(id)
	r.equal("drill", id+" lot, item, owner, measure, holds", fmt.Sprint(id, g.item, g.owner, g.measure, b.holdsOn(id)),
		fmt.Sprint(a.GetLot(), a.GetItem(), a.GetOwner(), a.GetMeasure(), a.GetHolds()))
	r.equal("drill", id+" affected lots", list(b.relatives(affected)), list(saidOf(a.GetAffected())))
	r.equal("drill", id+" ancestors", list(b.relatives(b.ancestors(id))), list(saidOf(a.GetAncestors())))
	for _, n := range a.GetRuns() {
		b.compareStep(id, n, r)
	}
	r.equal("drill", id+" missing", "[]", list(a.GetMissing()))
	b.compareShipments(a, id, append(affected, id), back, r)
	made := b.mass(g.item, g.measure, g.made)
	r.equal("drill", id+" received or made", weight.Mass(made), weight.Mass(a.GetOwnReceivedOrMade()))
	r.equal("drill", id+" used", weight.Mass(b.mass(g.item, g.measure, g.used)), weight.Mass(a.GetOwnUsed()))
	r.equal("drill", id+" shipped itself", weight.Mass(b.mass(g.item, g.measure, g.shipped)), weight.Mass(a.GetOwnShipped()))
	r.equal("drill", id+" adjusted", weight.Mass(b.mass(g.item, g.measure, g.changed)), weight.Mass(a.GetOwnAdjusted()))
	r.equal("drill", id+" on hand itself", weight.Mass(b.mass(g.item, g.measure, g.onHand)), weight.Mass(a.GetOwnOnHand()))
	if g.made > 0 {
		ppm := ratio(g.used+g.shipped-g.changed+g.onHand, g.made, 100_000_000)
		r.equal("drill", id+" accounted, millionths of a percent", ppm, a.GetAccountedPpmPct())
	}
	r.count("drills", 1)
	return nil
}

// ratio is a/b in units of 1/scale, half up.
func ratio(a, b, scale int64) *big.Int {
	n := new(big.Int).Mul(big.NewInt(a), big.NewInt(2*scale))
	n.Add(n, big.NewInt(b))
	return n.Div(n, big.NewInt(2*b))
}

// compareShipments compares what left of a lot's whole family.
func (b *book) compareShipments(a *inventoryv1.DrillResponse, id string, family []string, back map[lineKey]int64, r *Report) {
	var onHand, shipped, returned int64
	var lines []lineKey
	for _, id := range family {
		g := b.lots[id]
		onHand += b.mass(g.item, g.measure, g.onHand)
		lines = append(lines, b.linesOf[id]...)
	}
	slices.SortFunc(lines, lineKey.compare)
	var want, got []string
	consignees := map[string]bool{}
	for _, key := range lines {
		s := b.shipped[key]
		g := b.lots[s.line.GetLot()]
		shipped += b.mass(g.item, g.measure, s.line.GetQuantity())
		returned += b.mass(g.item, g.measure, back[key])
		consignees[s.of.GetConsignee()] = true
		want = append(want, fmt.Sprintf("%s/%d:%s:%d:%d:%s:%s:%s:%s:%d", key.shipment, key.line, s.line.GetLot(), s.line.GetQuantity(), back[key],
			s.of.GetConsignee(), s.of.GetChannel(), s.of.GetCarrier(), s.of.GetDocument(), s.at.UnixMicro()))
	}
	for _, s := range a.GetShipments() {
		got = append(got, fmt.Sprintf("%s/%d:%s:%d:%d:%s:%s:%s:%s:%d", s.GetShipment(), s.GetLine(), s.GetLot(), s.GetQuantity(), s.GetReturned(),
			s.GetConsignee(), s.GetChannel(), s.GetCarrier(), s.GetDocument(), s.GetTime().AsTime().UnixMicro()))
	}
	var who, known []string
	for _, c := range a.GetConsignees() {
		who = append(who, strings.Join([]string{c.GetParty(), c.GetName(), c.GetAddress(), c.GetPhone()}, "|"))
	}
	for _, id := range sorted(consignees) {
		p := b.parties[id]
		known = append(known, strings.Join([]string{id, p.GetName(), p.GetAddress(), p.GetPhone()}, "|"))
	}
	r.equal("drill", id+" shipments", list(want), list(got))
	r.equal("drill", id+" consignees", list(known), list(who))
	r.equal("drill", id+" shipped of all", weight.Mass(shipped), weight.Mass(a.GetShipped()))
	r.equal("drill", id+" returned of all", weight.Mass(returned), weight.Mass(a.GetReturned()))
	r.equal("drill", id+" on hand of all", weight.Mass(onHand), weight.Mass(a.GetOnHand()))
}

// relatives prints lots as facts have them, saidOf as a drill answered them.
func (b *book) relatives(ids []string) []string {
	var out []string
	for _, id := range ids {
		g := b.lots[id]
		out = append(out, fmt.Sprint(id, ":", g.item, ":", g.owner, ":", g.measure, ":", g.made, ":", g.onHand, ":", b.holdsOn(id)))
	}
	return out
}

func saidOf(lots []*inventoryv1.AffectedLot) []string {
	var out []string
	for _, l := range lots {
		out = append(out, fmt.Sprint(l.GetLot(), ":", l.GetItem(), ":", l.GetOwner(), ":", l.GetMeasure(), ":", l.GetMade(), ":", l.GetOnHand(), ":", l.GetHolds()))
	}
	return out
}

// compareStep compares the balance of a run on the way.
func (b *book) compareStep(id string, got *inventoryv1.RunBalance, r *Report) {
	n := b.runs[got.GetRun()]
	if n == nil {
		r.differ("drill", id+" run "+got.GetRun(), "no such run", "one of "+got.GetStage())
		return
	}
	in, out := b.runMass(n)
	r.equal("drill", id+" run "+n.id, fmt.Sprint(n.stage, " ", in, " ", out, " ", in-out, " ", !n.final),
		fmt.Sprint(got.GetStage(), " ", got.GetInput(), " ", got.GetOutput(), " ", got.GetUnaccounted(), " ", got.GetOpen()))
}
