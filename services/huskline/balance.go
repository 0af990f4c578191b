package main

import (
	"context"
	"encoding/json"
	"fmt"

	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

type balanceCmd struct {
	View view `embed:""`
}

// balanceObject is the plant's totals as programs read them; the first fields keep their names and units for good.
type balanceObject struct {
	Season    seasonObject    `json:"season"`
	Weighings weighingsObject `json:"weighings"`
	Final     finalObject     `json:"final"`
	Proof     []proofObject   `json:"proof"`
	AsOf      string          `json:"as_of"`
	Missing   []string        `json:"missing"`
}

type seasonObject struct {
	Deliveries    int64       `json:"deliveries"`
	Lots          int64       `json:"lots"`
	Runs          int64       `json:"runs"`
	Shipments     int64       `json:"shipments"`
	ReturnedLb    json.Number `json:"returned_lb"`
	ReceivedLb    json.Number `json:"received_lb"`
	ShippedLb     json.Number `json:"shipped_lb"`
	OnHandLb      json.Number `json:"on_hand_lb"`
	AdjustedLb    json.Number `json:"adjusted_lb"`
	UnaccountedLb json.Number `json:"unaccounted_lb"`
	CostIn        json.Number `json:"cost_in"`
	InventoryCost json.Number `json:"inventory_cost"`
	ShippedCost   json.Number `json:"shipped_cost"`
	WrittenOff    json.Number `json:"written_off"`
	InProcessLb   json.Number `json:"in_process_lb"`
	InProcessCost json.Number `json:"in_process_cost"`
	AbnormalLoss  json.Number `json:"abnormal_loss"`
	ServiceStock  json.Number `json:"inventory_service_cost"`
}

type weighingsObject struct {
	Lines     int64 `json:"lines"`
	Distinct  int64 `json:"distinct"`
	Conflicts int64 `json:"conflicts"`
}

type finalObject struct {
	InventoryCost json.Number `json:"inventory_cost"`
	ShippedCost   json.Number `json:"shipped_cost"`
	WrittenOff    json.Number `json:"written_off"`
	CostIn        json.Number `json:"cost_in"`
	AbnormalLoss  json.Number `json:"abnormal_loss"`
}

type proofObject struct {
	Name       string      `json:"name"`
	Text       string      `json:"text"`
	Unit       string      `json:"unit"`
	Left       json.Number `json:"left"`
	Right      json.Number `json:"right"`
	Difference json.Number `json:"difference"`
}

// Run asks production for the totals and intake for the weigh feed. A proof line that does not hold is exit 2.
func (c *balanceCmd) Run(s *session) error {
	known, asOf, err := c.View.parse()
	if err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	b, feed, err := p.balance(s.ctx, &productionv1.GetBalanceRequest{KnownAt: known, AsOf: asOf})
	if err != nil {
		return err
	}
	if err := s.print(answer{object: balanceOf(b, feed), sheets: balanceSheets(b, feed)}); err != nil {
		return err
	}
	if err := incomplete(b.GetMissing()); err != nil {
		return err
	}
	return unproved(b.GetProof())
}

// balance asks production for the totals and intake for those of the weigh feed.
func (p *plant) balance(ctx context.Context, req *productionv1.GetBalanceRequest) (*productionv1.GetBalanceResponse, *intakev1.GetFeedTotalsResponse, error) {
	b, err := p.production.GetBalance(ctx, req)
	if err != nil {
		return nil, nil, rpc.FromStatus(err)
	}
	feed, err := p.intake.GetFeedTotals(ctx, &intakev1.GetFeedTotalsRequest{})
	return b, feed, rpc.FromStatus(err)
}

func balanceOf(b *productionv1.GetBalanceResponse, feed *intakev1.GetFeedTotalsResponse) balanceObject {
	o := balanceObject{
		Season: seasonObject{
			Deliveries: b.GetDeliveries(), Lots: b.GetLots(), Runs: b.GetRuns(), Shipments: b.GetShipments(),
			ReturnedLb: exact(b.GetReturnedMicropounds()), ReceivedLb: exact(b.GetReceivedMicropounds()), ShippedLb: exact(b.GetShippedMicropounds()),
			OnHandLb: exact(b.GetOnHandMicropounds()), AdjustedLb: exact(b.GetAdjustedMicropounds()), UnaccountedLb: exact(b.GetUnaccountedMicropounds()),
			CostIn: exact(paid(b.GetCostIn())), InventoryCost: exact(paid(b.GetInventoryCost())), ShippedCost: exact(paid(b.GetShippedCost())), WrittenOff: exact(paid(b.GetWrittenOff())),
			InProcessLb: exact(b.GetInProcessMicropounds()), InProcessCost: exact(paid(b.GetInProcessCost())), AbnormalLoss: exact(paid(b.GetAbnormalLoss())),
			ServiceStock: exact(b.GetInventoryCost().GetPaidServiceMicros()),
		},
		Weighings: weighingsObject{Lines: feed.GetLines(), Distinct: feed.GetDistinct(), Conflicts: feed.GetConflicts()},
		Final: finalObject{
			InventoryCost: exact(final(b.GetInventoryCost())), ShippedCost: exact(final(b.GetShippedCost())), WrittenOff: exact(final(b.GetWrittenOff())),
			CostIn: exact(final(b.GetCostIn())), AbnormalLoss: exact(final(b.GetAbnormalLoss())),
		},
		Proof: []proofObject{}, AsOf: printAsOf(b.GetAsOf()), Missing: orEmpty(b.GetMissing()),
	}
	for _, line := range b.GetProof() {
		o.Proof = append(o.Proof, proofObject{
			Name: line.GetName(), Text: line.GetText(), Unit: proofUnit(line), Left: exact(line.GetLeft()), Right: exact(line.GetRight()), Difference: exact(line.GetDifference()),
		})
	}
	return o
}

// proofUnit is the unit a proof line is printed in.
func proofUnit(line *productionv1.ProofLine) string {
	if line.GetUnit() == "micropounds" {
		return "lb"
	}
	return "$"
}

// unproved names the proof lines that do not hold.
func unproved(lines []*productionv1.ProofLine) error {
	for _, line := range lines {
		if line.GetDifference() != 0 {
			return fmt.Errorf("proof line %q does not hold: %s against %s %s", line.GetName(), micro(line.GetLeft(), 2), micro(line.GetRight(), 2), proofUnit(line))
		}
	}
	return nil
}

func balanceSheets(b *productionv1.GetBalanceResponse, feed *intakev1.GetFeedTotalsResponse) []sheet {
	weights := sheet{
		title:   fmt.Sprintf("BALANCE\nComplete as of %s\n\nWeight", asOfText(b.GetAsOf())),
		columns: []string{"line", "lb"}, numeric: numericColumns("lb"),
		rows: [][]string{
			{"received", grouped(b.GetReceivedMicropounds(), 3)}, {"came back", grouped(b.GetReturnedMicropounds(), 3)}, {"shipped", grouped(b.GetShippedMicropounds(), 3)},
			{"adjusted", grouped(b.GetAdjustedMicropounds(), 3)}, {"unaccounted in runs, bins and counts", grouped(b.GetUnaccountedMicropounds(), 3)},
			{"in process", grouped(b.GetInProcessMicropounds(), 3)}, {"on hand", grouped(b.GetOnHandMicropounds(), 3)},
		},
		note: fmt.Sprintf("%d deliveries, %d lots, %d runs, %d shipment lines; %d weighings in %d lines, %d in conflict",
			b.GetDeliveries(), b.GetLots(), b.GetRuns(), b.GetShipments(), feed.GetDistinct(), feed.GetLines(), feed.GetConflicts()),
	}
	costs := sheet{title: "Cost (stock and service)", columns: []string{"line", "at prices first paid, $", "with final prices, $"}, numeric: numericColumns("at prices first paid, $", "with final prices, $"), note: booksCaution}
	for _, row := range []struct {
		name string
		cost *productionv1.CostAmounts
	}{
		{"purchases and conversion", b.GetCostIn()}, {"in stock", b.GetInventoryCost()}, {"in process", b.GetInProcessCost()},
		{"shipped", b.GetShippedCost()}, {"written off", b.GetWrittenOff()}, {"abnormal loss", b.GetAbnormalLoss()},
	} {
		costs.rows = append(costs.rows, []string{row.name, grouped(paid(row.cost), 2), grouped(final(row.cost), 2)})
	}
	proof := sheet{title: "Proof lines", columns: []string{"left = right", "unit", "left", "right", "difference"}, numeric: numericColumns("left", "right", "difference")}
	for _, line := range b.GetProof() {
		proof.rows = append(proof.rows, []string{line.GetText(), proofUnit(line), grouped(line.GetLeft(), 6), grouped(line.GetRight(), 6), grouped(line.GetDifference(), 6)})
	}
	return []sheet{weights, costs, proof}
}
