package lotwire

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Time is a time on the wire, cut to the microsecond; the zero time is absent.
func Time(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t.UTC().Truncate(time.Microsecond))
}

// ParseTime reads a time, in UTC and cut to the microsecond; absent is the zero time. One outside the years 1 to 9999 is refused.
func ParseTime(t *timestamppb.Timestamp) (time.Time, error) {
	if t == nil {
		return time.Time{}, nil
	}
	if err := t.CheckValid(); err != nil {
		return time.Time{}, fault.Invalid("time_out_of_range", "time of %d s, %d ns since 1970: the years 1 to 9999 are allowed", t.GetSeconds(), t.GetNanos())
	}
	return t.AsTime().Truncate(time.Microsecond), nil
}

func fromMicros(n int64) time.Time { return time.UnixMicro(n).UTC() }

// Receipt is a receipt on the wire.
func Receipt(r lot.Receipt) *eventv1.Receipt {
	return &eventv1.Receipt{Producer: string(r.Producer), Epoch: r.Epoch, Position: r.Position}
}

// ParseReceipt reads a receipt; an absent one is the zero receipt.
func ParseReceipt(r *eventv1.Receipt) lot.Receipt {
	return lot.Receipt{Producer: lot.Producer(r.GetProducer()), Epoch: r.GetEpoch(), Position: r.GetPosition()}
}

// Receipts is a list of receipts on the wire.
func Receipts(rs []lot.Receipt) []*eventv1.Receipt { return each(rs, Receipt) }

// ParseReceipts reads a list of receipts.
func ParseReceipts(rs []*eventv1.Receipt) []lot.Receipt { return each(rs, ParseReceipt) }

// ParseMeasure refuses a measure that is not given or not known.
func ParseMeasure(v eventv1.Measure) (lot.Measure, error) {
	return known[lot.Measure]("measure", eventv1.Measure_name, v)
}

// ParsePartyRole refuses a role that is not given or not known.
func ParsePartyRole(v eventv1.PartyRole) (lot.PartyRole, error) {
	return known[lot.PartyRole]("party role", eventv1.PartyRole_name, v)
}

// ParseItemKind refuses a kind of item that is not given or not known.
func ParseItemKind(v eventv1.ItemKind) (lot.ItemKind, error) {
	return known[lot.ItemKind]("item kind", eventv1.ItemKind_name, v)
}

// ParseOwnership refuses an ownership that is not given or not known.
func ParseOwnership(v eventv1.Ownership) (lot.Ownership, error) {
	return known[lot.Ownership]("ownership", eventv1.Ownership_name, v)
}

// ParseSource refuses a source that is not given or not known.
func ParseSource(v eventv1.Source) (lot.Source, error) {
	return known[lot.Source]("source", eventv1.Source_name, v)
}

// ParseRole refuses a role of an output that is not given or not known.
func ParseRole(v eventv1.OutputRole) (lot.Role, error) {
	return known[lot.Role]("output role", eventv1.OutputRole_name, v)
}

// ParseShipmentKind refuses a kind of shipment that is not given or not known.
func ParseShipmentKind(v eventv1.ShipmentKind) (lot.ShipmentKind, error) {
	return known[lot.ShipmentKind]("shipment kind", eventv1.ShipmentKind_name, v)
}

// ParseHoldClass refuses a class of hold that is not given or not known.
func ParseHoldClass(v eventv1.HoldClass) (lot.HoldClass, error) {
	return known[lot.HoldClass]("hold class", eventv1.HoldClass_name, v)
}

// ParseDisposition refuses a disposition that is not given or not known.
func ParseDisposition(v eventv1.Disposition) (lot.Disposition, error) {
	return known[lot.Disposition]("disposition", eventv1.Disposition_name, v)
}

// ParseChargeKind refuses a kind of charge that is not given or not known.
func ParseChargeKind(v eventv1.ChargeKind) (lot.ChargeKind, error) {
	return known[lot.ChargeKind]("charge kind", eventv1.ChargeKind_name, v)
}

// ParseDraft refuses a way of standing on the scale that is not given or not known.
func ParseDraft(v eventv1.DraftKind) (lot.Draft, error) {
	return known[lot.Draft]("draft", eventv1.DraftKind_name, v)
}

// parseAnyDraft takes one that is not given.
func parseAnyDraft(v eventv1.DraftKind) (lot.Draft, error) {
	if v == eventv1.DraftKind_DRAFT_KIND_UNSPECIFIED {
		return 0, nil
	}
	return ParseDraft(v)
}

// Draft is a way of standing on the scale, on the wire.
func Draft(v lot.Draft) eventv1.DraftKind { return eventv1.DraftKind(v) }

// ParseTicketMark refuses a mark of a ticket that is not given or not known.
func ParseTicketMark(v eventv1.TicketMark) (lot.TicketMark, error) {
	return known[lot.TicketMark]("ticket mark", eventv1.TicketMark_name, v)
}

// TicketMark is a mark of a ticket on the wire.
func TicketMark(v lot.TicketMark) eventv1.TicketMark { return eventv1.TicketMark(v) }

// Measure is a measure on the wire; the numbers of all enumerations are the same on both sides.
func Measure(v lot.Measure) eventv1.Measure { return eventv1.Measure(v) }

// PartyRole is a role of a party on the wire.
func PartyRole(v lot.PartyRole) eventv1.PartyRole { return eventv1.PartyRole(v) }

// ItemKind is a kind of item on the wire.
func ItemKind(v lot.ItemKind) eventv1.ItemKind { return eventv1.ItemKind(v) }

// Ownership is an ownership on the wire.
func Ownership(v lot.Ownership) eventv1.Ownership { return eventv1.Ownership(v) }

// Source is a source on the wire.
func Source(v lot.Source) eventv1.Source { return eventv1.Source(v) }

// Role is a role of an output on the wire.
func Role(v lot.Role) eventv1.OutputRole { return eventv1.OutputRole(v) }

// ShipmentKind is a kind of shipment on the wire.
func ShipmentKind(v lot.ShipmentKind) eventv1.ShipmentKind { return eventv1.ShipmentKind(v) }

// HoldClass is a class of hold on the wire.
func HoldClass(v lot.HoldClass) eventv1.HoldClass { return eventv1.HoldClass(v) }

// Disposition is a disposition on the wire.
func Disposition(v lot.Disposition) eventv1.Disposition { return eventv1.Disposition(v) }

// ChargeKind is a kind of charge on the wire.
func ChargeKind(v lot.ChargeKind) eventv1.ChargeKind { return eventv1.ChargeKind(v) }

func known[L ~int, W ~int32](what string, names map[int32]string, v W) (L, error) {
	if _, ok := names[int32(v)]; !ok || v == 0 {
		return 0, fault.Invalid("enum_unknown", "%s %d: 1 to %d are known", what, v, len(names)-1)
	}
	return L(v), nil
}

// ppm is a share in parts per million on the wire: below zero means unknown, which is absent there.
func ppm(n int64) *int64 {
	if n < 0 {
		return nil
	}
	return &n
}

func parsePPM(n *int64) (int64, error) {
	switch {
	case n == nil:
		return -1, nil
	case *n < 0 || *n > 1_000_000:
		return 0, fault.Invalid("ppm_out_of_range", "share of %d parts per million: 0 to 1,000,000 are allowed", *n)
	}
	return *n, nil
}

func price(p *money.Price) *int64 {
	if p == nil {
		return nil
	}
	n := int64(*p)
	return &n
}

func parsePrice(n *int64) *money.Price {
	if n == nil {
		return nil
	}
	p := money.Price(*n)
	return &p
}

// texts and fromTexts carry lists of codes.
func texts[S ~string](in []S) []string { return each(in, func(s S) string { return string(s) }) }

func fromTexts[S ~string](in []string) []S { return each(in, func(s string) S { return S(s) }) }

// each maps a list; an empty one becomes nil, so that absent and empty are one.
func each[A, B any](in []A, fn func(A) B) []B {
	if len(in) == 0 {
		return nil
	}
	out := make([]B, len(in))
	for i, a := range in {
		out[i] = fn(a)
	}
	return out
}

func tryEach[A, B any](in []A, fn func(A) (B, error)) ([]B, error) {
	if len(in) == 0 {
		return nil, nil
	}
	out := make([]B, len(in))
	for i, a := range in {
		b, err := fn(a)
		if err != nil {
			return nil, err
		}
		out[i] = b
	}
	return out, nil
}
