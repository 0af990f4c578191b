package lotwire

import (
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
)

// PartyChanged is a party on the wire.
func PartyChanged(p lot.PartyChanged) *eventv1.PartyChanged {
	return &eventv1.PartyChanged{
		Party: string(p.Party), Name: p.Name, Roles: each(p.Roles, PartyRole), Address: p.Address, Phone: p.Phone,
	}
}

// ParsePartyChanged reads a party.
func ParsePartyChanged(m *eventv1.PartyChanged) (lot.PartyChanged, error) {
	roles, err := tryEach(m.GetRoles(), ParsePartyRole)
	return lot.PartyChanged{
		Party: lot.PartyID(m.GetParty()), Name: m.GetName(), Roles: roles, Address: m.GetAddress(), Phone: m.GetPhone(),
	}, err
}

// ItemChanged is an item on the wire.
func ItemChanged(i lot.ItemChanged) *eventv1.ItemChanged {
	return &eventv1.ItemChanged{
		Item: string(i.Item), Name: i.Name, Kind: ItemKind(i.ItemKind), Measure: Measure(i.Measure), SplitOffMicrosPerLb: price(i.SplitOff),
		UnitMicropounds: int64(i.Unit), Allergens: texts(i.Allergens),
	}
}

// ParseItemChanged reads an item.
func ParseItemChanged(m *eventv1.ItemChanged) (lot.ItemChanged, error) {
	kind, err := ParseItemKind(m.GetKind())
	measure, err2 := ParseMeasure(m.GetMeasure())
	if err := first(err, err2); err != nil {
		return lot.ItemChanged{}, err
	}
	return lot.ItemChanged{
		Item: lot.ItemID(m.GetItem()), Name: m.GetName(), ItemKind: kind, Measure: measure, SplitOff: parsePrice(m.SplitOffMicrosPerLb),
		Unit: weight.Mass(m.GetUnitMicropounds()), Allergens: fromTexts[string](m.GetAllergens()),
	}, nil
}

// ReadingsStored is a stored batch of readings on the wire.
func ReadingsStored(r lot.ReadingsStored) *eventv1.ReadingsStored {
	return &eventv1.ReadingsStored{
		Batch: r.Batch, Lines: r.Lines, Stored: r.Stored, Historic: r.Historic, Scales: each(r.Scales, scaleReadings),
	}
}

// ParseReadingsStored reads a stored batch of readings.
func ParseReadingsStored(m *eventv1.ReadingsStored) (lot.ReadingsStored, error) {
	return lot.ReadingsStored{
		Batch: m.GetBatch(), Lines: m.GetLines(), Stored: m.GetStored(), Historic: m.GetHistoric(), Scales: each(m.GetScales(), parseScaleReadings),
	}, nil
}

func scaleReadings(s lot.ScaleReadings) *eventv1.ScaleReadings {
	return &eventv1.ScaleReadings{
		Scale: s.Scale, Count: s.Count, Digest: s.Digest,
		Ranges: each(s.Ranges, func(r lot.SequenceRange) *eventv1.SequenceRange {
			return &eventv1.SequenceRange{First: r.First, Last: r.Last}
		}),
	}
}

func parseScaleReadings(m *eventv1.ScaleReadings) lot.ScaleReadings {
	return lot.ScaleReadings{
		Scale: m.GetScale(), Count: m.GetCount(), Digest: m.GetDigest(),
		Ranges: each(m.GetRanges(), func(r *eventv1.SequenceRange) lot.SequenceRange {
			return lot.SequenceRange{First: r.GetFirst(), Last: r.GetLast()}
		}),
	}
}

// Sample is a crack-out on the wire; nil where there was none.
func Sample(s *lot.Sample) *eventv1.Sample {
	if s == nil {
		return nil
	}
	return &eventv1.Sample{
		MoisturePpm: ppm(s.MoisturePPM), ForeignPpm: ppm(s.ForeignPPM), SampleMilligrams: s.SampleMilligrams,
		KernelMilligrams: s.KernelMilligrams, RejectMilligrams: s.RejectMilligrams, NutsPerLb: s.NutsPerPound,
	}
}

// ParseSample reads a crack-out; nil where there was none.
func ParseSample(m *eventv1.Sample) (*lot.Sample, error) {
	if m == nil {
		return nil, nil
	}
	moisture, err := parsePPM(m.MoisturePpm)
	foreign, err2 := parsePPM(m.ForeignPpm)
	return &lot.Sample{
		MoisturePPM: moisture, ForeignPPM: foreign, SampleMilligrams: m.GetSampleMilligrams(), KernelMilligrams: m.GetKernelMilligrams(),
		RejectMilligrams: m.GetRejectMilligrams(), NutsPerPound: m.GetNutsPerLb(),
	}, first(err, err2)
}

// LandedCharges is a list of landed charges on the wire.
func LandedCharges(cs []lot.LandedCharge) []*eventv1.LandedCharge {
	return each(cs, func(c lot.LandedCharge) *eventv1.LandedCharge {
		return &eventv1.LandedCharge{Name: c.Name, AmountMicros: int64(c.Amount)}
	})
}

// ParseLandedCharges reads a list of landed charges.
func ParseLandedCharges(ms []*eventv1.LandedCharge) []lot.LandedCharge {
	return each(ms, func(m *eventv1.LandedCharge) lot.LandedCharge {
		return lot.LandedCharge{Name: m.GetName(), Amount: money.Amount(m.GetAmountMicros())}
	})
}

// Received is a lot born at the gate, on the wire.
func Received(r lot.Received) *eventv1.LotReceived {
	return &eventv1.LotReceived{
		Lot: string(r.Lot), Source: Source(r.Source), Item: string(r.Item), Measure: Measure(r.Measure), Quantity: int64(r.Quantity),
		Party: string(r.Party), Ownership: Ownership(r.Ownership), Owner: string(r.Owner), Place: string(r.Place),
		GrossMicropounds: int64(r.Gross), TareMicropounds: int64(r.Tare), PriceMicros: price(r.Price), PurchaseMicros: int64(r.Purchase),
		FreightMicros: int64(r.Freight), Charges: LandedCharges(r.Charges), SupplierLot: r.SupplierLot, Variety: r.Variety,
		CropYear: r.CropYear, Sample: Sample(r.Sample), BestBy: r.BestBy, Packaging: r.Packaging, Carrier: r.Carrier, Document: r.Document,
		Visit: r.Visit, VisitLine: r.VisitLine, Draft: Draft(r.Draft), Keyed: r.Keyed,
	}
}

// ParseReceived reads a lot born at the gate.
func ParseReceived(m *eventv1.LotReceived) (lot.Received, error) {
	source, err := ParseSource(m.GetSource())
	measure, err2 := ParseMeasure(m.GetMeasure())
	ownership, err3 := ParseOwnership(m.GetOwnership())
	sample, err4 := ParseSample(m.GetSample())
	draft, err5 := parseAnyDraft(m.GetDraft())
	if err := first(err, err2, err3, err4, err5); err != nil {
		return lot.Received{}, err
	}
	return lot.Received{
		Lot: lot.ID(m.GetLot()), Source: source, Item: lot.ItemID(m.GetItem()), Measure: measure, Quantity: lot.Quantity(m.GetQuantity()),
		Party: lot.PartyID(m.GetParty()), Ownership: ownership, Owner: lot.PartyID(m.GetOwner()), Place: lot.PlaceID(m.GetPlace()),
		Gross: weight.Mass(m.GetGrossMicropounds()), Tare: weight.Mass(m.GetTareMicropounds()), Price: parsePrice(m.PriceMicros),
		Purchase: money.Amount(m.GetPurchaseMicros()), Freight: money.Amount(m.GetFreightMicros()), Charges: ParseLandedCharges(m.GetCharges()),
		SupplierLot: m.GetSupplierLot(), Variety: m.GetVariety(), CropYear: m.GetCropYear(), Sample: sample, BestBy: m.GetBestBy(),
		Packaging: m.GetPackaging(), Carrier: m.GetCarrier(), Document: m.GetDocument(), Visit: m.GetVisit(), VisitLine: m.GetVisitLine(), Draft: draft,
		Keyed: m.GetKeyed(),
	}, nil
}

// PriceSettled is a final price on the wire.
func PriceSettled(p lot.PriceSettled) *eventv1.PriceSettled {
	return &eventv1.PriceSettled{Settlement: p.Settlement, Lot: string(p.Lot), PriceMicros: int64(p.Price), PurchaseMicros: int64(p.Purchase)}
}

// ParsePriceSettled reads a final price.
func ParsePriceSettled(m *eventv1.PriceSettled) (lot.PriceSettled, error) {
	return lot.PriceSettled{
		Settlement: m.GetSettlement(), Lot: lot.ID(m.GetLot()), Price: money.Price(m.GetPriceMicros()), Purchase: money.Amount(m.GetPurchaseMicros()),
	}, nil
}

// DeliveryCorrected is a corrected delivery on the wire.
func DeliveryCorrected(d lot.DeliveryCorrected) *eventv1.DeliveryCorrected {
	return &eventv1.DeliveryCorrected{
		Version: d.Version, Voided: d.Voided, Reason: d.Reason, Now: Received(d.Now), ReceivingVariance: int64(d.ReceivingVariance),
	}
}

// ParseDeliveryCorrected reads a corrected delivery.
func ParseDeliveryCorrected(m *eventv1.DeliveryCorrected) (lot.DeliveryCorrected, error) {
	now, err := ParseReceived(m.GetNow())
	return lot.DeliveryCorrected{
		Version: m.GetVersion(), Voided: m.GetVoided(), Reason: m.GetReason(), Now: now, ReceivingVariance: lot.Quantity(m.GetReceivingVariance()),
	}, err
}

// Bought is title passing, on the wire.
func Bought(b lot.Bought) *eventv1.LotBought {
	return &eventv1.LotBought{
		Purchase: b.Purchase, Lot: string(b.Lot), NewLot: string(b.NewLot), Owner: string(b.Owner), Quantity: int64(b.Quantity),
		PriceMicros: int64(b.Price), Place: string(b.Place),
	}
}

// ParseBought reads title passing.
func ParseBought(m *eventv1.LotBought) (lot.Bought, error) {
	return lot.Bought{
		Purchase: m.GetPurchase(), Lot: lot.ID(m.GetLot()), NewLot: lot.ID(m.GetNewLot()), Owner: lot.PartyID(m.GetOwner()),
		Quantity: lot.Quantity(m.GetQuantity()), Price: money.Amount(m.GetPriceMicros()), Place: lot.PlaceID(m.GetPlace()),
	}, nil
}

// first is the first error of several independent checks.
func first(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
