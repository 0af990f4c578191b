package lotwire

import (
	"huskline/internal/lot"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
)

func setVisitBody(m *eventv1.Event, b lot.Body) bool {
	switch b := b.(type) {
	case lot.VehicleChanged:
		m.Body = &eventv1.Event_VehicleChanged{VehicleChanged: VehicleChanged(b)}
	case lot.VisitWeighed:
		m.Body = &eventv1.Event_VisitWeighed{VisitWeighed: VisitWeighed(b)}
	case lot.VisitClosed:
		m.Body = &eventv1.Event_VisitClosed{VisitClosed: VisitClosed(b)}
	case lot.TareStored:
		m.Body = &eventv1.Event_TareStored{TareStored: TareStored(b)}
	case lot.WeightKeyed:
		m.Body = &eventv1.Event_WeightKeyed{WeightKeyed: WeightKeyed(b)}
	case lot.WeightMatched:
		m.Body = &eventv1.Event_WeightMatched{WeightMatched: WeightMatched(b)}
	case lot.TicketIssued:
		m.Body = &eventv1.Event_TicketIssued{TicketIssued: TicketIssued(b)}
	case lot.TicketMarked:
		m.Body = &eventv1.Event_TicketMarked{TicketMarked: TicketMarked(b)}
	case lot.ReadingDiscarded:
		m.Body = &eventv1.Event_ReadingDiscarded{ReadingDiscarded: ReadingDiscarded(b)}
	default:
		return false
	}
	return true
}

func parseVisitBody(m *eventv1.Event) (b lot.Body, ok bool, err error) {
	switch of := m.GetBody().(type) {
	case *eventv1.Event_VehicleChanged:
		b, err = body(ParseVehicleChanged(of.VehicleChanged))
	case *eventv1.Event_VisitWeighed:
		b, err = body(ParseVisitWeighed(of.VisitWeighed))
	case *eventv1.Event_VisitClosed:
		b, err = body(ParseVisitClosed(of.VisitClosed))
	case *eventv1.Event_TareStored:
		b, err = body(ParseTareStored(of.TareStored))
	case *eventv1.Event_WeightKeyed:
		b, err = body(ParseWeightKeyed(of.WeightKeyed))
	case *eventv1.Event_WeightMatched:
		b, err = body(ParseWeightMatched(of.WeightMatched))
	case *eventv1.Event_TicketIssued:
		b, err = body(ParseTicketIssued(of.TicketIssued))
	case *eventv1.Event_TicketMarked:
		b, err = body(ParseTicketMarked(of.TicketMarked))
	case *eventv1.Event_ReadingDiscarded:
		b, err = body(ParseReadingDiscarded(of.ReadingDiscarded))
	default:
		return nil, false, nil
	}
	return b, true, err
}

// VehicleChanged is a vehicle on the wire.
func VehicleChanged(v lot.VehicleChanged) *eventv1.VehicleChanged {
	return &eventv1.VehicleChanged{Plate: v.Plate, TareDays: v.TareDays, Note: v.Note}
}

// ParseVehicleChanged reads a vehicle.
func ParseVehicleChanged(m *eventv1.VehicleChanged) (lot.VehicleChanged, error) {
	return lot.VehicleChanged{Plate: m.GetPlate(), TareDays: m.GetTareDays(), Note: m.GetNote()}, nil
}

func indication(i lot.Indication) *eventv1.Indication {
	return &eventv1.Indication{
		Scale: i.Scale, Sequence: i.Sequence, Keyed: i.Keyed, Digits: i.Digits, Unit: i.Unit, Micropounds: int64(i.Mass), Time: Time(i.Time),
	}
}

func parseIndication(m *eventv1.Indication) (lot.Indication, error) {
	at, err := ParseTime(m.GetTime())
	return lot.Indication{
		Scale: m.GetScale(), Sequence: m.GetSequence(), Keyed: m.GetKeyed(), Digits: m.GetDigits(), Unit: m.GetUnit(),
		Mass: weight.Mass(m.GetMicropounds()), Time: at,
	}, err
}

// VisitWeighed is a weighing of a vehicle on the wire.
func VisitWeighed(w lot.VisitWeighed) *eventv1.VisitWeighed {
	return &eventv1.VisitWeighed{
		Visit: w.Visit, Number: w.Number, Plate: w.Plate, Party: string(w.Party), Draft: Draft(w.Draft), DriverOn: w.DriverOn,
		Indications: each(w.Indications, indication), Supersedes: w.Supersedes, Reason: w.Reason, Weigher: w.Weigher,
	}
}

// ParseVisitWeighed reads a weighing of a vehicle.
func ParseVisitWeighed(m *eventv1.VisitWeighed) (lot.VisitWeighed, error) {
	draft, err := ParseDraft(m.GetDraft())
	shown, err2 := tryEach(m.GetIndications(), parseIndication)
	return lot.VisitWeighed{
		Visit: m.GetVisit(), Number: m.GetNumber(), Plate: m.GetPlate(), Party: lot.PartyID(m.GetParty()), Draft: draft, DriverOn: m.GetDriverOn(),
		Indications: shown, Supersedes: m.GetSupersedes(), Reason: m.GetReason(), Weigher: m.GetWeigher(),
	}, first(err, err2)
}

// VisitClosed is the end of a visit on the wire.
func VisitClosed(c lot.VisitClosed) *eventv1.VisitClosed {
	return &eventv1.VisitClosed{Visit: c.Visit, Tare: c.Tare, Reason: c.Reason, By: c.By}
}

// ParseVisitClosed reads the end of a visit.
func ParseVisitClosed(m *eventv1.VisitClosed) (lot.VisitClosed, error) {
	return lot.VisitClosed{Visit: m.GetVisit(), Tare: m.GetTare(), Reason: m.GetReason(), By: m.GetBy()}, nil
}

// TareStored is a stored tare on the wire.
func TareStored(t lot.TareStored) *eventv1.TareStored {
	return &eventv1.TareStored{
		Tare: t.Tare, Plate: t.Plate, Visit: t.Visit, Weighing: t.Weighing, Keyed: t.Keyed, Draft: Draft(t.Draft), DriverOn: t.DriverOn,
		Indications: each(t.Indications, indication), Expires: Time(t.Expires), Reason: t.Reason, By: t.By,
	}
}

// ParseTareStored reads a stored tare.
func ParseTareStored(m *eventv1.TareStored) (lot.TareStored, error) {
	draft, err := ParseDraft(m.GetDraft())
	shown, err2 := tryEach(m.GetIndications(), parseIndication)
	expires, err3 := ParseTime(m.GetExpires())
	return lot.TareStored{
		Tare: m.GetTare(), Plate: m.GetPlate(), Visit: m.GetVisit(), Weighing: m.GetWeighing(), Keyed: m.GetKeyed(), Draft: draft,
		DriverOn: m.GetDriverOn(), Indications: shown, Expires: expires, Reason: m.GetReason(), By: m.GetBy(),
	}, first(err, err2, err3)
}
