// Package weighing takes in what scales post. Batches of readings are judged one reading at a time, so that a bad one never stops the good
// ones, and every reading is answered:
//
//	stored    kept; it counts
//	repeated  was kept before with the same content
//	refused   breaks a rule; its number stays open
//	conflict  its number was taken by another content: kept apart, shown, never counted
package weighing

import (
	"crypto/sha256"
	"encoding/binary"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/scale"
)

// Kind says what a reading weighed.
type Kind int

// The kinds of reading: with goods, without, goods alone.
const (
	Gross Kind = iota + 1
	Tare
	Net
)

// Reading is one weight as a scale sent it.
type Reading struct {
	Scale     string
	Sequence  int64
	Time      time.Time // zero where it was not given or is no time
	Digits    string
	Unit      string
	Kind      Kind
	Reference string // never looked up
}

// Hash is what a reading's content comes to.
type Hash [16]byte

// Row is a reading that keeps the rules of form, converted once.
type Row struct {
	Reading
	ScaleID int32
	Mass    weight.Mass
	Hash    Hash
}

// Key names a reading for good.
type Key struct {
	ScaleID  int32
	Sequence int64
}

// Key is the reading's name.
func (r Row) Key() Key { return Key{r.ScaleID, r.Sequence} }

// Stored is a reading as it was kept.
type Stored struct {
	Reading
	Mass     weight.Mass
	Recorded time.Time
	Historic bool
	Conflict bool // kept apart: the number was taken by another content
}

// maxReference is the longest text that may come with a reading.
const maxReference = 500

// formOf judges what holds for every reading, imported ones too, and converts it.
func formOf(r Reading, now time.Time) (Row, error) {
	if r.Sequence < 1 {
		return Row{}, fault.Invalid("sequence_below_one", "sequence %d: a scale counts 1, 2, 3 …", r.Sequence)
	}
	if err := form.ReadingMoment(r.Time, now); err != nil {
		return Row{}, err
	}
	if r.Kind < Gross || r.Kind > Net {
		return Row{}, fault.Invalid("kind_unknown", "kind %d: a reading is gross, tare or net", r.Kind)
	}
	unit, err := weight.ParseUnit(r.Unit)
	if err != nil {
		return Row{}, err
	}
	mass, err := weight.FromReading(r.Digits, unit)
	if err != nil {
		return Row{}, err
	}
	if r.Digits[0] == '-' {
		return Row{}, fault.Invalid("weight_negative", "digits %q: a weight is not below zero", r.Digits)
	}
	if err := form.Text("reference", r.Reference, maxReference); err != nil {
		return Row{}, err
	}
	return Row{Reading: r, Mass: mass, Hash: hashOf(r)}, nil
}

// hashOf is the first 16 bytes of the SHA-256 of the content, each text led by its length.
func hashOf(r Reading) Hash {
	buf := make([]byte, 0, 128)
	for _, text := range [...]string{r.Scale, r.Digits, r.Unit, r.Reference} {
		buf = binary.BigEndian.AppendUint32(buf, uint32(len(text)))
		buf = append(buf, text...)
	}
	for _, n := range [...]int64{r.Sequence, r.Time.UnixMicro(), int64(r.Kind)} {
		buf = binary.BigEndian.AppendUint64(buf, uint64(n))
	}
	sum := sha256.Sum256(buf)
	return Hash(sum[:16])
}

// liveRules are the rules for readings of a scale at a live door, judged in this order; readings of records are kept as they are. A figure that is not known sets no limit.
var liveRules = []func(r Row, s scale.Scale) error{outOfService, sealExpired, aboveCapacity, offDivision}

func outOfService(r Row, s scale.Scale) error {
	if s.InService {
		return nil
	}
	return fault.Precondition("scale_out_of_service", "scale %s: it is not in service", r.Scale)
}

func sealExpired(r Row, s scale.Scale) error {
	if s.Sealed.IsZero() || !r.Time.After(s.Sealed) {
		return nil
	}
	return fault.Precondition("seal_expired", "scale %s: its seal held until %s, the reading is of %s", r.Scale, s.Sealed.UTC().Format(time.RFC3339),
		r.Time.Format(time.RFC3339))
}

// aboveCapacity: no scale indicates above 105 % of its capacity (NIST Handbook 44, Scales Code S.1.7).
func aboveCapacity(r Row, s scale.Scale) error {
	if s.Capacity == 0 || r.Mass-s.Capacity <= s.Capacity/20 {
		return nil
	}
	return fault.Precondition("above_capacity", "scale %s: %s lb is above 105 %% of its capacity, %s lb", r.Scale, r.Mass, s.Capacity)
}

// offDivision: an indication is a whole number of divisions. Division and reading were each rounded to a micropound where the scale does not
// count in pounds, so that a multiple may be off by half of one for each division, and by one.
func offDivision(r Row, s scale.Scale) error {
	if s.Division == 0 {
		return nil
	}
	n, rest := r.Mass/s.Division, r.Mass%s.Division
	if rest > s.Division/2 {
		n, rest = n+1, s.Division-rest
	}
	if rest == 0 || r.Unit == string(weight.KilogramUnit) && rest <= n/2+1 {
		return nil
	}
	return fault.Precondition("off_division", "scale %s: %s lb is no multiple of its division, %s lb", r.Scale, r.Mass, s.Division)
}

// Place is where a page of stored readings ended.
type Place struct {
	Sequence int64
	Conflict bool
	Hash     Hash
}

// List asks for stored readings of a scale.
type List struct {
	Scale         string
	ConflictsOnly bool
	After         Place
	Limit         int
}

// Listed is a stored reading with its place in the list.
type Listed struct {
	Stored
	Place Place
}

// Totals is the totals of the feed: lines of batches not seen before, repeats too; readings kept; readings in conflict; scales.
type Totals struct{ Lines, Stored, Conflicts, Scales int64 }
