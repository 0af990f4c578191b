package weighqueue

import (
	"errors"
	"fmt"
	"os"
	"sync"

	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// Queue is one folder's queue. It is safe for concurrent use: one adds, another sends.
type Queue struct {
	cfg     Config
	changed chan struct{} // told, without waiting, that something was added

	mu       sync.Mutex
	lock     *os.File
	mark     *mark
	file     *os.File
	size     int64
	answered int // batches answered since the file was written anew
	state    *state
	broken   error // the disk can no longer be trusted: nothing more is taken or told answered
}

// Entry is a reading to be kept.
type Entry struct {
	Reading *intakev1.Reading // with sequence 0 it is given the scale's next own number, which is written into it
	Origin  string            // how far the source was read with it; empty: nothing is noted
	Load    bool              // a load that settled on a scale
}

// maxReading bounds one reading, so that a batch of many stays inside what a message may hold.
const maxReading = 8 << 10

// Add keeps readings, all or none, and returns once they are on the disk. At the limit it is refused as queue_full and on a full disk as
// queue_disk_full; both may be tried again. Any other error of the disk breaks the queue: it takes nothing more until it is opened again.
func (q *Queue) Add(entries ...Entry) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	records := make([]record, 0, len(entries))
	next := map[string]int64{}
	for i, e := range entries {
		r := record{Kind: kindReading, Entry: q.state.lastEntry + uint64(i) + 1, Load: e.Load, Origin: e.Origin}
		if e.Reading.GetSequence() == 0 {
			code := e.Reading.GetScale()
			n := max(next[code], q.state.scale(code).next)
			if n == 0 {
				return fault.Precondition("queue_unnumbered", "scale %s: its next number is not known yet", code)
			}
			r.Own, e.Reading.Sequence, next[code] = true, n, n+1
		}
		var err error
		if r.Reading, err = proto.Marshal(e.Reading); err != nil {
			return fault.Invalid("not_utf8", "reading of scale %s: %v", e.Reading.GetScale(), err)
		}
		if len(r.Reading) > maxReading {
			return fault.Invalid("reading_too_large", "reading of scale %s: %d bytes, at most %d are allowed", e.Reading.GetScale(), len(r.Reading), maxReading)
		}
		records = append(records, r)
	}
	err := q.grow(records...)
	if err != nil {
		for i, r := range records {
			if r.Own {
				entries[i].Reading.Sequence = 0
			}
		}
		return err
	}
	q.notify()
	return nil
}

// grow is write for what the limit holds off. What readings need later, to be sent and answered, is not held off by it.
func (q *Queue) grow(records ...record) error {
	data, err := encode(records...)
	if err != nil {
		return err
	}
	if q.size+int64(len(data)) > q.cfg.Limit && q.broken == nil {
		if err := q.squeeze(); err != nil {
			return err
		}
		if q.size+int64(len(data)) > q.cfg.Limit {
			return fault.Precondition("queue_full", "queue %s: full at %d of %d bytes with %d readings that the plant has not stored", q.cfg.Dir, q.size, q.cfg.Limit, q.state.remaining())
		}
	}
	return q.write(records...)
}

// write appends records, flushes them, moves the mark and only then takes them into the state.
func (q *Queue) write(records ...record) error {
	if q.broken != nil {
		return q.broken
	}
	data, err := encode(records...)
	if err != nil {
		return err
	}
	if _, err := q.file.WriteAt(data, q.size); err != nil {
		return q.undo(err)
	}
	if err := q.file.Sync(); err != nil {
		return q.breakWith(err)
	}
	if err := q.mark.set(point{q.state.generation, q.size + int64(len(data))}); err != nil {
		return q.breakWith(err)
	}
	q.size += int64(len(data))
	for _, r := range records {
		if err := q.state.apply(r); err != nil {
			return q.breakWith(err)
		}
	}
	return nil
}

// undo takes back what a failed write may have left, so that the next one stands where this one should have.
func (q *Queue) undo(cause error) error {
	if err := errors.Join(q.file.Truncate(q.size), q.file.Sync()); err != nil {
		return q.breakWith(errors.Join(cause, err))
	}
	return fault.Unavailable("queue_disk_full", "queue %s: the disk takes nothing more: %v", q.cfg.Dir, cause)
}

// breakWith ends the use of the queue: after a failed flush nobody knows what the disk has.
func (q *Queue) breakWith(cause error) error {
	q.broken = fmt.Errorf("queue %s: the disk fails, nothing more is kept until the queue is opened again: %w", q.cfg.Dir, cause)
	return q.broken
}

func (q *Queue) notify() {
	select {
	case q.changed <- struct{}{}:
	default:
	}
}

// Dir is the queue's folder.
func (q *Queue) Dir() string { return q.cfg.Dir }

// Changed is told when something was added.
func (q *Queue) Changed() <-chan struct{} { return q.changed }

// Number sets a scale's next own number. It is never lowered: a lower one is no error and changes nothing.
func (q *Queue) Number(scale string, next int64) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	at := q.state.scale(scale)
	if next <= at.next {
		return nil
	}
	r := record{Kind: kindScale, Scale: scale, Next: next, Armed: !at.loaded}
	if at.last != nil {
		var err error
		if r.Reading, err = proto.Marshal(at.last); err != nil {
			return err
		}
	}
	return q.write(r)
}

// Rearmed notes that the scale was seen empty: the next load that settles is another one. It does nothing where that is known.
func (q *Queue) Rearmed(scale string) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if !q.state.scale(scale).loaded {
		return nil
	}
	return q.write(record{Kind: kindRearmed, Scale: scale})
}

// Scale is how a scale stands in the queue.
type Scale struct {
	Next  int64             // own number to be given; 0 where none was set
	Armed bool              // the next load that settles is a new one
	Last  *intakev1.Reading // the load captured last; nil: none
}

// Scale tells how a scale stands. One that was never captured from is armed.
func (q *Queue) Scale(code string) Scale {
	q.mu.Lock()
	defer q.mu.Unlock()
	at := q.state.scale(code)
	return Scale{Next: at.next, Armed: !at.loaded, Last: at.last}
}

// Origin is how far the source was read with the last reading kept that said so.
func (q *Queue) Origin() string {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.state.origin
}

// Totals is what is in the queue.
type Totals struct {
	Waiting int   // to be sent, or sent and not answered
	Aside   int   // refused, to be sent again
	Bytes   int64 // of the file
	Limit   int64
}

// Totals counts.
func (q *Queue) Totals() Totals {
	q.mu.Lock()
	defer q.mu.Unlock()
	return Totals{Waiting: q.state.remaining() - len(q.state.aside), Aside: len(q.state.aside), Bytes: q.size, Limit: q.cfg.Limit}
}

// Broken tells why the queue takes nothing more until it is opened again; nil: it does.
func (q *Queue) Broken() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.broken
}
