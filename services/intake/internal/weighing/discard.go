package weighing

import (
	"context"
	"crypto/sha256"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
)

// Discarded is a reading that was put aside for good.
type Discarded struct {
	lot.ReadingDiscarded
	Recorded time.Time
	Number   int64 // in the order of recording
}

// Discards is what is kept of readings that were put aside for good.
type Discards interface {
	// Discarded finds those with one of these contents.
	Discarded(ctx context.Context, contents []Hash) (map[Hash]Discarded, error)
	// SaveDiscard writes one down; one that is there already is refused.
	SaveDiscard(ctx context.Context, d lot.ReadingDiscarded) error
}

// maxReason is the longest reason for putting a reading aside.
const maxReason = 500

// Discard puts a reading aside for good. Only one that is refused: what would be stored, was stored or is kept apart is never put aside, since no reading may
// be lost.
func Discard(ctx context.Context, tx Tx, b Batch, reason, by string) (lot.ReadingDiscarded, []lot.Event, error) {
	if err := form.Text("reason", reason, maxReason); err != nil {
		return lot.ReadingDiscarded{}, nil, err
	}
	b.Register, b.Historic = false, false
	p := &posting{batch: b, now: tx.Now(), answers: make([]Answer, len(b.Readings)), progress: map[int32]*Progress{}}
	var err error
	if p.scales, err = tx.Scales(ctx, p.codes(), false); err != nil {
		return lot.ReadingDiscarded{}, nil, err
	}
	p.judge()
	r := b.Readings[0]
	if err := p.discardable(ctx, tx); err != nil {
		return lot.ReadingDiscarded{}, nil, err
	}
	content := p.content(0)
	d := lot.ReadingDiscarded{
		Content: content[:], Scale: r.Scale, Sequence: r.Sequence, Time: r.Time, Digits: r.Digits, Unit: r.Unit, Weighed: int64(r.Kind), Reference: r.Reference,
		Rule: p.answers[0].Reason, RuleMessage: clipped(p.answers[0].Message), Reason: reason, By: by,
	}
	if err := tx.SaveDiscard(ctx, d); err != nil {
		return d, nil, err
	}
	return d, []lot.Event{{Effective: p.now, Body: d}}, nil
}

// discardable holds the one reading to the rules, whose refusal it leaves in its answer.
func (p *posting) discardable(ctx context.Context, tx Tx) error {
	if len(p.fit) == 0 {
		return nil // refused by its form
	}
	c := p.fit[0]
	there, err := tx.Contents(ctx, []Key{c.Key()})
	if err != nil {
		return err
	}
	if h, taken := there[c.Key()]; taken && h == c.Hash {
		return fault.Precondition("reading_stored", "scale %s, sequence %d: the reading is stored; what is stored is never put aside", c.Scale, c.Sequence)
	}
	if c.barred == nil {
		return fault.Precondition("reading_acceptable", "scale %s, sequence %d: no rule refuses the reading now; send it instead", c.Scale, c.Sequence)
	}
	p.refuse(0, c.barred)
	return nil
}

// content is what a reading of the batch comes to, with what could not be read of it.
func (p *posting) content(i int) Hash {
	h := hashOf(p.batch.Readings[i])
	why := p.batch.Defects[i]
	if why == nil {
		return h
	}
	sum := sha256.Sum256(append(append(h[:], fault.ReasonOf(why)...), why.Error()...))
	return Hash(sum[:16])
}

// discarded answers refused readings that were put aside for good by that, so that who keeps them lets go of them.
func (p *posting) discarded(ctx context.Context, tx Tx) error {
	var contents []Hash
	for i, a := range p.answers {
		if a.Outcome == OutcomeRefused {
			contents = append(contents, p.content(i))
		}
	}
	if len(contents) == 0 {
		return nil
	}
	known, err := tx.Discarded(ctx, contents)
	if err != nil || len(known) == 0 {
		return err
	}
	for i, a := range p.answers {
		if a.Outcome != OutcomeRefused {
			continue
		}
		if d, ok := known[p.content(i)]; ok {
			p.refuse(i, fault.Precondition("reading_discarded", "scale %s, sequence %d: put aside for good by %s at %s: %s", d.Scale, d.Sequence, d.By, stamp(d.Recorded), d.Reason))
		}
	}
	return nil
}
