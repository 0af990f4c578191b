package visit

import (
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
)

// The bounds of a visit.
const (
	maxReason    = 500
	maxWeighings = 100 // of one visit; a truck that serves more pits than that has come twice
)

// Source names one weight of a weighing: a reading, or a keyed weight.
type Source struct {
	Scale    string
	Sequence int64
	Keyed    int64 // 0: it is a reading
}

// Weighing is one weighing of a vehicle as it is to be recorded.
type Weighing struct {
	Plate      string
	Visit      int64 // 0: it opens one
	Party      lot.PartyID
	Draft      lot.Draft
	DriverOn   bool
	Weights    []Source
	StaysOpen  bool
	Tare       int64 // stored tare that closes the visit; 0: none
	Supersedes int64
	Reason     string
	Weigher    string
}

// Weigh records a weighing and closes the visit where it is the last. It returns the visit as it stands then.
func Weigh(ctx context.Context, tx Tx, w Weighing) (State, []lot.Event, error) {
	if err := w.form(); err != nil {
		return State{}, nil, err
	}
	plate, err := Plate(w.Plate)
	if err != nil {
		return State{}, nil, err
	}
	s, err := w.visit(ctx, tx, plate)
	if err != nil {
		return State{}, nil, err
	}
	shown, err := w.indications(ctx, tx, s)
	if err != nil {
		return State{}, nil, err
	}
	fact := lot.VisitWeighed{
		Visit: s.ID, Number: int64(len(s.Weighings)) + 1, Plate: plate, Party: w.Party, Draft: w.Draft, DriverOn: w.DriverOn, Indications: shown,
		Supersedes: w.Supersedes, Reason: w.Reason, Weigher: w.Weigher,
	}
	if err := s.admit(fact); err != nil {
		return State{}, nil, err
	}
	at := latest(shown)
	if len(s.Weighings) == 0 {
		s.Opened = at
	}
	s.Weighings = append(s.Weighings, fact)
	if w.Party != "" {
		s.Party = w.Party
	}
	if err := tx.SaveWeighing(ctx, fact, at); err != nil {
		return State{}, nil, err
	}
	events := []lot.Event{{Effective: at, Body: fact}}
	closing, err := w.closing(ctx, tx, &s)
	if err != nil || closing == nil {
		return s, events, err
	}
	if err := tx.SaveClosing(ctx, *closing); err != nil {
		return State{}, nil, err
	}
	return s, append(events, lot.Event{Effective: at, Body: *closing}), nil
}

func (w Weighing) form() error {
	if err := form.Text("reason", w.Reason, maxReason); err != nil {
		return err
	}
	switch {
	case w.Draft < lot.SingleDraft || w.Draft > lot.EndsDraft:
		return fault.Invalid("draft_unknown", "draft %d: a vehicle stands single, in uncoupled elements, on decks together, or one end after the other", w.Draft)
	case len(w.Weights) == 0:
		return fault.Invalid("weighing_empty", "weighing: it names no weight")
	case w.Draft == lot.SingleDraft && len(w.Weights) > 1:
		return fault.Invalid("draft_not_single", "weighing: %d weights; a single draft has one", len(w.Weights))
	case w.Supersedes != 0 && w.Reason == "":
		return fault.Invalid("reason_missing", "weighing in place of weighing %d: it needs a reason", w.Supersedes)
	case w.Supersedes != 0 && w.Visit == 0:
		return fault.Invalid("visit_missing", "weighing in place of weighing %d: its visit must be named", w.Supersedes)
	}
	return nil
}

// visit finds the visit that the weighing belongs to, or opens one.
func (w Weighing) visit(ctx context.Context, tx Tx, plate string) (State, error) {
	if w.Visit == 0 {
		switch open, err := tx.OpenVisit(ctx, plate); {
		case err != nil:
			return State{}, err
		case open != 0:
			return State{}, fault.Precondition("visit_open", "plate %s: visit %d is open; name it to go on with it, or close it", plate, open)
		}
		number, err := tx.NextNumber(ctx, visitSeries)
		return State{ID: number, Plate: plate}, err
	}
	s, err := tx.Visit(ctx, w.Visit)
	switch {
	case err != nil:
		return State{}, err
	case s == nil:
		return State{}, unknown(w.Visit)
	case s.Plate != plate:
		return State{}, fault.Precondition("visit_plate", "visit %d: it is of plate %s, not of %s", s.ID, s.Plate, plate)
	}
	return *s, nil
}

func unknown(visit int64) error {
	return fault.NotFound("visit_unknown", "visit %d: there is none of this number", visit)
}

// indications gives the weights that are named, as the scales sent them or as a person keyed them in.
func (w Weighing) indications(ctx context.Context, tx Tx, s State) ([]lot.Indication, error) {
	want := Want{Party: w.Party}
	for i, one := range w.Weights {
		if slices.Contains(w.Weights[:i], one) {
			return nil, fault.Invalid("weight_twice", "weighing: weight %d is named twice; each part of a vehicle is weighed once", i+1)
		}
		if one.Keyed != 0 {
			want.Keyed = append(want.Keyed, one.Keyed)
		} else {
			want.Readings = append(want.Readings, ReadingKey{one.Scale, one.Sequence})
		}
	}
	known, err := tx.LookUp(ctx, want)
	switch {
	case err != nil:
		return nil, err
	case w.Party != "" && !known.Party:
		return nil, fault.NotFound("party_unknown", "party %s: it is not registered", w.Party)
	}
	var out []lot.Indication
	for i, one := range w.Weights {
		shown, err := one.indication(known, s.keyedIn(w.Supersedes))
		if err != nil {
			return nil, err
		}
		if k := known.Keyed[one.Keyed]; k.Sequence != 0 && slices.Contains(w.Weights, Source{Scale: k.Scale, Sequence: k.Sequence}) {
			return nil, fault.Invalid("weight_twice", "weighing: weight %d, keyed weight %d, is a reading that is named too; each part of a vehicle is weighed once",
				i+1, k.Keyed)
		}
		out = append(out, shown)
	}
	return out, nil
}

// indication gives one weight. The reading of a keyed weight may stand in its place in a weighing that supersedes the keyed one's.
func (one Source) indication(known Known, superseded []int64) (lot.Indication, error) {
	if one.Keyed != 0 {
		k, ok := known.Keyed[one.Keyed]
		switch {
		case !ok:
			return lot.Indication{}, unknownKeyed(one.Keyed)
		case one.Sequence != 0 || one.Scale != "" && one.Scale != k.Scale:
			return lot.Indication{}, fault.Invalid("weight_twice", "keyed weight %d: a reading is named with it; it is the one or the other", one.Keyed)
		}
		return k.shown(), k.Usable("")
	}
	key := ReadingKey{one.Scale, one.Sequence}
	r, ok := known.Readings[key]
	if !ok {
		return lot.Indication{}, fault.NotFound("reading_unknown", "scale %s: no reading is stored under sequence %d", key.Scale, key.Sequence)
	}
	switch use := known.Used[key]; {
	case use.Free() || use.Keyed != 0 && slices.Contains(superseded, use.Keyed):
	case use.Keyed != 0:
		return lot.Indication{}, fault.Conflict("reading_used", "scale %s, sequence %d: the weight was used as keyed weight %d in %s; it is used once", key.Scale,
			key.Sequence, use.Keyed, use.In())
	default:
		return lot.Indication{}, fault.Conflict("reading_used", "scale %s, sequence %d: the reading was used in %s; it is used once", key.Scale, key.Sequence, use.In())
	}
	return lot.Indication{Scale: key.Scale, Sequence: key.Sequence, Digits: r.Digits, Unit: r.Unit, Mass: r.Mass, Time: r.Time.UTC()}, nil
}

// keyedIn is the keyed weights of a weighing.
func (s State) keyedIn(weighing int64) []int64 {
	var out []int64
	for _, w := range s.Weighings {
		for _, i := range w.Indications {
			if w.Number == weighing && i.Keyed != 0 {
				out = append(out, i.Keyed)
			}
		}
	}
	return out
}

// admit judges whether a weighing may be added to the visit.
func (s State) admit(w lot.VisitWeighed) error {
	standing := s.Standing()
	if w.Supersedes != 0 {
		if !slices.ContainsFunc(standing, func(o lot.VisitWeighed) bool { return o.Number == w.Supersedes }) {
			return fault.NotFound("weighing_unknown", "visit %d, weighing %d: there is none that stands", s.ID, w.Supersedes)
		}
		return s.untouched()
	}
	if s.Closed != nil {
		return fault.Precondition("visit_closed", "visit %d: it is closed; a new weighing must say which one it stands in place of", s.ID)
	}
	if n := len(s.Weighings); n >= maxWeighings {
		return fault.Precondition("weighings_too_many", "visit %d: %d weighings, at most %d are allowed", s.ID, n, maxWeighings)
	}
	if len(standing) == 0 {
		return nil
	}
	last := standing[len(standing)-1]
	if at, before := latest(w.Indications), latest(last.Indications); at.Before(before) {
		return fault.Precondition("weighing_before_last", "visit %d: a weighing of %s comes before the last one, of %s; each weighing follows the one before",
			s.ID, stamp(at), stamp(before))
	}
	return nil
}

// untouched refuses a change of weights that something rests on.
func (s State) untouched() error {
	for line, id := range s.Used {
		if id != "" {
			return fault.Precondition("visit_used", "visit %d, line %d: it went into lot %s; correct or void that delivery first", s.ID, line, id)
		}
	}
	for line, t := range s.Tickets {
		if t.Stands {
			return fault.Precondition("ticket_stands", "visit %d, line %d: ticket %s-%d stands; void it first", s.ID, line, t.Series, t.Number)
		}
	}
	return nil
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// closing is the end of the visit where this weighing is its last; nil where it stays open or was closed before. The lines of a closed visit keep
// the rules.
func (w Weighing) closing(ctx context.Context, tx Tx, s *State) (*lot.VisitClosed, error) {
	var closing *lot.VisitClosed
	standing := len(s.Standing())
	switch {
	case s.Closed != nil && w.Tare != 0:
		return nil, fault.Precondition("visit_closed", "visit %d: it is closed; a stored tare changes nothing of it", s.ID)
	case s.Closed != nil:
		if err := s.tareHolds(); err != nil {
			return nil, err
		}
	case w.Tare == 0 && (w.StaysOpen || standing < 2):
		return nil, nil
	case w.Tare != 0 && w.StaysOpen:
		return nil, fault.Invalid("tare_closes", "visit %d: a stored tare closes it, so it cannot stay open", s.ID)
	default:
		closing = &lot.VisitClosed{Visit: s.ID, Tare: w.Tare, By: w.Weigher}
		if err := s.end(ctx, tx, *closing); err != nil {
			return nil, err
		}
	}
	return closing, s.judge(ctx, tx)
}

// end gives the visit its end.
func (s *State) end(ctx context.Context, tx Tx, c lot.VisitClosed) error {
	s.Closed = &c
	if c.Tare == 0 {
		return nil
	}
	standing := s.Standing()
	t, err := tx.Tare(ctx, c.Tare)
	switch {
	case err != nil:
		return err
	case t == nil:
		return fault.NotFound("tare_unknown", "stored tare %d: there is none of this number", c.Tare)
	case t.Plate != s.Plate:
		return fault.Precondition("tare_plate", "stored tare %d: it is of plate %s, not of %s", c.Tare, t.Plate, s.Plate)
	case len(standing) != 1:
		return fault.Precondition("tare_not_needed", "visit %d: %d weighings; a stored tare stands in place of the second", s.ID, len(standing))
	}
	s.Tare = t
	return s.tareHolds()
}

// tareHolds refuses a stored tare that had expired when the weighing that it stands beside was made; a re-weigh is judged by its own time.
func (s State) tareHolds() error {
	if s.Tare == nil {
		return nil
	}
	for _, w := range s.Standing() {
		if at := latest(w.Indications); !at.Before(s.Tare.Expires) {
			return fault.Precondition("tare_expired", "stored tare %d of plate %s: it held until %s, the vehicle was weighed at %s", s.Tare.Tare, s.Plate,
				stamp(s.Tare.Expires), stamp(at))
		}
	}
	return nil
}

// Closing is the end of a visit as it is to be recorded.
type Closing struct {
	Visit  int64
	Tare   int64
	Reason string
	By     string
}

// Close ends a visit that no further weighing will close.
func Close(ctx context.Context, tx Tx, c Closing) ([]lot.Event, error) {
	if err := form.Text("reason", c.Reason, maxReason); err != nil {
		return nil, err
	}
	if c.Reason == "" {
		return nil, fault.Invalid("reason_missing", "visit %d: closing it without a weighing needs a reason", c.Visit)
	}
	s, err := tx.Visit(ctx, c.Visit)
	switch {
	case err != nil:
		return nil, err
	case s == nil:
		return nil, unknown(c.Visit)
	case s.Closed != nil:
		return nil, fault.Precondition("visit_closed", "visit %d: it is closed", s.ID)
	}
	fact := lot.VisitClosed{Visit: s.ID, Tare: c.Tare, Reason: c.Reason, By: c.By}
	if err := s.end(ctx, tx, fact); err != nil {
		return nil, err
	}
	if err := s.judge(ctx, tx); err != nil {
		return nil, err
	}
	if err := tx.SaveClosing(ctx, fact); err != nil {
		return nil, err
	}
	return []lot.Event{{Effective: tx.Now(), Body: fact}}, nil
}

// judge holds the lines of a closed visit to the rules of scales.
func (s State) judge(ctx context.Context, tx Tx) error {
	lines, err := s.Lines()
	if err != nil || len(lines) == 0 {
		return err
	}
	var want Want
	for _, l := range lines {
		want.Scales = append(append(want.Scales, scalesOf(l.Gross)...), scalesOf(l.Tare)...)
	}
	known, err := tx.LookUp(ctx, want)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if err := l.judge(known.Scales); err != nil {
			return fault.New(fault.KindOf(err), fault.ReasonOf(err), "visit %d, line %d: %w", s.ID, l.Number, err)
		}
	}
	return nil
}
