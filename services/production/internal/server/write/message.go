package write

import (
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production/internal/run"
)

// unknown is a moisture that was not measured.
const unknown = -1

// times reads several times of a message and keeps the first fault.
type times struct{ err error }

func (t *times) parse(at *timestamppb.Timestamp) time.Time {
	got, err := lotwire.ParseTime(at)
	if err != nil && t.err == nil {
		t.err = err
	}
	return got
}

func inputOf(m *productionv1.InputLine) (run.Input, error) {
	var t times
	in := run.Input{
		Lot: lot.ID(m.GetLot()), Quantity: lot.Quantity(m.GetQuantity()), Place: lot.PlaceID(m.GetPlace()),
		DumpedFrom: t.parse(m.GetDumpedFrom()), DumpedTo: t.parse(m.GetDumpedTo()), MoisturePPM: unknown,
		Container: m.GetContainer(),
	}
	if m.MoisturePpm != nil {
		in.MoisturePPM = m.GetMoisturePpm()
	}
	return in, t.err
}

func outputOf(m *productionv1.OutputLine) (run.Output, error) {
	role, err := lotwire.ParseRole(m.GetRole())
	if err != nil {
		return run.Output{}, err
	}
	if m.GetClaimant() != "" && uuid.Validate(m.GetClaimant()) != nil {
		return run.Output{}, fault.Invalid("claimant_malformed", "output %s: its claimant %q is no UUID", m.GetLot(), m.GetClaimant())
	}
	var t times
	out := run.Output{
		Lot: lot.ID(m.GetLot()), Claimant: m.GetClaimant(), Item: lot.ItemID(m.GetItem()), Quantity: lot.Quantity(m.GetQuantity()), Role: role,
		Place: lot.PlaceID(m.GetPlace()), FilledFrom: t.parse(m.GetFilledFrom()), FilledTo: t.parse(m.GetFilledTo()), MoisturePPM: unknown,
		Container: m.GetContainer(),
	}
	if m.MoisturePpm != nil {
		out.MoisturePPM = m.GetMoisturePpm()
	}
	return out, t.err
}

func factsOf(m *productionv1.RunFacts) (run.Facts, error) {
	var t times
	f := run.Facts{
		Run: lot.RunID(m.GetRun()), Stage: m.GetStage(), Line: m.GetLine(), Start: t.parse(m.GetStart()), End: t.parse(m.GetEnd()),
		Recipe: m.GetRecipe(), Contributions: lotwire.ParseContributions(m.GetContributions()), GainReason: m.GetGainReason(),
	}
	for _, line := range m.GetInputs() {
		in, err := inputOf(line)
		if err != nil {
			return f, err
		}
		f.Inputs = append(f.Inputs, in)
	}
	for _, line := range m.GetOutputs() {
		out, err := outputOf(line)
		if err != nil {
			return f, err
		}
		f.Outputs = append(f.Outputs, out)
	}
	for _, line := range m.GetCharges() {
		c, err := lotwire.ParseChargePosted(line)
		if err != nil {
			return f, err
		}
		f.Charges = append(f.Charges, c)
	}
	return f, t.err
}

func correctionOf(r *productionv1.CorrectRunRequest) (run.Correction, error) {
	c := run.Correction{Reason: r.GetReason()}
	var err error
	if c.Run, err = factsOf(r.GetRun()); err != nil {
		return c, err
	}
	for _, m := range r.GetLaterRuns() {
		f, err := factsOf(m)
		if err != nil {
			return c, err
		}
		c.LaterRuns = append(c.LaterRuns, f)
	}
	for _, m := range r.GetPours() {
		p, err := lotwire.ParsePoured(m)
		if err != nil {
			return c, err
		}
		c.Pours = append(c.Pours, p)
	}
	for _, m := range r.GetAdjustments() {
		a, err := lotwire.ParseAdjusted(m)
		if err != nil {
			return c, err
		}
		c.Adjustments = append(c.Adjustments, a)
	}
	for _, m := range r.GetShipments() {
		s, err := lotwire.ParseShipped(m)
		if err != nil {
			return c, err
		}
		c.Shipments = append(c.Shipments, s)
	}
	return c, nil
}
