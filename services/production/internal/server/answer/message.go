package answer

import (
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/proof"
	"huskline/services/production/internal/sheet"
)

func amounts(c cost.Cost) *productionv1.CostAmounts {
	return &productionv1.CostAmounts{
		PaidStockMicros: int64(c.Paid.Stock), PaidServiceMicros: int64(c.Paid.Service),
		FinalStockMicros: int64(c.Final.Stock), FinalServiceMicros: int64(c.Final.Service),
	}
}

// kernelAmounts is the cost of kernel, which is kept in one sum: service cost where the goods are an owner's, else stock cost.
func kernelAmounts(k cost.Kernel, owner lot.PartyID) *productionv1.CostAmounts {
	if owner != "" {
		return &productionv1.CostAmounts{PaidServiceMicros: int64(k.Paid), FinalServiceMicros: int64(k.Final)}
	}
	return &productionv1.CostAmounts{PaidStockMicros: int64(k.Paid), FinalStockMicros: int64(k.Final)}
}

func lotCost(l cost.LotCost) *productionv1.GetLotCostResponse {
	return &productionv1.GetLotCostResponse{
		Lot: string(l.Lot), Item: string(l.Item), Owner: string(l.Owner), Made: int64(l.Made), OnHand: int64(l.OnHand),
		Cost: amounts(l.Cost), OnHandCost: amounts(l.Held), Finished: l.ItemKind == lot.Finished,
		KernelMicropounds: int64(l.Kernel.Weight), KernelCost: kernelAmounts(l.Kernel, l.Owner),
		Provisional: l.Provisional, ProvisionalMicros: int64(l.Unsettled.Dollars), Measure: lotwire.Measure(l.Measure), Run: string(sheet.MadeBy(l)),
	}
}

func runCost(r cost.RunCost, index *sheet.Index) *productionv1.GetRunCostResponse {
	answer := &productionv1.GetRunCostResponse{
		Run: string(r.Run), Stage: r.Stage, InputMicropounds: int64(r.Input), OutputMicropounds: int64(r.Output),
		UnaccountedMicropounds: int64(r.Unaccounted), Material: amounts(r.Material), Conversion: amounts(r.ConversionCost()),
		ByproductCredit: amounts(r.CreditCost()), AbnormalLoss: amounts(r.Abnormal), KernelMicropounds: int64(r.Kernel.Weight),
		KernelCost: kernelAmounts(r.Kernel, r.Owner), Basis: sheet.Basis(r), Open: r.Open, ProvisionalMicros: int64(r.Unsettled.Dollars),
	}
	if r.Fault != nil {
		answer.BasisFault = r.Fault.Error()
	}
	if r.Open {
		answer.UnaccountedMicropounds = int64(r.InProcess)
	}
	for _, in := range r.Inputs {
		answer.Inputs = append(answer.Inputs, &productionv1.InputCost{
			Lot: string(in.Lot), Item: string(in.Item), Quantity: int64(in.Quantity), Cost: amounts(in.Cost),
		})
	}
	for _, out := range r.Outputs {
		answer.Outputs = append(answer.Outputs, &productionv1.OutputCost{
			Lot: string(out.Lot), Item: string(out.Item), Role: lotwire.Role(out.Role), Quantity: int64(out.Quantity),
			SplitOffMicrosPerLb: (*int64)(out.Price), Cost: amounts(out.Cost), Kernel: index.IsKernel(out.Lot),
		})
	}
	for _, c := range index.Charges(r) {
		answer.Charges = append(answer.Charges, lotwire.ChargePosted(c))
	}
	return answer
}

func balance(s cost.Season, lines []proof.Line) *productionv1.GetBalanceResponse {
	answer := &productionv1.GetBalanceResponse{
		Deliveries: int64(s.Deliveries), Lots: int64(s.Lots), Runs: int64(s.Runs), Shipments: int64(s.Shipments),
		ReturnedMicropounds: int64(s.All.Returned), ReceivedMicropounds: int64(s.All.Received), ShippedMicropounds: int64(s.All.Shipped),
		OnHandMicropounds: int64(s.All.OnHand), AdjustedMicropounds: int64(s.All.Adjusted), UnaccountedMicropounds: int64(s.All.Unaccounted),
		InProcessMicropounds: int64(s.All.InProcess), CostIn: amounts(s.CostIn), InventoryCost: amounts(s.Inventory),
		ShippedCost: amounts(s.Shipped), WrittenOff: amounts(s.WrittenOff), InProcessCost: amounts(s.Process), AbnormalLoss: amounts(s.Abnormal),
	}
	for _, l := range lines {
		answer.Proof = append(answer.Proof, &productionv1.ProofLine{
			Text: l.Text, Name: l.Name, Unit: units[l.Unit], Left: l.Left, Right: l.Right, Difference: l.Difference(),
		})
	}
	return answer
}

var units = map[proof.Unit]string{proof.Pounds: "micropounds", proof.Dollars: "micros"}
