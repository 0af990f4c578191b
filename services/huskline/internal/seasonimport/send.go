package seasonimport

import (
	"cmp"
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"

	"huskline/internal/money"
	"huskline/services/huskline/internal/seasonfile"
)

// send is one command, called again with the same message where it was not answered.
type send = func(ctx context.Context) (*eventv1.Receipt, error)

// itemsFrom dates what an items.csv says: it has no time of its own and holds for the whole season, whatever year that is.
var itemsFrom = timestamppb.New(time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC))

func (p *plan) sendParty(row *seasonfile.Party) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Intake.RegisterParty(ctx, &intakev1.RegisterPartyRequest{
			CommandId: commandID(seasonfile.PartiesFile, string(row.ID)),
			Party: &eventv1.PartyChanged{
				Party: string(row.ID), Name: row.Name, Roles: []eventv1.PartyRole{partyRoles[row.Role]}, Address: row.Address, Phone: row.Phone,
			},
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendItem(row *seasonfile.Item) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Intake.RegisterItem(ctx, &intakev1.RegisterItemRequest{
			CommandId: commandID(seasonfile.ItemsFile, string(row.ID)),
			Item: &eventv1.ItemChanged{
				Item: string(row.ID), Name: row.Name, Kind: itemKinds[row.Kind], Measure: eventv1.Measure_MEASURE_WEIGHT,
				SplitOffMicrosPerLb: price(row.SplitOff), UnitMicropounds: int64(row.Unit), Allergens: row.Allergens,
			},
			Effective: itemsFrom,
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendStage(stage string) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Production.RegisterStage(ctx, &productionv1.RegisterStageRequest{
			CommandId: commandID(seasonfile.RunsFile, "stage", stage),
			Stage:     &productionv1.Stage{Stage: stage, Name: stage},
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendDelivery(row *seasonfile.Delivery) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Intake.RecordDelivery(ctx, &intakev1.RecordDeliveryRequest{
			CommandId: commandID(seasonfile.DeliveriesFile, string(row.Lot)),
			Delivery: &intakev1.DeliveryFacts{
				Lot: string(row.Lot), Claimant: claimant(seasonfile.DeliveriesFile, row.Lot), Party: string(row.Seller),
				Ownership: ownerships[row.Ownership], Item: string(row.Item), Variety: row.Variety, CropYear: row.CropYear,
				Weighings: []*intakev1.Weighing{
					weighing(intakev1.ReadingKind_READING_KIND_GROSS, row.Gross), weighing(intakev1.ReadingKind_READING_KIND_TARE, row.Tare),
				},
				Sample: sample(row.Sample), PriceMicrosPerLb: price(row.Price), FreightMicros: int64(row.Freight),
			},
			Effective: stamp(row.Time),
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendReceipt(row *seasonfile.Receipt) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Intake.ReceiveIngredient(ctx, &intakev1.ReceiveIngredientRequest{
			CommandId: commandID(seasonfile.ReceiptsFile, string(row.Lot)),
			Lot:       string(row.Lot), Claimant: claimant(seasonfile.ReceiptsFile, row.Lot), Supplier: string(row.Supplier), Item: string(row.Item),
			Quantity: int64(row.Weight), CostMicros: int64(row.Cost), SupplierLot: row.SupplierLot, BestBy: row.BestBy, Packaging: row.Packaging,
			Carrier: row.Carrier, Document: row.Document, Effective: stamp(row.Time),
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendPour(row *seasonfile.Pour) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Inventory.RecordPour(ctx, &inventoryv1.RecordPourRequest{
			CommandId: commandID(seasonfile.PoursFile, row.ID), Pour: row.ID, BinLot: string(row.Bin),
			Claimant: claimant(seasonfile.PoursFile, row.Bin), Lot: string(row.Lot), Quantity: int64(row.Weight), Effective: stamp(row.Time),
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendAdjustment(row *seasonfile.Adjustment) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Inventory.AdjustLot(ctx, &inventoryv1.AdjustLotRequest{
			CommandId: commandID(seasonfile.AdjustmentsFile, row.ID), Adjustment: row.ID, Lot: string(row.Lot), Delta: int64(row.Delta),
			Reason: row.Reason, Effective: stamp(row.Time),
		})
		return answer.GetReceipt(), err
	}
}

// sendShipment sends the rows of one shipment as its lines. Freight out is that of all its rows.
func (p *plan) sendShipment(rows []*seasonfile.Shipment) send {
	first := rows[0]
	kind := eventv1.ShipmentKind_SHIPMENT_KIND_SALE
	var freight money.Amount
	lines := make([]*eventv1.ShippedLine, len(rows))
	for i, row := range rows {
		if p.season.Owner[row.Lot] != "" {
			kind = eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_OWNER
		}
		freight += row.FreightOut
		lines[i] = &eventv1.ShippedLine{Line: int64(i + 1), Lot: string(row.Lot), Quantity: int64(row.Weight), PriceMicros: price(row.Price)}
	}
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Inventory.ShipGoods(ctx, &inventoryv1.ShipGoodsRequest{
			CommandId: commandID(seasonfile.ShipmentsFile, first.ID), Shipment: first.ID, Kind: kind, Consignee: string(first.Customer),
			Channel: first.Channel, Carrier: first.Carrier, Document: first.Document, FreightOutMicros: int64(freight), Lines: lines,
			Effective: stamp(first.Time),
		})
		return answer.GetReceipt(), err
	}
}

// sendReturn takes back goods as a lot of their own, which is born under a commercial hold. Where the season goes on to use the lot, it was
// released at its time; the season says no more of it, and so the hold ends here.
func (p *plan) sendReturn(row *seasonfile.Return, released bool) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Inventory.ReturnGoods(ctx, &inventoryv1.ReturnGoodsRequest{
			CommandId: commandID(seasonfile.ReturnsFile, row.ID), ReturnId: row.ID, Shipment: row.Shipment, Lot: string(row.Lot),
			Claimant: claimant(seasonfile.ReturnsFile, row.Lot), Quantity: int64(row.Weight), Effective: stamp(row.Time),
		})
		if err != nil || !released || answer.GetHold() == "" || answer.GetReceipt() == nil {
			return answer.GetReceipt(), err
		}
		end, err := p.doors.Inventory.ReleaseHold(ctx, &inventoryv1.ReleaseHoldRequest{
			CommandId: commandID(seasonfile.ReturnsFile, row.ID, "release"), Hold: answer.GetHold(), Reason: "used later in the imported season",
		})
		return end.GetReceipt(), err
	}
}

func (p *plan) sendFinalPrice(row *seasonfile.FinalPrice) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Intake.SettlePrice(ctx, &intakev1.SettlePriceRequest{
			CommandId: commandID(seasonfile.FinalPricesFile, string(row.Lot), row.Time.Format(time.RFC3339Nano)), Lot: string(row.Lot),
			PriceMicrosPerLb: int64(row.Price), Effective: stamp(row.Time),
		})
		return answer.GetReceipt(), err
	}
}

func (p *plan) sendRun(row *seasonfile.Run) send {
	return func(ctx context.Context) (*eventv1.Receipt, error) {
		answer, err := p.doors.Production.RecordRun(ctx, &productionv1.RecordRunRequest{
			CommandId: commandID(seasonfile.RunsFile, string(row.ID)),
			Run: &productionv1.RunFacts{
				Run: string(row.ID), Stage: row.Stage, Line: row.Line, Start: stamp(row.Start), End: stamp(row.End), Recipe: row.Recipe,
				Inputs: inputs(row), Outputs: outputs(row), Contributions: contributions(row), Charges: charges(row),
			},
		})
		return answer.GetReceipt(), err
	}
}

// inputs, outputs and contributions are sorted by their lots: rows that change their order in the file are still the same command.
func inputs(row *seasonfile.Run) []*productionv1.InputLine {
	var lines []*productionv1.InputLine
	for _, in := range slices.SortedFunc(slices.Values(row.Inputs), func(a, b seasonfile.RunInput) int {
		return cmp.Or(cmp.Compare(a.Lot, b.Lot), a.DumpedFrom.Compare(b.DumpedFrom))
	}) {
		lines = append(lines, &productionv1.InputLine{Lot: string(in.Lot), Quantity: int64(in.Weight), DumpedFrom: stamp(in.DumpedFrom),
			DumpedTo: stamp(in.DumpedTo), MoisturePpm: known(in.MoisturePPM)})
	}
	return lines
}

func outputs(row *seasonfile.Run) []*productionv1.OutputLine {
	var lines []*productionv1.OutputLine
	for _, o := range slices.SortedFunc(slices.Values(row.Outputs), func(a, b seasonfile.RunOutput) int { return cmp.Compare(a.Lot, b.Lot) }) {
		lines = append(lines, &productionv1.OutputLine{Lot: string(o.Lot), Claimant: claimant(seasonfile.RunOutputsFile, o.Lot), Item: string(o.Item),
			Quantity: int64(o.Weight), Role: outputRoles[o.Role], FilledFrom: stamp(o.FilledFrom), FilledTo: stamp(o.FilledTo),
			MoisturePpm: known(o.MoisturePPM)})
	}
	return lines
}

// contributions leaves out rows of zero: nothing of the input went into the output, which is then no descendant of it.
func contributions(row *seasonfile.Run) []*eventv1.Contribution {
	var lines []*eventv1.Contribution
	for _, c := range slices.SortedFunc(slices.Values(row.Contributions), func(a, b seasonfile.Contribution) int {
		return cmp.Or(cmp.Compare(a.Input, b.Input), cmp.Compare(a.Output, b.Output))
	}) {
		if c.Weight > 0 {
			lines = append(lines, &eventv1.Contribution{Input: string(c.Input), Output: string(c.Output), Quantity: int64(c.Weight)})
		}
	}
	return lines
}

// charges leaves out what costs nothing.
func charges(row *seasonfile.Run) []*eventv1.ChargePosted {
	var list []*eventv1.ChargePosted
	hours := func(kind eventv1.ChargeKind, hours int64, rate money.Price) {
		if hours != 0 && rate != 0 {
			list = append(list, &eventv1.ChargePosted{Kind: kind, HoursMillionths: hours, RateMicros: int64(rate)})
		}
	}
	hours(eventv1.ChargeKind_CHARGE_KIND_LABOUR, row.LaborHours, row.LaborRate)
	hours(eventv1.ChargeKind_CHARGE_KIND_MACHINE, row.MachineHours, row.MachineRate)
	if row.Other != 0 {
		list = append(list, &eventv1.ChargePosted{Kind: eventv1.ChargeKind_CHARGE_KIND_OTHER, AmountMicros: int64(row.Other)})
	}
	return list
}
