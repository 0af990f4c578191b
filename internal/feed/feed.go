package feed

import (
	"maps"
	"slices"

	"huskline/internal/lot"
)

// Config bounds a feed.
type Config struct {
	Self      lot.Producer   // whose receipts in `after` are met by themselves: it knows its own past
	Producers []lot.Producer // whose events are taken
	Buffer    int            // how far ahead of a cursor envelopes are buffered; 0 means 1,024
	Batch     int            // most events in one step; 0 means 256
	// Own tells whether a place of Self's own past is there, which after a restore to an earlier moment it may not be yet: events that name
	// it in `after` then wait. Nil: it always is.
	Own func(lot.Receipt) bool
}

// Cursor is how far a producer's events are settled.
type Cursor struct {
	lot.Receipt
	Hash Hash // of the event there; in a new epoch at 0, of the end of the epoch before
}

// End is where a closed epoch ended.
type End struct {
	Position int64
	Hash     Hash
}

// Feed holds the cursors, the buffers and the quarantine of one service. It is not safe for concurrent use.
type Feed[T any] struct {
	cfg        Config
	streams    map[lot.Producer]*stream[T]
	quarantine *Quarantine
}

type stream[T any] struct {
	cursor Cursor
	head   lot.Receipt // newest head heard
	known  lot.Receipt // the furthest position heard of
	asked  bool        // the producer itself told its head and its earlier epochs since start
	ends   map[int64]End
	buffer map[int64]Entry[T] // of the cursor's epoch, ahead of it
}

// New makes a feed from what was kept. A producer without a cursor starts at epoch 1, position 0.
func New[T any](cfg Config, cursors []Cursor, held []Held) *Feed[T] {
	if cfg.Buffer == 0 {
		cfg.Buffer = 1024
	}
	if cfg.Batch == 0 {
		cfg.Batch = 256
	}
	f := &Feed[T]{cfg: cfg, streams: map[lot.Producer]*stream[T]{}, quarantine: NewQuarantine(held)}
	for _, p := range cfg.Producers {
		start := lot.Receipt{Producer: p, Epoch: 1}
		f.streams[p] = &stream[T]{cursor: Cursor{Receipt: start}, known: start, ends: map[int64]End{}, buffer: map[int64]Entry[T]{}}
	}
	f.Reload(cursors, held)
	return f
}

// Reload replaces cursors and quarantine by what was kept, because another process moved them on. What is buffered and known stays where it
// is still ahead.
func (f *Feed[T]) Reload(cursors []Cursor, held []Held) {
	f.quarantine = NewQuarantine(held)
	for _, c := range cursors {
		s := f.streams[c.Producer]
		if s == nil {
			continue
		}
		if c.Epoch != s.cursor.Epoch {
			clear(s.buffer)
		}
		s.move(c)
	}
}

func (s *stream[T]) move(c Cursor) {
	s.cursor = c
	s.know(c.Receipt)
	maps.DeleteFunc(s.buffer, func(position int64, _ Entry[T]) bool { return position <= c.Position })
}

func (s *stream[T]) know(r lot.Receipt) {
	if Compare(r, s.known) > 0 {
		s.known = r
	}
}

// Offered says what became of an offered envelope.
type Offered int

// Taken: buffered, or known to be there and to be pulled. Old: settled before. Dead: of an epoch that ended before it. Foreign: of a
// producer that is not taken. False: its hash is not that of its content, and it did not come from its producer.
const (
	Taken Offered = iota + 1
	Old
	Dead
	Foreign
	False
)

// Offer takes an envelope in any order, any number of times.
func (f *Feed[T]) Offer(e Entry[T]) Offered {
	s := f.streams[e.Producer]
	switch {
	case s == nil:
		return Foreign
	case e.Forged && !e.Pulled:
		return False
	case s.dead(e.Receipt):
		return Dead
	case Compare(e.Receipt, s.cursor.Receipt) <= 0:
		return Old
	}
	s.know(e.Receipt)
	near := e.Epoch == s.cursor.Epoch && e.Position-s.cursor.Position <= int64(f.cfg.Buffer)
	if _, here := s.buffer[e.Position]; near && (!here || e.Pulled) {
		s.buffer[e.Position] = e
	}
	return Taken
}

func (s *stream[T]) dead(r lot.Receipt) bool {
	end, closed := s.ends[r.Epoch]
	return closed && r.Position > end.Position
}

// Room tells whether another page of 256 pulled events would be buffered. A pull stops where there is none, because the next event awaits others.
func (f *Feed[T]) Room(p lot.Producer) bool {
	s := f.streams[p]
	return s != nil && len(s.buffer)+256 <= f.cfg.Buffer
}

// Finding is what a head says about a producer's past.
type Finding int

// Sound: nothing to say. Forked: another hash at our cursor, so its past is not the one we took. WentBack: asked just now, the producer is
// behind what we took from it, in the same epoch.
const (
	Sound Finding = iota
	Forked
	WentBack
)

// Head takes a producer's head from the bus; it may be old.
func (f *Feed[T]) Head(at lot.Receipt, hash Hash) Finding {
	s := f.streams[at.Producer]
	if s == nil {
		return Sound
	}
	if Compare(at, s.head) >= 0 {
		s.head = at
	}
	if s.dead(at) {
		return Sound
	}
	s.know(at)
	if at == s.cursor.Receipt && at.Position > 0 && hash != s.cursor.Hash {
		return Forked
	}
	return Sound
}

// Answer takes what a producer itself answered when asked: its head, and where its earlier epochs ended.
func (f *Feed[T]) Answer(at lot.Receipt, hash Hash, earlier map[int64]End) Finding {
	s := f.streams[at.Producer]
	if s == nil {
		return Sound
	}
	s.asked = true
	s.head = at // whatever the bus claimed
	for epoch, end := range earlier {
		s.ends[epoch] = end
	}
	s.skip(at.Epoch)
	finding := f.Head(at, hash)
	if at.Epoch < s.known.Epoch {
		// An epoch that its own producer does not know was never there.
		s.known = s.cursor.Receipt
		s.know(at)
	}
	if end, closed := s.ends[s.cursor.Epoch]; closed && end.Position == s.cursor.Position && end.Position > 0 && end.Hash != s.cursor.Hash {
		return Forked
	}
	if at.Epoch == s.cursor.Epoch && at.Position < s.cursor.Position {
		return WentBack
	}
	return finding
}

// mostSkipped bounds the epochs that a producer is believed to have left out.
const mostSkipped = 10_000

// skip closes, before their first event, the epochs that a producer does not know any more although we may: it was restored more than once,
// to before the last time. They continue nothing, so what follows them is linked to the end of the epoch before them.
func (s *stream[T]) skip(present int64) {
	if present-s.cursor.Epoch > mostSkipped {
		return
	}
	var last End
	for epoch := max(1, present-mostSkipped); epoch < present; epoch++ {
		if end, told := s.ends[epoch]; told {
			last = end
		} else if epoch >= s.cursor.Epoch {
			s.ends[epoch] = End{Hash: last.Hash}
		}
	}
}

// Want notes that somebody waits for a position, so that it is pulled unless it comes by itself.
func (f *Feed[T]) Want(r lot.Receipt) {
	if s := f.streams[r.Producer]; s != nil {
		s.know(s.due(r))
	}
}

// Reached tells whether a position is settled: true for those of Self and of producers that are not taken. The beginning of an epoch, position 0,
// is settled once all of the epochs before it is: it is the head of a producer that was restored and has said nothing since.
func (f *Feed[T]) Reached(r lot.Receipt) bool {
	s := f.streams[r.Producer]
	return s == nil || Compare(s.due(r), s.cursor.Receipt) <= 0
}

// due is where an event now stands that stood at r: the same place, unless r was lost in a restore and taken back at the start of the next
// epoch. Fewer may have been taken back than were lost; so it is never asked to be beyond the head.
func (s *stream[T]) due(r lot.Receipt) lot.Receipt {
	end, closed := s.ends[r.Epoch]
	if !closed || r.Position <= end.Position {
		return r
	}
	back := lot.Receipt{Producer: r.Producer, Epoch: s.following(r.Epoch), Position: r.Position - end.Position}
	if s.head.Epoch == back.Epoch {
		back.Position = min(back.Position, s.head.Position)
	}
	return s.due(back)
}

// following is the epoch after a closed one: the next that is known to have been.
func (s *stream[T]) following(epoch int64) int64 {
	next := s.head.Epoch
	for e := range s.ends {
		if e > epoch && (e < next || next <= epoch) {
			next = e
		}
	}
	if next <= epoch {
		next = epoch + 1
	}
	return next
}

// Cursor is how far a producer's events are settled.
func (f *Feed[T]) Cursor(p lot.Producer) (Cursor, bool) {
	s := f.streams[p]
	if s == nil {
		return Cursor{}, false
	}
	return s.cursor, true
}

// Behind is how many events are known to be ahead of the cursor; in another epoch at least one.
func (f *Feed[T]) Behind(p lot.Producer) int64 {
	s := f.streams[p]
	switch {
	case s == nil || Compare(s.known, s.cursor.Receipt) <= 0:
		return 0
	case s.known.Epoch == s.cursor.Epoch:
		return s.known.Position - s.cursor.Position
	}
	return max(1, s.known.Position)
}

// Quarantine is the events set aside. It is changed by Settled, and by whoever retries them.
func (f *Feed[T]) Quarantine() *Quarantine { return f.quarantine }

// Producers lists those whose events are taken, in the order given.
func (f *Feed[T]) Producers() []lot.Producer { return slices.Clone(f.cfg.Producers) }
