package gate

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	"huskline/internal/weight"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/weighing"
)

// factsOf reads a delivery.
func factsOf(m *intakev1.DeliveryFacts) (delivery.Facts, error) {
	ownership, err := lotwire.ParseOwnership(m.GetOwnership())
	if err != nil {
		return delivery.Facts{}, err
	}
	sample, err := lotwire.ParseSample(m.GetSample())
	if err != nil {
		return delivery.Facts{}, err
	}
	f := delivery.Facts{
		Lot: lot.ID(m.GetLot()), Party: lot.PartyID(m.GetParty()), Ownership: ownership, Item: lot.ItemID(m.GetItem()), Variety: m.GetVariety(),
		CropYear: m.GetCropYear(), Sample: sample, Freight: money.Amount(m.GetFreightMicros()), Charges: lotwire.ParseLandedCharges(m.GetCharges()),
		Place: lot.PlaceID(m.GetPlace()), Carrier: m.GetCarrier(), Document: m.GetDocument(),
		Visit: m.GetVisit(), VisitLine: m.GetVisitLine(),
	}
	if m.PriceMicrosPerLb != nil {
		f.Price = new(money.Price(m.GetPriceMicrosPerLb()))
	}
	if m.PayMicropounds != nil {
		f.Pay = new(weight.Mass(m.GetPayMicropounds()))
	}
	for i, w := range m.GetWeighings() {
		at, err := lotwire.ParseTime(w.GetTime())
		if err != nil {
			return f, fault.New(fault.KindOf(err), fault.ReasonOf(err), "weighing %d: %w", i+1, err)
		}
		f.Weighings = append(f.Weighings, delivery.Weighing{
			Kind: weighing.Kind(w.GetKind()), Scale: w.GetScale(), Sequence: w.GetSequence(), Digits: w.GetDigits(), Unit: w.GetUnit(), Time: at,
			Keyed: w.GetKeyed(),
		})
	}
	return f, nil
}

func ingredientOf(m *intakev1.ReceiveIngredientRequest) delivery.Ingredient {
	return delivery.Ingredient{
		Lot: lot.ID(m.GetLot()), Supplier: lot.PartyID(m.GetSupplier()), Item: lot.ItemID(m.GetItem()), Quantity: lot.Quantity(m.GetQuantity()),
		Cost: money.Amount(m.GetCostMicros()), SupplierLot: m.GetSupplierLot(), BestBy: m.GetBestBy(), Packaging: m.GetPackaging(),
		Carrier: m.GetCarrier(), Document: m.GetDocument(), Place: lot.PlaceID(m.GetPlace()),
	}
}

// received is a received lot on the wire.
func received(p delivery.Priced) *intakev1.Received {
	out := &intakev1.Received{
		Facts: lotwire.Received(p.Facts), Effective: lotwire.Time(p.Effective), Version: p.Version, Voided: p.Voided,
	}
	for _, w := range p.Weighings {
		out.Weighings = append(out.Weighings, &intakev1.Weighing{
			Kind: intakev1.ReadingKind(w.Kind), Scale: w.Scale, Sequence: w.Sequence, Digits: w.Digits, Unit: w.Unit, Time: lotwire.Time(w.Time),
			Keyed: w.Keyed,
		})
	}
	for _, s := range p.Settled {
		out.Settlements = append(out.Settlements, lotwire.PriceSettled(s.PriceSettled))
	}
	return out
}
