package follow

import (
	"context"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Index is what is folded. Apply is called by one goroutine at a time; an error leaves the event out, and is listed among the gaps.
type Index interface {
	Apply(e lot.Recorded) error
}

// Config is what a follower is made of. Zero durations and sizes take the defaults named.
type Config[I Index] struct {
	DB        *postgres.DB // with a pool for consumers; while loading two connections per producer may be busy
	Self      lot.Producer
	New       func() I // an empty index
	Logger    *slog.Logger
	Exclusive bool          // View's functions run one at a time, for indexes that work out answers lazily
	Poll      time.Duration // how often it looks by itself for what other processes did: 250 ms
	Page      int           // events read at once: 2,048
	Observer  Observer[I]   // told of the live fold once it has caught up; nil: nobody
	// Tail skips what lies before: the fold begins where the database stands when somebody hurries it, and stands still while nobody does. View,
	// Past and Asked are not for tails.
	Tail bool
}

// Follower keeps an index up to date. It is safe for concurrent use.
type Follower[I Index] struct {
	cfg  Config[I]
	wake chan struct{} // somebody waits
	soon chan struct{} // something was committed

	urgent atomic.Int32 // callers that want to know at once
	live   bool         // the observer is told; of the goroutine in Run

	lock  sync.RWMutex // of index and everything below but changed
	index I
	at    standing
	marks marks

	gaps  gaps
	pasts chan struct{} // reads of the past under way

	mu      sync.Mutex
	changed chan struct{} // closed and replaced whenever the index moved on
}

// New makes a follower with an empty index.
func New[I Index](cfg Config[I]) *Follower[I] {
	if cfg.Poll == 0 {
		cfg.Poll = 250 * time.Millisecond
	}
	if cfg.Page == 0 {
		cfg.Page = 2048
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	start := beginning()
	return &Follower[I]{
		cfg: cfg, wake: make(chan struct{}, 1), soon: make(chan struct{}, 1), index: cfg.New(), at: start, marks: marks{},
		pasts: make(chan struct{}, pastFolds), changed: make(chan struct{}),
	}
}

// gather is how long a nudge waits for others, so that a flood of commits is read in few pages. Who asks a question does not wait for it.
const gather = 50 * time.Millisecond

// Nudge tells that something was committed; it does not block.
func (f *Follower[I]) Nudge() {
	if f.urgent.Load() > 0 {
		signal(f.wake)
		return
	}
	signal(f.soon)
}

func signal(to chan struct{}) {
	select {
	case to <- struct{}{}:
	default:
	}
}

// pause waits until there may be something to fold.
func (f *Follower[I]) pause(ctx context.Context) {
	if f.cfg.Tail && f.urgent.Load() <= 0 {
		f.live = false
		select {
		case <-ctx.Done():
		case <-f.wake:
		}
		return
	}
	timer := time.NewTimer(f.cfg.Poll)
	defer timer.Stop()
	for soon := f.soon; ; soon = nil {
		select {
		case <-ctx.Done():
			return
		case <-f.wake:
			return
		case <-timer.C:
			return
		case <-soon:
			timer.Reset(gather)
		}
	}
}

// Run loads the index and follows until ctx ends. While the database is away it waits.
func (f *Follower[I]) Run(ctx context.Context) error {
	failing := false
	for ctx.Err() == nil {
		err := f.catchUp(ctx)
		switch {
		case err != nil && ctx.Err() == nil && !failing:
			f.cfg.Logger.WarnContext(ctx, "index stands still", "reason", err.Error())
		case err == nil && failing:
			f.cfg.Logger.InfoContext(ctx, "index follows again")
		}
		failing = err != nil
		f.pause(ctx)
	}
	return nil
}

// catchUp folds what was committed since the last time.
func (f *Follower[I]) catchUp(ctx context.Context) error {
	to, err := f.stands(ctx)
	if err != nil {
		return err
	}
	if f.cfg.Tail && !f.live {
		f.skip(to)
		return nil
	}
	f.observe()
	if f.at.covers(to) {
		f.begin()
		return nil
	}
	if err := f.foldReleased(ctx, to.releases); err != nil {
		return err
	}
	if err := f.fold(ctx, f.at, to, liveFold[I]{f}); err != nil {
		return err
	}
	// A place without an event, the beginning of an epoch, is reached as well.
	f.lock.Lock()
	for _, r := range to.places {
		f.at.raise(r)
	}
	f.lock.Unlock()
	f.begin()
	f.observe()
	f.announce()
	return nil
}

// begin tells the observer of the live fold from now on.
func (f *Follower[I]) begin() {
	if !f.live {
		f.live = true
		f.observe()
	}
}

// liveFold folds into the index that answers; the write lock is held for one chunk at a time.
type liveFold[I Index] struct{ f *Follower[I] }

func (l liveFold[I]) take(chunk []step) {
	f := l.f
	f.lock.Lock()
	for _, s := range chunk {
		f.at.places[s.at.Producer] = s.at
		f.marks.add(s)
		f.one(s)
	}
	f.lock.Unlock()
	f.announce()
}

// one applies an event to the live index; lock is held.
func (f *Follower[I]) one(s step) {
	if s.gap != nil {
		f.gaps.add(*s.gap)
		return
	}
	if s.repeated {
		return
	}
	if err := f.folds(s); err != nil {
		f.gaps.add(gapOf(s, err))
		f.cfg.Logger.Error("event is missing in an index", "event_id", s.event.EventID, "type", s.event.Body.Kind(), "reason", err.Error())
	}
}

// apply keeps an index's panic from ending the process; what it has done to the index by then stays.
func apply[I Index](index I, e lot.Recorded) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fault.Bug("index: apply event %s (%s): panic: %v", e.EventID, e.Body.Kind(), p)
		}
	}()
	return index.Apply(e)
}

func (f *Follower[I]) announce() {
	f.mu.Lock()
	defer f.mu.Unlock()
	close(f.changed)
	f.changed = make(chan struct{})
}

// decode makes a step of an envelope.
func decode(env *eventv1.Envelope) step {
	e, err := lotwire.Unmarshal(env)
	s := step{at: e.Receipt, recorded: env.GetRecordedMicros(), event: e}
	if err != nil {
		g := gapOf(s, err)
		s.gap = &g
	}
	return s
}

// View runs fn with the index when it holds everything that was committed in this database before the call, and need besides. asOf are the
// positions that the index holds, own first: what fn answers is complete as of them, but for Gaps. fn must not keep the index. Past ctx's
// deadline View gives reason behind.
func (f *Follower[I]) View(ctx context.Context, need []lot.Receipt, fn func(index I, asOf []lot.Receipt) error) error {
	to, err := f.stands(ctx)
	if err != nil {
		return err
	}
	to = to.clone()
	for _, r := range need {
		to.raise(r)
	}
	if err := f.await(ctx, to); err != nil {
		return err
	}
	if f.cfg.Exclusive {
		f.lock.Lock()
		defer f.lock.Unlock()
	} else {
		f.lock.RLock()
		defer f.lock.RUnlock()
	}
	return fn(f.index, f.at.vector(f.cfg.Self))
}

// await waits until the index has reached a place.
func (f *Follower[I]) await(ctx context.Context, to standing) error {
	for {
		f.mu.Lock()
		changed := f.changed
		f.mu.Unlock()
		f.lock.RLock()
		reached := f.at.covers(to)
		f.lock.RUnlock()
		if reached {
			return nil
		}
		signal(f.wake)
		select {
		case <-changed:
		case <-ctx.Done():
			return fault.Unavailable("behind", "the index has not reached %s yet: %w", to, context.Cause(ctx))
		}
	}
}

// AsOf is how far the index stands, own position first.
func (f *Follower[I]) AsOf() []lot.Receipt {
	f.lock.RLock()
	defer f.lock.RUnlock()
	return f.at.vector(f.cfg.Self)
}
