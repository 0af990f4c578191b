package weighqueue

import (
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// The bounds of a batch: an answer soon, and well under the 256 KiB that a message may have.
const (
	batchReadings = 500
	batchBytes    = 128 << 10
)

// Batch is readings under one command id, the same after every restart.
type Batch struct {
	ID       string
	Readings []*intakev1.Reading
}

// Next is the oldest batch that was not answered, else a new one of what waits, under the id given and written down before it is returned; nil where
// nothing waits. With again it also takes what was set aside, each in a batch of its own.
func (q *Queue) Next(id string, again bool) (*Batch, error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.broken != nil {
		return nil, q.broken
	}
	if len(q.state.open) == 0 {
		ids := q.pick(again)
		if len(ids) == 0 {
			return nil, nil
		}
		if err := q.write(record{Kind: kindBatch, Batch: id, Entries: ids}); err != nil {
			return nil, err
		}
	}
	b := q.state.open[0]
	out := &Batch{ID: b.id}
	for _, e := range b.entries {
		out.Readings = append(out.Readings, e.reading)
	}
	return out, nil
}

func (q *Queue) pick(again bool) []uint64 {
	var ids []uint64
	size := 0
	for _, e := range q.state.waiting {
		size += proto.Size(e.reading) + 8
		if len(ids) > 0 && (e.alone || size > batchBytes || len(ids) == batchReadings) {
			break
		}
		ids = append(ids, e.id)
		if e.alone {
			break
		}
	}
	if len(ids) == 0 && again && len(q.state.aside) > 0 {
		ids = append(ids, q.state.aside[0].id)
	}
	return ids
}

// Refusal is why the plant refused one reading of a batch.
type Refusal struct {
	Index   int // in the batch
	Reason  string
	Message string
}

// Answered takes a batch out of the queue, but for the readings that were refused, which are set aside.
func (q *Queue) Answered(id string, refused ...Refusal) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	b, err := q.opened(id)
	if err != nil {
		return err
	}
	r := record{Kind: kindAnswered, Batch: id}
	for _, f := range refused {
		if f.Index < 0 || f.Index >= len(b.entries) {
			return fault.Bug("batch %s of %d readings: answer names number %d", id, len(b.entries), f.Index)
		}
		r.Aside = append(r.Aside, aside{b.entries[f.Index].id, f.Reason, f.Message})
	}
	if err := q.write(r); err != nil {
		return err
	}
	q.answered++
	return q.tidy()
}

// Split undoes a batch that was refused as a whole, so that its readings go one by one and the one to blame is found.
func (q *Queue) Split(id string) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if _, err := q.opened(id); err != nil {
		return err
	}
	return q.write(record{Kind: kindSplit, Batch: id})
}

func (q *Queue) opened(id string) (*batch, error) {
	for _, b := range q.state.open {
		if b.id == id {
			return b, nil
		}
	}
	return nil, fault.Bug("batch %s is not open", id)
}

// Aside is a reading that the plant refused and that stays.
type Aside struct {
	Reading *intakev1.Reading
	Reason  string
	Message string
}

// Aside lists what is set aside.
func (q *Queue) Aside() []Aside {
	q.mu.Lock()
	defer q.mu.Unlock()
	out := make([]Aside, len(q.state.aside))
	for i, e := range q.state.aside {
		out[i] = Aside{e.reading, e.reason, e.message}
	}
	return out
}
