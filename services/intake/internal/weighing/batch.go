package weighing

import (
	"cmp"
	"context"
	"crypto/sha256"
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/scale"
)

// Batch is readings that came together.
type Batch struct {
	Command  string
	Readings []Reading
	Defects  map[int]error  // why readings could not be read, by their place; each is refused for it
	Historic bool           // imported from records: kept as they are, never measured by the rules for live scales
	Register bool           // unknown scales are registered, without limits
	Clock    *time.Duration // what the sender's clock was ahead of the service's when it sent them; nil where it did not tell
	Retold   bool           // its event was said already: it is stored again after the database went back to an earlier moment
}

// Outcome is what became of a reading.
type Outcome int

// The outcomes.
const (
	OutcomeStored Outcome = iota + 1
	OutcomeRepeated
	OutcomeRefused
	OutcomeConflict
)

// Answer answers one reading.
type Answer struct {
	Index   int // place in the batch, from 0
	Outcome Outcome
	Reason  string
	Message string
}

// Watermark is the highest sequence of a scale that is answered without gap; 0 where the first is missing.
type Watermark struct {
	Scale    string
	Sequence int64
}

// Result answers a batch.
type Result struct {
	Exceptions                           []Answer // every reading that was not simply stored, in the order of the batch
	Stored, Repeated, Refused, Conflicts int64
	Watermarks                           []Watermark // of the batch's known scales, by code
	Marked                               []Marked    // readings stored with a mark, in the order of the batch
}

// Marked is a reading of a batch that was stored with a mark.
type Marked struct {
	Index int
	Marks Marks
}

// Known is a scale with its number in the store.
type Known struct {
	scale.Scale
	ID int32
}

// Progress is what a batch brought of one scale. Scale number 0 stands for lines of no known scale.
type Progress struct {
	ScaleID   int32
	Lines     int64
	Stored    int64
	Conflicts int64
	Answered  []lot.SequenceRange // numbers of the batch that are taken now, ascending
	Highest   int64               // sequence stored
	Health    Health
}

// Health is what a batch tells of how a scale's feed does. A batch from records tells what was refused of it, and no more.
type Health struct {
	Refused int64
	Faults  []scale.Fault  // the last few, newest first
	Heard   bool           // something live came
	Live    int64          // live readings stored
	Newest  time.Time      // of them, where its time is not doubtful
	Offset  *time.Duration // what the sender's clock is ahead, where the batch tells
}

// Tx is what readings need of a transaction.
type Tx interface {
	Discards
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// Scales finds scales by code. Those not known are registered without limits where asked, else left out.
	Scales(ctx context.Context, codes []string, register bool) (map[string]Known, error)
	// Insert stores rows, in the order of their keys and each key once, whose key is free, and returns the keys that were.
	Insert(ctx context.Context, rows []Row, historic bool) ([]Key, error)
	// Note keeps what few readings have (marks, status, the offset of the sender's clock) of rows that were stored or kept apart just now.
	Note(ctx context.Context, rows []Row) error
	// Contents is the hashes of what is stored under keys; those not stored are left out.
	Contents(ctx context.Context, keys []Key) (map[Key]Hash, error)
	// KeepApart keeps rows whose number was taken by another content; a content that is there already is kept once. It returns how many were
	// new, by scale.
	KeepApart(ctx context.Context, rows []Row, historic bool) (map[int32]int64, error)
	// Retold notes a batch that is stored again, and tells whether it was before.
	Retold(ctx context.Context, command string) (bool, error)
	// Advance adds to the state of each scale's feed and raises its watermark over what is stored without gap. From here to the end of the
	// transaction other writers of the same scales wait, so it comes last.
	Advance(ctx context.Context, p []Progress) (map[int32]int64, error)
}

// Post judges a batch and keeps what can be kept. It says one event, also where nothing new came, unless the event was said already.
func Post(ctx context.Context, tx Tx, b Batch) (Result, []lot.Event, error) {
	p := &posting{batch: b, now: tx.Now(), answers: make([]Answer, len(b.Readings)), progress: map[int32]*Progress{}}
	var err error
	if b.Retold {
		if p.counted, err = tx.Retold(ctx, b.Command); err != nil {
			return Result{}, nil, err
		}
	}
	if p.scales, err = tx.Scales(ctx, p.codes(), b.Register); err != nil {
		return Result{}, nil, err
	}
	p.judge()
	if err := p.keep(ctx, tx); err != nil {
		return Result{}, nil, err
	}
	if err := p.discarded(ctx, tx); err != nil {
		return Result{}, nil, err
	}
	apart, err := tx.KeepApart(ctx, p.apart, b.Historic)
	if err != nil {
		return Result{}, nil, err
	}
	for id, n := range apart {
		p.of(id).Conflicts = n
	}
	if noted := p.noted(); len(noted) > 0 {
		if err := tx.Note(ctx, noted); err != nil {
			return Result{}, nil, err
		}
	}
	marks, err := tx.Advance(ctx, p.sums())
	if err != nil {
		return Result{}, nil, err
	}
	if b.Retold {
		return p.result(marks), nil, nil
	}
	return p.result(marks), []lot.Event{{Effective: p.now, Body: p.event()}}, nil
}

// posting is a batch on its way.
type posting struct {
	batch    Batch
	now      time.Time
	counted  bool // its lines are in the feeds' totals already
	scales   map[string]Known
	answers  []Answer
	fit      []candidate // keep the rules of form, in the order of their keys, then of the batch
	apart    []Row
	stored   []Row // in the order of their keys
	marked   []Marked
	progress map[int32]*Progress
}

// candidate is a reading that keeps the rules of form.
type candidate struct {
	Row
	index  int
	barred error // the rule for live scales that it breaks
}

func (p *posting) codes() []string {
	seen := map[string]bool{}
	for i, r := range p.batch.Readings {
		if p.batch.Register && p.batch.Defects[i] != nil {
			continue // what cannot be read makes no scale
		}
		if !seen[r.Scale] && form.Code("scale", r.Scale) == nil {
			seen[r.Scale] = true
		}
	}
	codes := make([]string, 0, len(seen))
	for c := range seen {
		codes = append(codes, c)
	}
	slices.Sort(codes)
	return codes
}

func (p *posting) of(id int32) *Progress {
	got, ok := p.progress[id]
	if !ok {
		got = &Progress{ScaleID: id}
		p.progress[id] = got
	}
	return got
}

// judge holds every reading to the rules of form and, at a live door, of its scale.
func (p *posting) judge() {
	p.fit = make([]candidate, 0, len(p.batch.Readings))
	for i, r := range p.batch.Readings {
		known, ok := p.scales[r.Scale]
		if into := p.of(known.ID); !p.counted {
			into.Lines++
		}
		if why := p.batch.Defects[i]; why != nil {
			p.refuse(i, why)
			continue
		}
		if !ok {
			p.refuse(i, unknownScale(r.Scale))
			continue
		}
		row, err := formOf(r)
		if err != nil {
			p.refuse(i, err)
			continue
		}
		row.ScaleID = known.ID
		p.fit = append(p.fit, p.measure(row, i, &known.Scale))
	}
	slices.SortFunc(p.fit, func(a, b candidate) int {
		return cmp.Or(cmp.Compare(a.ScaleID, b.ScaleID), cmp.Compare(a.Sequence, b.Sequence), cmp.Compare(a.index, b.index))
	})
}

func unknownScale(code string) error {
	if err := form.Code("scale", code); err != nil {
		return err
	}
	return fault.NotFound("scale_unknown", "scale %s: it is not registered", code)
}

func (p *posting) refuse(i int, why error) {
	p.answers[i] = Answer{Index: i, Outcome: OutcomeRefused, Reason: fault.ReasonOf(why), Message: why.Error()}
}

// keep stores what is new and compares the rest with what is there. Of several readings under one number in the batch the first that no rule
// bars is the one to be stored.
func (p *posting) keep(ctx context.Context, tx Tx) error {
	var first []Row
	for _, c := range p.fit {
		if c.barred == nil && (len(first) == 0 || first[len(first)-1].Key() != c.Key()) {
			first = append(first, c.Row)
		}
	}
	inserted, err := tx.Insert(ctx, first, p.batch.Historic)
	if err != nil {
		return err
	}
	fresh := make(map[Key]bool, len(inserted))
	for _, k := range inserted {
		fresh[k] = true
	}
	content := make(map[Key]Hash, len(p.fit))
	for _, r := range first {
		if fresh[r.Key()] {
			content[r.Key()] = r.Hash
			p.stored = append(p.stored, r)
		}
	}
	var ask []Key
	for _, c := range p.fit {
		if !fresh[c.Key()] && (len(ask) == 0 || ask[len(ask)-1] != c.Key()) {
			ask = append(ask, c.Key())
		}
	}
	if len(ask) > 0 {
		old, err := tx.Contents(ctx, ask)
		if err != nil {
			return err
		}
		for k, h := range old {
			content[k] = h
		}
	}
	p.compare(content, fresh)
	return nil
}

// noted are the rows of which more is kept than of most.
func (p *posting) noted() []Row {
	var out []Row
	for _, rows := range [...][]Row{p.stored, p.apart} {
		for i := range rows {
			if rows[i].Noted() {
				out = append(out, rows[i])
			}
		}
	}
	return out
}

// compare answers every fit reading by what stands under its number.
func (p *posting) compare(content map[Key]Hash, fresh map[Key]bool) {
	for _, c := range p.fit {
		there, taken := content[c.Key()]
		a := Answer{Index: c.index, Outcome: OutcomeRepeated}
		switch {
		case taken && there == c.Hash && fresh[c.Key()] && c.barred == nil:
			a.Outcome = OutcomeStored
			fresh[c.Key()] = false
			if c.Marks != 0 {
				p.marked = append(p.marked, Marked{c.index, c.Marks})
			}
		case taken && there == c.Hash:
		case c.barred != nil:
			p.refuse(c.index, c.barred)
			continue
		default:
			a.Outcome, a.Reason = OutcomeConflict, "sequence_taken"
			a.Message = "scale " + c.Scale + ": another reading was stored under this sequence number before; this one is kept apart and not counted"
			p.apart = append(p.apart, c.Row)
		}
		p.answers[c.index] = a
		if taken {
			p.of(c.ScaleID).answered(c.Sequence)
		}
	}
}

// answered notes that a number is taken; numbers come ascending.
func (p *Progress) answered(n int64) {
	if last := len(p.Answered) - 1; last >= 0 && n <= p.Answered[last].Last+1 {
		p.Answered[last].Last = n
		return
	}
	p.Answered = append(p.Answered, lot.SequenceRange{First: n, Last: n})
}

// sums is the batch's progress by scale, in the order in which all writers lock scales.
func (p *posting) sums() []Progress {
	for i := range p.stored {
		r := &p.stored[i]
		into := p.of(r.ScaleID)
		into.Stored++
		into.Highest = max(into.Highest, r.Sequence)
		if !p.batch.Historic {
			into.Health.add(r)
		}
	}
	p.faults()
	out := make([]Progress, 0, len(p.progress))
	for _, one := range p.progress {
		out = append(out, *one)
	}
	slices.SortFunc(out, func(a, b Progress) int { return cmp.Compare(a.ScaleID, b.ScaleID) })
	return out
}

// add notes a live reading that was stored.
func (h *Health) add(r *Row) {
	h.Live++
	if r.Marks&MarkTimeDoubtful == 0 && r.Time.After(h.Newest) {
		h.Newest = r.Time
	}
	if r.Offset != 0 && (h.Offset == nil || r.Offset > *h.Offset) {
		h.Offset = &r.Offset
	}
}

// faults notes what was refused or is in conflict, and that the batch's scales were heard. What is stored again after a restore tells nothing new.
func (p *posting) faults() {
	if p.batch.Retold {
		return
	}
	for _, into := range p.progress {
		if into.Health.Heard = !p.batch.Historic; into.Health.Heard && p.batch.Clock != nil {
			into.Health.Offset = p.batch.Clock
		}
	}
	for i := len(p.answers) - 1; i >= 0; i-- {
		a := &p.answers[i]
		if a.Outcome != OutcomeRefused && a.Outcome != OutcomeConflict {
			continue
		}
		known := p.scales[p.batch.Readings[i].Scale]
		h := &p.of(known.ID).Health
		if a.Outcome == OutcomeRefused {
			h.Refused++
		}
		if known.ID != 0 && len(h.Faults) < scale.MaxFaults {
			h.Faults = append(h.Faults, scale.Fault{At: p.now, Sequence: p.batch.Readings[i].Sequence, Reason: a.Reason, Message: clipped(a.Message)})
		}
	}
}

// maxMessage is what is kept of a message that quotes what a device sent.
const maxMessage = 400

func clipped(text string) string {
	if len(text) <= maxMessage {
		return text
	}
	return strings.ToValidUTF8(text[:maxMessage], "") + " …"
}

func (p *posting) result(marks map[int32]int64) Result {
	r := Result{Marked: p.marked}
	slices.SortFunc(r.Marked, func(a, b Marked) int { return cmp.Compare(a.Index, b.Index) })
	for _, a := range p.answers {
		switch a.Outcome {
		case OutcomeStored:
			r.Stored++
			continue
		case OutcomeRepeated:
			r.Repeated++
		case OutcomeRefused:
			r.Refused++
		case OutcomeConflict:
			r.Conflicts++
		}
		r.Exceptions = append(r.Exceptions, a)
	}
	for code, known := range p.scales {
		r.Watermarks = append(r.Watermarks, Watermark{Scale: code, Sequence: marks[known.ID]})
	}
	slices.SortFunc(r.Watermarks, func(a, b Watermark) int { return cmp.Compare(a.Scale, b.Scale) })
	return r
}

// event tells what was stored, scale by scale, by code.
func (p *posting) event() lot.ReadingsStored {
	e := lot.ReadingsStored{Batch: p.batch.Command, Lines: int64(len(p.batch.Readings)), Stored: int64(len(p.stored)), Historic: p.batch.Historic}
	for rows := p.stored; len(rows) > 0; {
		n := slices.IndexFunc(rows, func(r Row) bool { return r.ScaleID != rows[0].ScaleID })
		if n < 0 {
			n = len(rows)
		}
		e.Scales = append(e.Scales, scaleReadings(rows[:n]))
		rows = rows[n:]
	}
	slices.SortFunc(e.Scales, func(a, b lot.ScaleReadings) int { return cmp.Compare(a.Scale, b.Scale) })
	return e
}

func scaleReadings(rows []Row) lot.ScaleReadings {
	var p Progress
	digest := sha256.New()
	for _, r := range rows {
		p.answered(r.Sequence)
		digest.Write(r.Hash[:])
	}
	return lot.ScaleReadings{Scale: rows[0].Scale, Ranges: p.Answered, Count: int64(len(rows)), Digest: digest.Sum(nil)}
}
