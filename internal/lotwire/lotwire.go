// Package lotwire turns lot events into the bytes of the contract and back, and nothing else does: every field is named here once for each
// direction. What Marshal has written, Unmarshal can read; a body it does not know it refuses by name, so that it can be set aside.
//
// Times are cut to the microsecond, which is what the databases keep. A zero time, an empty list and an unknown moisture are absent on the
// wire. An enumeration value that is not given or not known is refused in both directions.
package lotwire

import (
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Marshal is the payload of an event: the bytes of an Event of the contract. id is a UUIDv7 in text form, actor who caused it, after the
// positions of the other producers that it builds on. A body with an enumeration left at zero, or one that is not of package lot, is a bug
// of the caller.
func Marshal(id, actor string, after []lot.Receipt, e lot.Event) ([]byte, error) {
	if e.Body == nil {
		return nil, fault.Bug("event %s has no body", id)
	}
	m := &eventv1.Event{Id: id, Lots: texts(e.Lots), Effective: Time(e.Effective), Actor: actor, After: Receipts(after)}
	if !setBody(m, e.Body) {
		return nil, fault.Bug("event %s: body %T is not part of the contract", id, e.Body)
	}
	// An event is kept for good: it must be one that can be read again.
	if _, err := parseBody(m); err != nil {
		return nil, fault.Bug("event %s, %s: %v", id, e.Body.Kind(), err)
	}
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		return nil, fault.Bug("event %s, %s: %v", id, e.Body.Kind(), err)
	}
	return payload, nil
}

// Unmarshal reads an envelope's payload. An unknown body gives reason event_unknown, bytes that are no event event_malformed; both are of
// kind invalid and stay so however often they are tried by this program. The hash is not looked at; see Verify.
func Unmarshal(env *eventv1.Envelope) (lot.Recorded, error) {
	r := lot.Recorded{
		Receipt:    lot.Receipt{Producer: lot.Producer(env.GetProducer()), Epoch: env.GetEpoch(), Position: env.GetPosition()},
		RecordedAt: fromMicros(env.GetRecordedMicros()),
	}
	var m eventv1.Event
	if err := proto.Unmarshal(env.GetPayload(), &m); err != nil {
		return r, fault.Invalid("event_malformed", "event %s/%d/%d: its payload is no event: %v", r.Producer, r.Epoch, r.Position, err)
	}
	r.EventID, r.Actor, r.After = m.GetId(), m.GetActor(), ParseReceipts(m.GetAfter())
	r.Lots = fromTexts[lot.ID](m.GetLots())
	var err error
	if r.Effective, err = ParseTime(m.GetEffective()); err != nil {
		return r, err
	}
	if r.Body, err = parseBody(&m); err != nil {
		return r, err
	}
	if kind := r.Body.Kind(); kind != env.GetType() {
		return r, fault.Invalid("event_malformed", "event %s: the envelope says type %q, the body is %q", r.EventID, env.GetType(), kind)
	}
	return r, nil
}

func setBody(m *eventv1.Event, b lot.Body) bool {
	switch b := b.(type) {
	case lot.PartyChanged:
		m.Body = &eventv1.Event_PartyChanged{PartyChanged: PartyChanged(b)}
	case lot.ItemChanged:
		m.Body = &eventv1.Event_ItemChanged{ItemChanged: ItemChanged(b)}
	case lot.ReadingsStored:
		m.Body = &eventv1.Event_ReadingsStored{ReadingsStored: ReadingsStored(b)}
	case lot.Received:
		m.Body = &eventv1.Event_LotReceived{LotReceived: Received(b)}
	case lot.PriceSettled:
		m.Body = &eventv1.Event_PriceSettled{PriceSettled: PriceSettled(b)}
	case lot.DeliveryCorrected:
		m.Body = &eventv1.Event_DeliveryCorrected{DeliveryCorrected: DeliveryCorrected(b)}
	case lot.Bought:
		m.Body = &eventv1.Event_LotBought{LotBought: Bought(b)}
	case lot.RunPosted:
		m.Body = &eventv1.Event_RunPosted{RunPosted: RunPosted(b)}
	case lot.Poured:
		m.Body = &eventv1.Event_LotPoured{LotPoured: Poured(b)}
	case lot.BinEmptied:
		m.Body = &eventv1.Event_BinEmptied{BinEmptied: BinEmptied(b)}
	case lot.Adjusted:
		m.Body = &eventv1.Event_LotAdjusted{LotAdjusted: Adjusted(b)}
	case lot.Shipped:
		m.Body = &eventv1.Event_LotShipped{LotShipped: Shipped(b)}
	case lot.Returned:
		m.Body = &eventv1.Event_LotReturned{LotReturned: Returned(b)}
	case lot.Moved:
		m.Body = &eventv1.Event_LotMoved{LotMoved: Moved(b)}
	default:
		return setLaterBody(m, b)
	}
	return true
}

func setLaterBody(m *eventv1.Event, b lot.Body) bool {
	switch b := b.(type) {
	case lot.Held:
		m.Body = &eventv1.Event_LotHeld{LotHeld: Held(b)}
	case lot.HoldEnded:
		m.Body = &eventv1.Event_HoldEnded{HoldEnded: HoldEnded(b)}
	case lot.Disposed:
		m.Body = &eventv1.Event_LotDisposed{LotDisposed: Disposed(b)}
	case lot.Corrected:
		m.Body = &eventv1.Event_LotsCorrected{LotsCorrected: Corrected(b)}
	case lot.RunOpened:
		m.Body = &eventv1.Event_RunOpened{RunOpened: RunOpened(b)}
	case lot.RunCompleted:
		m.Body = &eventv1.Event_RunCompleted{RunCompleted: RunCompleted(b)}
	case lot.RunCorrected:
		m.Body = &eventv1.Event_RunCorrected{RunCorrected: RunCorrected(b)}
	case lot.ChargePosted:
		m.Body = &eventv1.Event_ChargePosted{ChargePosted: ChargePosted(b)}
	default:
		return setVisitBody(m, b)
	}
	return true
}

func parseBody(m *eventv1.Event) (lot.Body, error) {
	switch b := m.GetBody().(type) {
	case *eventv1.Event_PartyChanged:
		return body(ParsePartyChanged(b.PartyChanged))
	case *eventv1.Event_ItemChanged:
		return body(ParseItemChanged(b.ItemChanged))
	case *eventv1.Event_ReadingsStored:
		return body(ParseReadingsStored(b.ReadingsStored))
	case *eventv1.Event_LotReceived:
		return body(ParseReceived(b.LotReceived))
	case *eventv1.Event_PriceSettled:
		return body(ParsePriceSettled(b.PriceSettled))
	case *eventv1.Event_DeliveryCorrected:
		return body(ParseDeliveryCorrected(b.DeliveryCorrected))
	case *eventv1.Event_LotBought:
		return body(ParseBought(b.LotBought))
	case *eventv1.Event_RunPosted:
		return body(ParseRunPosted(b.RunPosted))
	case *eventv1.Event_LotPoured:
		return body(ParsePoured(b.LotPoured))
	case *eventv1.Event_BinEmptied:
		return body(ParseBinEmptied(b.BinEmptied))
	case *eventv1.Event_LotAdjusted:
		return body(ParseAdjusted(b.LotAdjusted))
	case *eventv1.Event_LotShipped:
		return body(ParseShipped(b.LotShipped))
	case *eventv1.Event_LotReturned:
		return body(ParseReturned(b.LotReturned))
	case *eventv1.Event_LotMoved:
		return body(ParseMoved(b.LotMoved))
	case *eventv1.Event_LotHeld:
		return body(ParseHeld(b.LotHeld))
	case *eventv1.Event_HoldEnded:
		return body(ParseHoldEnded(b.HoldEnded))
	case *eventv1.Event_LotDisposed:
		return body(ParseDisposed(b.LotDisposed))
	case *eventv1.Event_LotsCorrected:
		return body(ParseCorrected(b.LotsCorrected))
	case *eventv1.Event_RunOpened:
		return body(ParseRunOpened(b.RunOpened))
	case *eventv1.Event_RunCompleted:
		return body(ParseRunCompleted(b.RunCompleted))
	case *eventv1.Event_RunCorrected:
		return body(ParseRunCorrected(b.RunCorrected))
	case *eventv1.Event_ChargePosted:
		return body(ParseChargePosted(b.ChargePosted))
	}
	if b, ok, err := parseVisitBody(m); ok {
		return b, err
	}
	return nil, fault.Invalid("event_unknown", "event %s: this program does not know its body; a newer one may", m.GetId())
}

func body[B lot.Body](b B, err error) (lot.Body, error) { return b, err }
