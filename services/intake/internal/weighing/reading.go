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
	Status    Status
}

// Status is what the scale said of itself beside the weight.
type Status struct {
	InMotion       bool
	HighResolution bool // it showed more digits than its division has
	CenterOfZero   bool
	Range          int32 // it was in, from 1; 0: it did not say
}

// Hash is what a reading's content comes to.
type Hash [16]byte

// Row is a reading that keeps the rules of form, converted once.
type Row struct {
	Reading
	ScaleID int32
	Mass    weight.Mass
	Hash    Hash
	Marks   Marks
	Offset  time.Duration // what the sender's clock is ahead; 0 where it is not known or under a second
}

// Noted tells whether more is kept of the reading than most readings have.
func (r Row) Noted() bool { return r.Marks != 0 || r.Offset != 0 || r.Status != Status{} }

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
	Marks    Marks
	Offset   time.Duration
}

// maxReference is the longest text that may come with a reading.
const maxReference = 500

// formOf judges what holds for every reading, imported ones too, and converts it.
func formOf(r Reading) (Row, error) {
	if r.Sequence < 1 {
		return Row{}, fault.Invalid("sequence_below_one", "sequence %d: a scale counts 1, 2, 3 …", r.Sequence)
	}
	if r.Time.IsZero() {
		return Row{}, fault.Invalid("time_missing", "time: a time is required")
	}
	if r.Status.Range < 0 {
		return Row{}, fault.Invalid("range_below_one", "range %d: a scale counts its ranges 1, 2, 3 …", r.Status.Range)
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

// statusForm leads what the scale said of itself in the hash of a reading.
const statusForm = 1

// hashOf is the first 16 bytes of the SHA-256 of the content, each text led by its length. What the scale said of itself follows only where it said
// something: readings without it, and all from before it could be sent, keep the hash they have.
func hashOf(r Reading) Hash {
	buf := make([]byte, 0, 128)
	for _, text := range [...]string{r.Scale, r.Digits, r.Unit, r.Reference} {
		buf = binary.BigEndian.AppendUint32(buf, uint32(len(text)))
		buf = append(buf, text...)
	}
	for _, n := range [...]int64{r.Sequence, r.Time.UnixMicro(), int64(r.Kind)} {
		buf = binary.BigEndian.AppendUint64(buf, uint64(n))
	}
	if (r.Status != Status{}) {
		buf = append(buf, statusForm, flag(r.Status.InMotion), flag(r.Status.HighResolution), flag(r.Status.CenterOfZero))
		buf = binary.BigEndian.AppendUint32(buf, uint32(r.Status.Range))
	}
	sum := sha256.Sum256(buf)
	return Hash(sum[:16])
}

func flag(set bool) byte {
	if set {
		return 1
	}
	return 0
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
