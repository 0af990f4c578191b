package lotwire

import (
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Held is a hold on a lot, on the wire.
func Held(h lot.Held) *eventv1.LotHeld {
	return &eventv1.LotHeld{
		Hold: h.Hold, Class: HoldClass(h.Class), Root: string(h.Root), Lot: string(h.Lot), Containers: texts(h.Containers),
		FillFrom: Time(h.FillFrom), FillTo: Time(h.FillTo), Reason: h.Reason, Recall: h.Recall,
	}
}

// ParseHeld reads a hold on a lot.
func ParseHeld(m *eventv1.LotHeld) (lot.Held, error) {
	class, err := ParseHoldClass(m.GetClass())
	from, err2 := ParseTime(m.GetFillFrom())
	to, err3 := ParseTime(m.GetFillTo())
	return lot.Held{
		Hold: m.GetHold(), Class: class, Root: lot.ID(m.GetRoot()), Lot: lot.ID(m.GetLot()), Containers: fromTexts[string](m.GetContainers()),
		FillFrom: from, FillTo: to, Reason: m.GetReason(), Recall: m.GetRecall(),
	}, first(err, err2, err3)
}

// HoldEnded is a lifted hold on the wire.
func HoldEnded(h lot.HoldEnded) *eventv1.HoldEnded {
	return &eventv1.HoldEnded{Hold: h.Hold, Lot: string(h.Lot), Excluded: h.Excluded, Reason: h.Reason}
}

// ParseHoldEnded reads a lifted hold.
func ParseHoldEnded(m *eventv1.HoldEnded) (lot.HoldEnded, error) {
	return lot.HoldEnded{Hold: m.GetHold(), Lot: lot.ID(m.GetLot()), Excluded: m.GetExcluded(), Reason: m.GetReason()}, nil
}

// Disposed is a disposition on the wire.
func Disposed(d lot.Disposed) *eventv1.LotDisposed {
	return &eventv1.LotDisposed{
		DispositionId: d.DispositionID, Hold: d.Hold, Lot: string(d.Lot), Decision: Disposition(d.Decision), Quantity: int64(d.Quantity),
		Reason: d.Reason,
	}
}

// ParseDisposed reads a disposition.
func ParseDisposed(m *eventv1.LotDisposed) (lot.Disposed, error) {
	decision, err := ParseDisposition(m.GetDecision())
	return lot.Disposed{
		DispositionID: m.GetDispositionId(), Hold: m.GetHold(), Lot: lot.ID(m.GetLot()), Decision: decision,
		Quantity: lot.Quantity(m.GetQuantity()), Reason: m.GetReason(),
	}, err
}
