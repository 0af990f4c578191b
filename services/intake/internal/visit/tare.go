package visit

import (
	"context"
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
)

// The bounds of what is registered of a vehicle. A tare changes with fuel, mud and repairs: a year is the longest that anyone may set.
const (
	maxNote     = 500
	maxTareDays = 366
)

// Register adds a vehicle or changes it from now on. Tares that were stored before keep the time until which they hold.
func Register(ctx context.Context, tx Tx, v lot.VehicleChanged) ([]lot.Event, error) {
	var err error
	if v.Plate, err = Plate(v.Plate); err != nil {
		return nil, err
	}
	if err := form.Text("vehicle "+v.Plate+", note", v.Note, maxNote); err != nil {
		return nil, err
	}
	if v.TareDays < 0 || v.TareDays > maxTareDays {
		return nil, fault.Invalid("tare_days", "vehicle %s: a stored tare for %d days; 0 to %d are allowed", v.Plate, v.TareDays, maxTareDays)
	}
	if err := tx.SaveVehicle(ctx, v); err != nil {
		return nil, err
	}
	return []lot.Event{{Effective: tx.Now(), Body: v}}, nil
}

// Tare is a tare to be kept: a weighing of a visit, or digits that a person keys in.
type Tare struct {
	Plate    string
	Visit    int64
	Weighing int64
	Digits   string
	Unit     string
	Time     time.Time
	Draft    lot.Draft
	DriverOn bool
	Reason   string
	By       string
}

// Store keeps a tare for later visits, until the days are over that the register sets for the vehicle.
func Store(ctx context.Context, tx Tx, t Tare) (lot.TareStored, []lot.Event, error) {
	plate, err := Plate(t.Plate)
	if err != nil {
		return lot.TareStored{}, nil, err
	}
	vehicle, err := tx.Vehicle(ctx, plate)
	switch {
	case err != nil:
		return lot.TareStored{}, nil, err
	case vehicle == nil:
		return lot.TareStored{}, nil, fault.NotFound("vehicle_unknown", "vehicle %s: it is not registered", plate)
	case vehicle.TareDays == 0:
		return lot.TareStored{}, nil, fault.Precondition("tare_not_kept", "vehicle %s: the register allows no stored tare of it", plate)
	}
	fact := lot.TareStored{Plate: plate, Reason: t.Reason, By: t.By}
	if t.Visit != 0 {
		err = t.weighed(ctx, tx, &fact)
	} else {
		err = t.keyed(tx.Now(), &fact)
	}
	if err != nil {
		return lot.TareStored{}, nil, err
	}
	at := latest(fact.Indications)
	fact.Expires = at.AddDate(0, 0, int(vehicle.TareDays))
	if !fact.Expires.After(tx.Now()) {
		return lot.TareStored{}, nil, fault.Precondition("tare_expired", "tare of vehicle %s, weighed at %s: it holds for %d days, which are over", plate, stamp(at),
			vehicle.TareDays)
	}
	if fact.Tare, err = tx.NextNumber(ctx, tareSeries); err != nil {
		return lot.TareStored{}, nil, err
	}
	if err := tx.SaveTare(ctx, fact); err != nil {
		return lot.TareStored{}, nil, err
	}
	return fact, []lot.Event{{Effective: tx.Now(), Body: fact}}, nil
}

// weighed takes a weighing of a visit: one that is the tare of a line, so that nobody stores a loaded vehicle's weight.
func (t Tare) weighed(ctx context.Context, tx Tx, fact *lot.TareStored) error {
	if t.Digits != "" {
		return fault.Invalid("tare_twice", "tare of vehicle %s: a weighing and digits are given; it is one of them", fact.Plate)
	}
	s, err := tx.Visit(ctx, t.Visit)
	switch {
	case err != nil:
		return err
	case s == nil:
		return unknown(t.Visit)
	case s.Plate != fact.Plate:
		return fault.Precondition("visit_plate", "visit %d: it is of plate %s, not of %s", s.ID, s.Plate, fact.Plate)
	}
	standing := s.Standing()
	at := slices.IndexFunc(standing, func(w lot.VisitWeighed) bool { return w.Number == t.Weighing })
	if at < 0 {
		return fault.NotFound("weighing_unknown", "visit %d, weighing %d: there is none that stands", s.ID, t.Weighing)
	}
	lines, err := s.Lines()
	if err != nil {
		return err
	}
	if s.Closed == nil || !slices.ContainsFunc(lines, func(l Line) bool { return l.Tare.Weighing == t.Weighing }) {
		return fault.Precondition("weighing_no_tare", "visit %d, weighing %d: it is the tare of no line of a closed visit", s.ID, t.Weighing)
	}
	w := standing[at]
	fact.Visit, fact.Weighing, fact.Draft, fact.DriverOn, fact.Indications = s.ID, w.Number, w.Draft, w.DriverOn, w.Indications
	fact.Keyed = slices.ContainsFunc(w.Indications, func(i lot.Indication) bool { return i.Keyed != 0 })
	return nil
}

// keyed takes digits that a person keys in.
func (t Tare) keyed(now time.Time, fact *lot.TareStored) error {
	if err := form.Text("reason", t.Reason, maxReason); err != nil {
		return err
	}
	if err := form.Moment("tare, time", t.Time, now); err != nil {
		return err
	}
	switch {
	case t.Reason == "":
		return fault.Invalid("reason_missing", "tare of vehicle %s: keying one in needs a reason", fact.Plate)
	case t.Draft < lot.SingleDraft || t.Draft > lot.EndsDraft:
		return fault.Invalid("draft_unknown", "tare of vehicle %s: how it stood must be given", fact.Plate)
	}
	mass, err := typed(t.Digits, t.Unit)
	if err != nil {
		return err
	}
	fact.Keyed, fact.Draft, fact.DriverOn = true, t.Draft, t.DriverOn
	fact.Indications = []lot.Indication{{Digits: t.Digits, Unit: t.Unit, Mass: mass, Time: t.Time}}
	return nil
}

// maxDecimals is how fine a typed weight may be in its unit: more places than a micropound has are a mistake of typing.
const maxDecimals = 6

// typed reads a weight that a person typed: above zero, no finer than a micropound.
func typed(digits, unit string) (weight.Mass, error) {
	u, err := weight.ParseUnit(unit)
	if err != nil {
		return 0, err
	}
	mass, err := weight.FromReading(digits, u)
	if err != nil {
		return 0, err
	}
	if _, decimals, _ := strings.Cut(digits, "."); len(decimals) > maxDecimals {
		return 0, fault.Invalid("number_too_fine", "digits %q: %d decimals, at most %d are allowed", digits, len(decimals), maxDecimals)
	}
	if mass <= 0 {
		return 0, fault.Invalid("weight_not_positive", "digits %q: a weight of a vehicle is above zero", digits)
	}
	return mass, nil
}
