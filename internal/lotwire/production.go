package lotwire

import (
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	eventv1 "huskline/proto/huskline/event/v1"
)

// RunOpened is a run that began, on the wire.
func RunOpened(r lot.RunOpened) *eventv1.RunOpened {
	return &eventv1.RunOpened{
		Run: string(r.Run), Stage: r.Stage, Line: r.Line, Start: Time(r.Start), Owner: string(r.Owner), Recipe: r.Recipe,
	}
}

// ParseRunOpened reads a run that began.
func ParseRunOpened(m *eventv1.RunOpened) (lot.RunOpened, error) {
	start, err := ParseTime(m.GetStart())
	return lot.RunOpened{
		Run: lot.RunID(m.GetRun()), Stage: m.GetStage(), Line: m.GetLine(), Start: start, Owner: lot.PartyID(m.GetOwner()), Recipe: m.GetRecipe(),
	}, err
}

// RunCompleted is a run that ended, on the wire.
func RunCompleted(r lot.RunCompleted) *eventv1.RunCompleted {
	return &eventv1.RunCompleted{
		Run: string(r.Run), Version: r.Version, End: Time(r.End), InputMicropounds: int64(r.Input), OutputMicropounds: int64(r.Output),
		UnaccountedMicropounds: int64(r.Unaccounted), GainReason: r.GainReason,
	}
}

// ParseRunCompleted reads a run that ended.
func ParseRunCompleted(m *eventv1.RunCompleted) (lot.RunCompleted, error) {
	end, err := ParseTime(m.GetEnd())
	return lot.RunCompleted{
		Run: lot.RunID(m.GetRun()), Version: m.GetVersion(), End: end, Input: lot.Quantity(m.GetInputMicropounds()),
		Output: lot.Quantity(m.GetOutputMicropounds()), Unaccounted: lot.Quantity(m.GetUnaccountedMicropounds()), GainReason: m.GetGainReason(),
	}, err
}

// RunCorrected is a completed run as it should have been recorded, on the wire.
func RunCorrected(r lot.RunCorrected) *eventv1.RunCorrected {
	return &eventv1.RunCorrected{Opened: RunOpened(r.Opened), Completed: RunCompleted(r.Completed), Reason: r.Reason}
}

// ParseRunCorrected reads a corrected run; one without its beginning or its end is refused.
func ParseRunCorrected(m *eventv1.RunCorrected) (lot.RunCorrected, error) {
	if m.GetOpened() == nil || m.GetCompleted() == nil {
		return lot.RunCorrected{}, fault.Invalid("event_malformed", "corrected run: opened and completed are both required")
	}
	opened, err := ParseRunOpened(m.GetOpened())
	if err != nil {
		return lot.RunCorrected{}, err
	}
	completed, err := ParseRunCompleted(m.GetCompleted())
	return lot.RunCorrected{Opened: opened, Completed: completed, Reason: m.GetReason()}, err
}

// ChargePosted is a charge on the wire.
func ChargePosted(c lot.ChargePosted) *eventv1.ChargePosted {
	return &eventv1.ChargePosted{
		Charge: c.Charge, Runs: texts(c.Runs), Kind: ChargeKind(c.ChargeKind), HoursMillionths: c.HoursMillionths, RateMicros: int64(c.Rate),
		AmountMicros: int64(c.Amount), Replaces: c.Replaces,
	}
}

// ParseChargePosted reads a charge.
func ParseChargePosted(m *eventv1.ChargePosted) (lot.ChargePosted, error) {
	kind, err := ParseChargeKind(m.GetKind())
	return lot.ChargePosted{
		Charge: m.GetCharge(), Runs: fromTexts[lot.RunID](m.GetRuns()), ChargeKind: kind, HoursMillionths: m.GetHoursMillionths(),
		Rate: money.Price(m.GetRateMicros()), Amount: money.Amount(m.GetAmountMicros()), Replaces: m.GetReplaces(),
	}, err
}
