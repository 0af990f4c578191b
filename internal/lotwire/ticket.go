package lotwire

import (
	"huskline/internal/lot"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
)

// WeightKeyed is a keyed weight on the wire.
func WeightKeyed(k lot.WeightKeyed) *eventv1.WeightKeyed {
	return &eventv1.WeightKeyed{
		Keyed: k.Keyed, Scale: k.Scale, Ticket: k.Ticket, Digits: k.Digits, Unit: k.Unit, Micropounds: int64(k.Mass), Time: Time(k.Time),
		Reason: k.Reason, Supersedes: k.Supersedes, Operator: k.Operator, Marks: k.Marks,
	}
}

// ParseWeightKeyed reads a keyed weight.
func ParseWeightKeyed(m *eventv1.WeightKeyed) (lot.WeightKeyed, error) {
	at, err := ParseTime(m.GetTime())
	return lot.WeightKeyed{
		Keyed: m.GetKeyed(), Scale: m.GetScale(), Ticket: m.GetTicket(), Digits: m.GetDigits(), Unit: m.GetUnit(),
		Mass: weight.Mass(m.GetMicropounds()), Time: at, Reason: m.GetReason(), Supersedes: m.GetSupersedes(), Operator: m.GetOperator(), Marks: m.GetMarks(),
	}, err
}

// ReadingDiscarded is a reading put aside for good on the wire.
func ReadingDiscarded(d lot.ReadingDiscarded) *eventv1.ReadingDiscarded {
	return &eventv1.ReadingDiscarded{
		Content: d.Content, Scale: d.Scale, Sequence: d.Sequence, Time: Time(d.Time), Digits: d.Digits, Unit: d.Unit, Kind: d.Weighed, Reference: d.Reference,
		Rule: d.Rule, RuleMessage: d.RuleMessage, Reason: d.Reason, By: d.By,
	}
}

// ParseReadingDiscarded reads a reading put aside for good.
func ParseReadingDiscarded(m *eventv1.ReadingDiscarded) (lot.ReadingDiscarded, error) {
	d := lot.ReadingDiscarded{
		Content: m.GetContent(), Scale: m.GetScale(), Sequence: m.GetSequence(), Digits: m.GetDigits(), Unit: m.GetUnit(), Weighed: m.GetKind(),
		Reference: m.GetReference(), Rule: m.GetRule(), RuleMessage: m.GetRuleMessage(), Reason: m.GetReason(), By: m.GetBy(),
	}
	var err error
	if m.GetTime() != nil {
		d.Time, err = ParseTime(m.GetTime())
	}
	return d, err
}

// WeightMatched is the match of a keyed weight on the wire.
func WeightMatched(w lot.WeightMatched) *eventv1.WeightMatched {
	return &eventv1.WeightMatched{
		Keyed: w.Keyed, Scale: w.Scale, Sequence: w.Sequence, Micropounds: int64(w.Mass), DifferenceMicropounds: int64(w.Difference),
		Reason: w.Reason, By: w.By,
	}
}

// ParseWeightMatched reads the match of a keyed weight.
func ParseWeightMatched(m *eventv1.WeightMatched) (lot.WeightMatched, error) {
	return lot.WeightMatched{
		Keyed: m.GetKeyed(), Scale: m.GetScale(), Sequence: m.GetSequence(), Mass: weight.Mass(m.GetMicropounds()),
		Difference: weight.Mass(m.GetDifferenceMicropounds()), Reason: m.GetReason(), By: m.GetBy(),
	}, nil
}

func ticketWeight(w lot.TicketWeight) *eventv1.TicketWeight {
	return &eventv1.TicketWeight{
		Indications: each(w.Indications, indication), Micropounds: int64(w.Mass), Draft: Draft(w.Draft), DriverOn: w.DriverOn,
		Weigher: w.Weigher, Tare: w.Tare, Keyed: w.Keyed,
	}
}

func parseTicketWeight(m *eventv1.TicketWeight) (lot.TicketWeight, error) {
	shown, err := tryEach(m.GetIndications(), parseIndication)
	draft, err2 := ParseDraft(m.GetDraft())
	return lot.TicketWeight{
		Indications: shown, Mass: weight.Mass(m.GetMicropounds()), Draft: draft, DriverOn: m.GetDriverOn(), Weigher: m.GetWeigher(),
		Tare: m.GetTare(), Keyed: m.GetKeyed(),
	}, first(err, err2)
}

// TicketIssued is a weigh ticket on the wire.
func TicketIssued(t lot.TicketIssued) *eventv1.TicketIssued {
	return &eventv1.TicketIssued{
		Series: t.Series, Number: t.Number, Visit: t.Visit, Line: t.Line, Plate: t.Plate, Party: string(t.Party), PartyName: t.PartyName,
		Item: string(t.Item), ItemName: t.ItemName, Variety: t.Variety, Lot: string(t.Lot), Outbound: t.Outbound, Gross: ticketWeight(t.Gross),
		Tare: ticketWeight(t.Tare), NetMicropounds: int64(t.Net), MoisturePpm: ppm(t.MoisturePPM), Replaces: t.Replaces, Place: t.Place,
		Weigher: t.Weigher,
	}
}

// ParseTicketIssued reads a weigh ticket.
func ParseTicketIssued(m *eventv1.TicketIssued) (lot.TicketIssued, error) {
	gross, err := parseTicketWeight(m.GetGross())
	tare, err2 := parseTicketWeight(m.GetTare())
	moisture, err3 := parsePPM(m.MoisturePpm)
	return lot.TicketIssued{
		Series: m.GetSeries(), Number: m.GetNumber(), Visit: m.GetVisit(), Line: m.GetLine(), Plate: m.GetPlate(), Party: lot.PartyID(m.GetParty()),
		PartyName: m.GetPartyName(), Item: lot.ItemID(m.GetItem()), ItemName: m.GetItemName(), Variety: m.GetVariety(), Lot: lot.ID(m.GetLot()),
		Outbound: m.GetOutbound(), Gross: gross, Tare: tare, Net: weight.Mass(m.GetNetMicropounds()), MoisturePPM: moisture,
		Replaces: m.GetReplaces(), Place: m.GetPlace(), Weigher: m.GetWeigher(),
	}, first(err, err2, err3)
}

// TicketMarked is what became of a ticket, on the wire.
func TicketMarked(t lot.TicketMarked) *eventv1.TicketMarked {
	return &eventv1.TicketMarked{Series: t.Series, Number: t.Number, Mark: TicketMark(t.Mark), Count: t.Count, Reason: t.Reason, By: t.By}
}

// ParseTicketMarked reads what became of a ticket.
func ParseTicketMarked(m *eventv1.TicketMarked) (lot.TicketMarked, error) {
	mark, err := ParseTicketMark(m.GetMark())
	return lot.TicketMarked{
		Series: m.GetSeries(), Number: m.GetNumber(), Mark: mark, Count: m.GetCount(), Reason: m.GetReason(), By: m.GetBy(),
	}, err
}
