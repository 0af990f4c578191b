package feed

import (
	"maps"
	"slices"

	"huskline/internal/lot"
)

// Held is an event set aside.
type Held struct {
	At     lot.Receipt
	Lots   []lot.ID    // named or created
	Behind lot.Receipt // the event it waits for; zero where it failed itself
}

// Waiting tells whether it only waits behind another.
func (h Held) Waiting() bool { return h.Behind != lot.Receipt{} }

// Quarantine is the events set aside, in the order in which they were.
type Quarantine struct {
	held    []Held
	blocked map[lot.ID]lot.Receipt // the first event that blocks it
}

// NewQuarantine takes what was kept, in the order in which it was set aside.
func NewQuarantine(held []Held) *Quarantine {
	q := &Quarantine{blocked: map[lot.ID]lot.Receipt{}}
	for _, h := range held {
		q.Add(h)
	}
	return q
}

// Add sets an event aside, last.
func (q *Quarantine) Add(h Held) {
	q.held = append(q.held, h)
	q.block(h)
}

func (q *Quarantine) block(h Held) {
	for _, id := range h.Lots {
		if _, ok := q.blocked[id]; !ok {
			q.blocked[id] = h.At
		}
	}
}

// Behind is the first event in quarantine that blocks one of the lots.
func (q *Quarantine) Behind(lots []lot.ID) (lot.Receipt, bool) {
	for _, id := range lots {
		if at, ok := q.blocked[id]; ok {
			return at, true
		}
	}
	return lot.Receipt{}, false
}

// Held lists what is set aside, oldest first.
func (q *Quarantine) Held() []Held { return slices.Clone(q.held) }

// Len is how many events are set aside.
func (q *Quarantine) Len() int { return len(q.held) }

// Release goes through all that is set aside, oldest first, and tries the event at a place and every waiting one that nothing older blocks
// any more. What was applied is taken out; what failed stays and waits for nobody; an error ends the walk, with the rest untouched. It
// returns how many were applied.
func (q *Quarantine) Release(at lot.Receipt, try func(Held) (applied bool, err error)) (int, error) {
	before := q.held
	q.held, q.blocked = nil, map[lot.ID]lot.Receipt{}
	applied := 0
	for i, h := range before {
		behind, blocked := q.Behind(h.Lots)
		switch {
		case blocked && (h.Waiting() || h.At == at):
			h.Behind = behind
		case h.Waiting() || h.At == at:
			ok, err := try(h)
			if err != nil {
				for _, rest := range before[i:] {
					q.Add(rest)
				}
				return applied, err
			}
			if ok {
				applied++
				continue
			}
			h.Behind = lot.Receipt{}
		}
		q.Add(h)
	}
	return applied, nil
}

// Count is how many events of each producer are set aside.
func (q *Quarantine) Count() map[lot.Producer]int {
	n := map[lot.Producer]int{}
	for _, h := range q.held {
		n[h.At.Producer]++
	}
	return n
}

// overlay judges a batch whose own verdicts are not yet in the quarantine.
func (q *Quarantine) overlay() *Quarantine {
	return &Quarantine{blocked: maps.Clone(q.blocked)}
}
