package lotwire

import (
	"huskline/internal/lot"
	"huskline/internal/money"
	eventv1 "huskline/proto/huskline/event/v1"
)

// RunInput is goods that a run took in, on the wire.
func RunInput(i lot.RunInput) *eventv1.RunInput {
	return &eventv1.RunInput{
		Line: i.Line, Lot: string(i.Lot), Quantity: int64(i.Quantity), Place: string(i.Place), At: Time(i.At), DumpedFrom: Time(i.DumpedFrom),
		DumpedTo: Time(i.DumpedTo), MoisturePpm: ppm(i.MoisturePPM), Container: i.Container,
	}
}

// ParseRunInput reads goods that a run took in.
func ParseRunInput(m *eventv1.RunInput) (lot.RunInput, error) {
	at, err := ParseTime(m.GetAt())
	from, err2 := ParseTime(m.GetDumpedFrom())
	to, err3 := ParseTime(m.GetDumpedTo())
	moisture, err4 := parsePPM(m.MoisturePpm)
	return lot.RunInput{
		Line: m.GetLine(), Lot: lot.ID(m.GetLot()), Quantity: lot.Quantity(m.GetQuantity()), Place: lot.PlaceID(m.GetPlace()), At: at,
		DumpedFrom: from, DumpedTo: to, MoisturePPM: moisture, Container: m.GetContainer(),
	}, first(err, err2, err3, err4)
}

// RunOutput is goods that a run gave, on the wire.
func RunOutput(o lot.RunOutput) *eventv1.RunOutput {
	return &eventv1.RunOutput{
		Line: o.Line, Lot: string(o.Lot), Item: string(o.Item), Measure: Measure(o.Measure), Quantity: int64(o.Quantity), Role: Role(o.Role),
		Place: string(o.Place), Owner: string(o.Owner), At: Time(o.At), FilledFrom: Time(o.FilledFrom), FilledTo: Time(o.FilledTo),
		MoisturePpm: ppm(o.MoisturePPM), Container: o.Container,
	}
}

// ParseRunOutput reads goods that a run gave.
func ParseRunOutput(m *eventv1.RunOutput) (lot.RunOutput, error) {
	measure, err := ParseMeasure(m.GetMeasure())
	role, err2 := ParseRole(m.GetRole())
	at, err3 := ParseTime(m.GetAt())
	from, err4 := ParseTime(m.GetFilledFrom())
	to, err5 := ParseTime(m.GetFilledTo())
	moisture, err6 := parsePPM(m.MoisturePpm)
	return lot.RunOutput{
		Line: m.GetLine(), Lot: lot.ID(m.GetLot()), Item: lot.ItemID(m.GetItem()), Measure: measure, Quantity: lot.Quantity(m.GetQuantity()),
		Role: role, Place: lot.PlaceID(m.GetPlace()), Owner: lot.PartyID(m.GetOwner()), At: at, FilledFrom: from, FilledTo: to,
		MoisturePPM: moisture, Container: m.GetContainer(),
	}, first(err, err2, err3, err4, err5, err6)
}

// Contributions is a contribution table on the wire.
func Contributions(cs []lot.Contribution) []*eventv1.Contribution {
	return each(cs, func(c lot.Contribution) *eventv1.Contribution {
		return &eventv1.Contribution{Input: string(c.Input), Output: string(c.Output), Quantity: int64(c.Quantity)}
	})
}

// ParseContributions reads a contribution table.
func ParseContributions(ms []*eventv1.Contribution) []lot.Contribution {
	return each(ms, func(m *eventv1.Contribution) lot.Contribution {
		return lot.Contribution{Input: lot.ID(m.GetInput()), Output: lot.ID(m.GetOutput()), Quantity: lot.Quantity(m.GetQuantity())}
	})
}

// RunPosted is a posting of a run on the wire.
func RunPosted(r lot.RunPosted) *eventv1.RunPosted {
	return &eventv1.RunPosted{
		Run: string(r.Run), Version: r.Version, Stage: r.Stage, Owner: string(r.Owner), Inputs: each(r.Inputs, RunInput),
		Outputs: each(r.Outputs, RunOutput), Contributions: Contributions(r.Contributions), Final: r.Final, GainReason: r.GainReason,
	}
}

// ParseRunPosted reads a posting of a run.
func ParseRunPosted(m *eventv1.RunPosted) (lot.RunPosted, error) {
	inputs, err := tryEach(m.GetInputs(), ParseRunInput)
	outputs, err2 := tryEach(m.GetOutputs(), ParseRunOutput)
	return lot.RunPosted{
		Run: lot.RunID(m.GetRun()), Version: m.GetVersion(), Stage: m.GetStage(), Owner: lot.PartyID(m.GetOwner()), Inputs: inputs,
		Outputs: outputs, Contributions: ParseContributions(m.GetContributions()), Final: m.GetFinal(), GainReason: m.GetGainReason(),
	}, first(err, err2)
}

// Poured is a pour on the wire.
func Poured(p lot.Poured) *eventv1.LotPoured {
	return &eventv1.LotPoured{
		Pour: p.Pour, BinLot: string(p.Bin), Item: string(p.Item), Measure: Measure(p.Measure), Lot: string(p.Lot), Quantity: int64(p.Quantity),
		Place: string(p.Place), BinPlace: string(p.BinPlace),
	}
}

// ParsePoured reads a pour.
func ParsePoured(m *eventv1.LotPoured) (lot.Poured, error) {
	measure, err := ParseMeasure(m.GetMeasure())
	return lot.Poured{
		Pour: m.GetPour(), Bin: lot.ID(m.GetBinLot()), Item: lot.ItemID(m.GetItem()), Measure: measure, Lot: lot.ID(m.GetLot()),
		Quantity: lot.Quantity(m.GetQuantity()), Place: lot.PlaceID(m.GetPlace()), BinPlace: lot.PlaceID(m.GetBinPlace()),
	}, err
}

// BinEmptied is a bin seen empty, on the wire.
func BinEmptied(b lot.BinEmptied) *eventv1.BinEmptied {
	return &eventv1.BinEmptied{Emptying: b.Emptying, BinLot: string(b.Bin), Place: string(b.Place), Remainder: int64(b.Remainder)}
}

// ParseBinEmptied reads a bin seen empty.
func ParseBinEmptied(m *eventv1.BinEmptied) (lot.BinEmptied, error) {
	return lot.BinEmptied{
		Emptying: m.GetEmptying(), Bin: lot.ID(m.GetBinLot()), Place: lot.PlaceID(m.GetPlace()), Remainder: lot.Quantity(m.GetRemainder()),
	}, nil
}

// Account is a loss account on the wire.
func Account(a lot.Account) *eventv1.LossAccount {
	return &eventv1.LossAccount{Name: a.Name, WritesOff: a.WritesOff, Unaccounted: a.Unexplains}
}

// ParseAccount reads a loss account; an absent one is the zero account.
func ParseAccount(m *eventv1.LossAccount) lot.Account {
	return lot.Account{Name: m.GetName(), WritesOff: m.GetWritesOff(), Unexplains: m.GetUnaccounted()}
}

// Adjusted is a correction of stock on the wire.
func Adjusted(a lot.Adjusted) *eventv1.LotAdjusted {
	return &eventv1.LotAdjusted{
		Adjustment: a.Adjustment, Lot: string(a.Lot), Place: string(a.Place), Delta: int64(a.Delta), Reason: a.Reason, Account: Account(a.Account),
		DrawnBy: a.DrawnBy,
	}
}

// ParseAdjusted reads a correction of stock.
func ParseAdjusted(m *eventv1.LotAdjusted) (lot.Adjusted, error) {
	return lot.Adjusted{
		Adjustment: m.GetAdjustment(), Lot: lot.ID(m.GetLot()), Place: lot.PlaceID(m.GetPlace()), Delta: lot.Quantity(m.GetDelta()),
		Reason: m.GetReason(), Account: ParseAccount(m.GetAccount()), DrawnBy: m.GetDrawnBy(),
	}, nil
}

// ShippedLine is a line of a shipment on the wire.
func ShippedLine(l lot.ShipmentLine) *eventv1.ShippedLine {
	return &eventv1.ShippedLine{
		Line: l.Line, Lot: string(l.Lot), Quantity: int64(l.Quantity), Place: string(l.Place), PriceMicros: price(l.Price), Containers: l.Containers,
	}
}

// ParseShippedLine reads a line of a shipment.
func ParseShippedLine(m *eventv1.ShippedLine) (lot.ShipmentLine, error) {
	return lot.ShipmentLine{
		Line: m.GetLine(), Lot: lot.ID(m.GetLot()), Quantity: lot.Quantity(m.GetQuantity()), Place: lot.PlaceID(m.GetPlace()),
		Price: parsePrice(m.PriceMicros), Containers: m.GetContainers(),
	}, nil
}

// Shipped is goods that left, on the wire.
func Shipped(s lot.Shipped) *eventv1.LotShipped {
	return &eventv1.LotShipped{
		Shipment: s.Shipment, Kind: ShipmentKind(s.ShipKind), Consignee: string(s.Consignee), Channel: s.Channel, Carrier: s.Carrier,
		Document: s.Document, FreightOutMicros: int64(s.FreightOut), Lines: each(s.Lines, ShippedLine),
	}
}

// ParseShipped reads goods that left.
func ParseShipped(m *eventv1.LotShipped) (lot.Shipped, error) {
	kind, err := ParseShipmentKind(m.GetKind())
	lines, err2 := tryEach(m.GetLines(), ParseShippedLine)
	return lot.Shipped{
		Shipment: m.GetShipment(), ShipKind: kind, Consignee: lot.PartyID(m.GetConsignee()), Channel: m.GetChannel(), Carrier: m.GetCarrier(),
		Document: m.GetDocument(), FreightOut: money.Amount(m.GetFreightOutMicros()), Lines: lines,
	}, first(err, err2)
}

// Returned is goods that came back, on the wire.
func Returned(r lot.Returned) *eventv1.LotReturned {
	return &eventv1.LotReturned{
		ReturnId: r.Return, Shipment: r.Shipment, Line: r.Line, Origin: string(r.Origin), Lot: string(r.Lot), Item: string(r.Item),
		Measure: Measure(r.Measure), Owner: string(r.Owner), Quantity: int64(r.Quantity), Place: string(r.Place),
	}
}

// ParseReturned reads goods that came back.
func ParseReturned(m *eventv1.LotReturned) (lot.Returned, error) {
	measure, err := ParseMeasure(m.GetMeasure())
	return lot.Returned{
		Return: m.GetReturnId(), Shipment: m.GetShipment(), Line: m.GetLine(), Origin: lot.ID(m.GetOrigin()), Lot: lot.ID(m.GetLot()),
		Item: lot.ItemID(m.GetItem()), Measure: measure, Owner: lot.PartyID(m.GetOwner()), Quantity: lot.Quantity(m.GetQuantity()),
		Place: lot.PlaceID(m.GetPlace()),
	}, err
}

// Moved is goods carried, on the wire.
func Moved(v lot.Moved) *eventv1.LotMoved {
	return &eventv1.LotMoved{
		Movement: v.Movement, Lot: string(v.Lot), Quantity: int64(v.Quantity), FromPlace: string(v.From), ToPlace: string(v.To), Containers: v.Containers,
	}
}

// ParseMoved reads goods carried.
func ParseMoved(m *eventv1.LotMoved) (lot.Moved, error) {
	return lot.Moved{
		Movement: m.GetMovement(), Lot: lot.ID(m.GetLot()), Quantity: lot.Quantity(m.GetQuantity()), From: lot.PlaceID(m.GetFromPlace()), Containers: m.GetContainers(),
		To: lot.PlaceID(m.GetToPlace()),
	}, nil
}

// Corrected is a correction set on the wire.
func Corrected(c lot.Corrected) *eventv1.LotsCorrected {
	return &eventv1.LotsCorrected{
		Correction: c.Correction, Reason: c.Reason, Deliveries: each(c.Deliveries, DeliveryCorrected), Runs: each(c.Runs, RunPosted),
		Pours: each(c.Pours, Poured), Adjustments: each(c.Adjustments, Adjusted), Shipments: each(c.Shipments, Shipped),
	}
}

// ParseCorrected reads a correction set.
func ParseCorrected(m *eventv1.LotsCorrected) (lot.Corrected, error) {
	deliveries, err := tryEach(m.GetDeliveries(), ParseDeliveryCorrected)
	runs, err2 := tryEach(m.GetRuns(), ParseRunPosted)
	pours, err3 := tryEach(m.GetPours(), ParsePoured)
	adjustments, err4 := tryEach(m.GetAdjustments(), ParseAdjusted)
	shipments, err5 := tryEach(m.GetShipments(), ParseShipped)
	return lot.Corrected{
		Correction: m.GetCorrection(), Reason: m.GetReason(), Deliveries: deliveries, Runs: runs, Pours: pours, Adjustments: adjustments,
		Shipments: shipments,
	}, first(err, err2, err3, err4, err5)
}
