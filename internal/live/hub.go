package live

import (
	"context"
	"sync"
	"time"

	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/lot"
)

// The bounds of a hub, where its Config names no other. A note of the largest view, a balance, is some hundred bytes.
const (
	defaultStreams = 64
	defaultKeep    = 1 << 13
	defaultWeight  = 1 << 17
	defaultBeat    = 5 * time.Second
	defaultLinger  = 2 * time.Minute
)

// Config is what a hub is made of. Zero sizes and durations take the defaults.
type Config[I follow.Index, N any] struct {
	Follow follow.Config[I] // its Observer is the hub

	// Fold applies an event to the index by calling apply once, and gives what watchers are told of it: a note and its weight, which is 0 where
	// they are told nothing.
	Fold func(index I, e lot.Recorded, apply func() error) (note N, weight int, err error)

	Streams int           // watchers at once: 64
	Keep    int           // notes kept for watchers: 8,192
	Weight  int           // their weight: 131,072
	Beat    time.Duration // longest silence towards a caller: 5 s
	Linger  time.Duration // how long notes are kept on after the last watcher left: 2 min
}

// Note is what watchers are told of one event.
type Note[N any] struct {
	Event lot.Recorded
	Mark  follow.Mark // behind it
	Body  N

	weight   int
	released bool // from quarantine, after its place had been passed
}

// Hub keeps the newest notes. It is safe for concurrent use.
type Hub[I follow.Index, N any] struct {
	cfg      Config[I, N]
	follower *follow.Follower[I]
	source   source[I] // the follower

	mu       sync.Mutex
	watchers int
	lingers  *time.Timer // runs after the last watcher left; nil: none
	awake    bool        // notes are kept
	begun    bool        // start is known
	closed   bool
	closing  chan struct{} // closed with it
	start    follow.Mark   // before the oldest note
	mark     follow.Mark   // behind the newest, and behind what nobody is told of
	notes    []Note[N]     // oldest first
	first    int64         // number of the oldest, counted from when the hub was made
	weight   int           // of all notes
	changed  chan struct{} // closed and replaced whenever something above changed
}

// New makes a hub and the follower that tells it.
func New[I follow.Index, N any](cfg Config[I, N]) *Hub[I, N] {
	for _, d := range []struct {
		at *int
		of int
	}{{&cfg.Streams, defaultStreams}, {&cfg.Keep, defaultKeep}, {&cfg.Weight, defaultWeight}} {
		if *d.at == 0 {
			*d.at = d.of
		}
	}
	if cfg.Beat == 0 {
		cfg.Beat = defaultBeat
	}
	if cfg.Linger == 0 {
		cfg.Linger = defaultLinger
	}
	h := &Hub[I, N]{cfg: cfg, changed: make(chan struct{}), closing: make(chan struct{})}
	cfg.Follow.Observer = h
	h.follower = follow.New(cfg.Follow)
	h.source = h.follower
	return h
}

// source is what a hub asks of its follower.
type source[I follow.Index] interface {
	Settled(ctx context.Context) error
	Replay(ctx context.Context, from follow.Mark, to follow.Observer[I]) error
	Hurry(more int)
}

// Follower is the fold that tells the hub; whoever owns the hub runs it.
func (h *Hub[I, N]) Follower() *follow.Follower[I] { return h.follower }

// Close ends all watchers with reason stopping, and lets no more in.
func (h *Hub[I, N]) Close() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.closed {
		h.closed = true
		close(h.closing)
	}
	h.announce()
}

// Stands is for the follower.
func (h *Hub[I, N]) Stands(at follow.Mark) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.awake {
		return
	}
	if !h.begun {
		h.begun, h.start = true, at
		h.announce()
	}
	h.mark = at
}

// Folds is for the follower.
func (h *Hub[I, N]) Folds(index I, e lot.Recorded, at follow.Mark, apply func() error) error {
	if !h.keeping() {
		return apply()
	}
	body, weight, err := h.cfg.Fold(index, e, apply)
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.begun {
		return err
	}
	n := Note[N]{Event: e, Mark: at, Body: body, weight: weight, released: !h.mark.Behind(e.Receipt)}
	h.mark = at
	if weight > 0 {
		h.keep(n)
		h.announce()
	}
	return err
}

func (h *Hub[I, N]) keeping() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.begun
}

// keep adds a note and lets the oldest go where there are too many; mu is held.
func (h *Hub[I, N]) keep(n Note[N]) {
	h.notes = append(h.notes, n)
	h.weight += n.weight
	drop := 0
	for len(h.notes)-drop > 1 && (len(h.notes)-drop > h.cfg.Keep || h.weight > h.cfg.Weight) {
		h.weight -= h.notes[drop].weight
		h.start = h.notes[drop].Mark
		h.notes[drop] = Note[N]{}
		drop++
	}
	h.notes, h.first = h.notes[drop:], h.first+int64(drop)
}

// announce wakes all watchers; mu is held.
func (h *Hub[I, N]) announce() {
	close(h.changed)
	h.changed = make(chan struct{})
}

// enter lets a watcher in; leave lets it out.
func (h *Hub[I, N]) enter() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return stopping()
	case h.watchers >= h.cfg.Streams:
		return fault.Unavailable("watch_full", "%d live views are open, the limit of this service; come again later", h.watchers)
	}
	h.watchers++
	if h.lingers != nil {
		h.lingers.Stop()
		h.lingers = nil
	}
	if !h.awake {
		h.awake = true
		h.source.Hurry(1)
	}
	return nil
}

func (h *Hub[I, N]) leave() {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.watchers--
	if h.watchers > 0 {
		return
	}
	h.lingers = time.AfterFunc(h.cfg.Linger, h.sleep)
}

// sleep forgets all notes, where nobody came meanwhile.
func (h *Hub[I, N]) sleep() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.watchers > 0 || !h.awake {
		return
	}
	h.awake, h.begun, h.lingers = false, false, nil
	h.first += int64(len(h.notes))
	h.notes, h.weight = nil, 0
	h.source.Hurry(-1)
}

func stopping() error {
	return fault.Unavailable("stopping", "this service stops; watch again in a moment, from the position of the last message")
}
