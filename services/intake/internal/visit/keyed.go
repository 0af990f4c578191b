package visit

import (
	"context"
	"fmt"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/weighing"
)

// Keyed is a weight that a person keyed in, with what was found of it. It stays what it is where the scale's reading comes later: both are shown,
// with their difference.
type Keyed struct {
	lot.WeightKeyed
	Sequence     int64 // of the reading that it is; 0: none was found
	ByNumber     bool  // the indicator's ticket number is that sequence; otherwise a person matched them
	Reading      weight.Mass
	SupersededBy int64 // number of the keyed weight that stands in place of it; 0: none
	Used         Use
}

// Use is where a weight was used.
type Use struct {
	Visit int64  // 0: in none
	Lot   lot.ID // whose delivery it went into; empty: none
	Keyed int64  // of a reading: it was used as this keyed weight
}

// Free tells whether the weight was not used.
func (u Use) Free() bool { return u.Visit == 0 && u.Lot == "" }

// In says where.
func (u Use) In() string {
	if u.Visit == 0 {
		return "lot " + string(u.Lot)
	}
	return fmt.Sprintf("visit %d", u.Visit)
}

// Usable refuses a keyed weight that another stands in place of, or that was used elsewhere than in a lot.
func (k Keyed) Usable(in lot.ID) error {
	switch {
	case k.SupersededBy != 0:
		return fault.Precondition("keyed_superseded", "keyed weight %d: keyed weight %d stands in place of it", k.Keyed, k.SupersededBy)
	case k.Used.Visit != 0 || k.Used.Lot != "" && k.Used.Lot != in:
		return fault.Conflict("keyed_used", "keyed weight %d: it was used in %s; a weight is used once", k.Keyed, k.Used.In())
	}
	return nil
}

// shown is the keyed weight as a weight of a weighing.
func (k Keyed) shown() lot.Indication {
	return lot.Indication{Scale: k.Scale, Keyed: k.Keyed, Digits: k.Digits, Unit: k.Unit, Mass: k.Mass, Time: k.Time}
}

// keyedSeries numbers keyed weights.
const keyedSeries = "keyed"

// Key records a weight that a person reads off an indicator.
func Key(ctx context.Context, tx Tx, k lot.WeightKeyed) (int64, []lot.Event, error) {
	var err error
	if k.Mass, err = keyedForm(tx, k); err != nil {
		return 0, nil, err
	}
	known, err := tx.LookUp(ctx, Want{Scales: []string{k.Scale}, Keyed: []int64{k.Supersedes}})
	if err != nil {
		return 0, nil, err
	}
	on, ok := known.Scales[k.Scale]
	if !ok {
		return 0, nil, fault.NotFound("scale_unknown", "scale %s: it is not registered", k.Scale)
	}
	marks, err := weighing.Keyed(on, weighing.Stored{
		Reading: weighing.Reading{Scale: k.Scale, Digits: k.Digits, Unit: k.Unit, Time: k.Time}, Mass: k.Mass,
	}, tx.Now())
	if err != nil {
		return 0, nil, err
	}
	k.Marks = marks.Names()
	if k.Supersedes != 0 {
		if err := replaceable(k, known); err != nil {
			return 0, nil, err
		}
	}
	if k.Keyed, err = tx.NextNumber(ctx, keyedSeries); err != nil {
		return 0, nil, err
	}
	if err := tx.SaveKeyed(ctx, k); err != nil {
		return 0, nil, err
	}
	return k.Keyed, []lot.Event{{Effective: k.Time, Body: k}}, nil
}

func keyedForm(tx Tx, k lot.WeightKeyed) (weight.Mass, error) {
	if err := form.Code("ticket", k.Ticket); err != nil {
		return 0, err
	}
	if err := form.Text("reason", k.Reason, maxReason); err != nil {
		return 0, err
	}
	if k.Reason == "" {
		return 0, fault.Invalid("reason_missing", "scale %s, ticket %s: keying a weight in needs a reason", k.Scale, k.Ticket)
	}
	if err := form.Moment("keyed weight, time", k.Time, tx.Now()); err != nil {
		return 0, err
	}
	return typed(k.Digits, k.Unit)
}

// replaceable refuses to put a keyed weight in place of one that something rests on.
func replaceable(k lot.WeightKeyed, known Known) error {
	old, ok := known.Keyed[k.Supersedes]
	switch {
	case !ok:
		return unknownKeyed(k.Supersedes)
	case old.Scale != k.Scale:
		return fault.Precondition("keyed_scale", "keyed weight %d: it is of scale %s, not of %s", old.Keyed, old.Scale, k.Scale)
	}
	return old.Usable("")
}

func unknownKeyed(number int64) error {
	return fault.NotFound("keyed_unknown", "keyed weight %d: there is none of this number", number)
}

// Match records which reading of the scale a keyed weight is, as a person found by weight and time. One that the indicator's number tells needs
// nobody.
func Match(ctx context.Context, tx Tx, m lot.WeightMatched) (lot.WeightMatched, []lot.Event, error) {
	if err := form.Text("reason", m.Reason, maxReason); err != nil {
		return m, nil, err
	}
	known, err := tx.LookUp(ctx, Want{Keyed: []int64{m.Keyed}})
	if err != nil {
		return m, nil, err
	}
	k, ok := known.Keyed[m.Keyed]
	switch {
	case !ok:
		return m, nil, unknownKeyed(m.Keyed)
	case k.Sequence != 0 && !k.ByNumber:
		return m, nil, fault.Precondition("keyed_matched", "keyed weight %d: it was matched with the reading of sequence %d", k.Keyed, k.Sequence)
	case m.Reason == "":
		return m, nil, fault.Invalid("reason_missing", "keyed weight %d: matching it needs a reason", k.Keyed)
	}
	key := ReadingKey{Scale: k.Scale, Sequence: m.Sequence}
	if known, err = tx.LookUp(ctx, Want{Readings: []ReadingKey{key}}); err != nil {
		return m, nil, err
	}
	r, ok := known.Readings[key]
	if !ok {
		return m, nil, fault.NotFound("reading_unknown", "scale %s: no reading is stored under sequence %d", key.Scale, key.Sequence)
	}
	if use := known.Used[key]; !k.Used.Free() && !use.Free() && use.Keyed != k.Keyed && (use.Visit == 0 || use.Visit != k.Used.Visit) {
		return m, nil, fault.Conflict("reading_used", "scale %s, sequence %d: it was used in %s and keyed weight %d in %s; one weight is used once", key.Scale,
			key.Sequence, use.In(), k.Keyed, k.Used.In())
	}
	m.Scale, m.Mass, m.Difference = k.Scale, r.Mass, r.Mass-k.Mass
	if err := tx.SaveMatch(ctx, m); err != nil {
		return m, nil, err
	}
	return m, []lot.Event{{Effective: tx.Now(), Body: m}}, nil
}
