package follow

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/inbox"
	"huskline/internal/lot"
)

// Mark is how far a fold went: a place of each producer, and how many events had been released from quarantine by then.
type Mark struct {
	At       []lot.Receipt // own first
	Releases int64
}

// String writes a mark as text that ParseMark reads: "intake/1/7,inventory/1/3,production/1/0,0".
func (m Mark) String() string {
	var b strings.Builder
	for _, r := range m.At {
		b.WriteString(place(r))
		b.WriteByte(',')
	}
	return b.String() + strconv.FormatInt(m.Releases, 10)
}

// ParseMark reads what String wrote. Reason mark_malformed.
func ParseMark(text string) (Mark, error) {
	parts := strings.Split(text, ",")
	malformed := fault.Invalid("mark_malformed", "position %q: not one that a live view gave", text)
	var m Mark
	var err error
	if m.Releases, err = strconv.ParseInt(parts[len(parts)-1], 10, 64); err != nil || m.Releases < 0 {
		return Mark{}, malformed
	}
	for _, part := range parts[:len(parts)-1] {
		words := strings.Split(part, "/")
		if len(words) != 3 {
			return Mark{}, malformed
		}
		epoch, err1 := strconv.ParseInt(words[1], 10, 64)
		position, err2 := strconv.ParseInt(words[2], 10, 64)
		if err1 != nil || err2 != nil || epoch < 1 || position < 0 {
			return Mark{}, malformed
		}
		m.At = append(m.At, lot.Receipt{Producer: lot.Producer(words[0]), Epoch: epoch, Position: position})
	}
	if whole(m.At) != nil {
		return Mark{}, malformed
	}
	return m, nil
}

func (s standing) mark(self lot.Producer) Mark { return Mark{At: s.vector(self), Releases: s.releases} }

func (m Mark) standing() standing {
	s := standing{places: map[lot.Producer]lot.Receipt{}, releases: m.Releases}
	for _, r := range m.At {
		s.places[r.Producer] = r
	}
	return s
}

// Observer is told what is folded. Its methods are called one at a time, those about the live fold under the index's write lock; they do not
// block. What lies before the first mark is not told.
type Observer[I Index] interface {
	// Stands is told that everything up to a mark is folded: when the fold begins to be told of, and before and after each step of it.
	Stands(at Mark)
	// Folds applies an event by calling apply once and returns its error; at is the mark behind the event. An event that was put aside or known
	// before is not told.
	Folds(index I, e lot.Recorded, at Mark, apply func() error) error
}

// Hurry says how many more callers (fewer, where below zero) want to know at once what was committed; as long as there are any, a nudge waits
// for no other.
func (f *Follower[I]) Hurry(more int) {
	if f.urgent.Add(int32(more)) > 0 {
		signal(f.wake)
	}
}

// observe is the observer's Stands for the live fold.
func (f *Follower[I]) observe() {
	if f.cfg.Observer == nil || !f.live {
		return
	}
	f.lock.Lock()
	defer f.lock.Unlock()
	f.cfg.Observer.Stands(f.at.mark(f.cfg.Self))
}

// skip puts a tail where the database stands, without folding what lies before.
func (f *Follower[I]) skip(to standing) {
	f.lock.Lock()
	f.at = to
	f.live = true
	f.lock.Unlock()
	f.observe()
	f.announce()
}

// folds applies an event to the live index, telling the observer; lock is held.
func (f *Follower[I]) folds(s step) error {
	if f.cfg.Observer == nil || !f.live {
		return apply(f.index, s.event)
	}
	return f.cfg.Observer.Folds(f.index, s.event, f.at.mark(f.cfg.Self), func() error { return apply(f.index, s.event) })
}

// Settled waits until everything that was committed in this database before the call is folded.
func (f *Follower[I]) Settled(ctx context.Context) error {
	to, err := f.stands(ctx)
	if err != nil {
		return err
	}
	return f.await(ctx, to)
}

// Replay tells an observer, from a fresh fold, what came after a mark, up to where the database stands; the live index is left alone. A mark
// that this database does not hold gives reason position_unknown. A tail folds nothing of what lies before the mark.
func (f *Follower[I]) Replay(ctx context.Context, from Mark, to Observer[I]) error {
	select {
	case f.pasts <- struct{}{}:
		defer func() { <-f.pasts }()
	case <-ctx.Done():
		return fault.Unavailable("busy", "%d reads of the past are under way, the limit: %w", pastFolds, context.Cause(ctx))
	}
	start := from.standing()
	end, err := f.stands(ctx)
	if err != nil {
		return err
	}
	if !end.covers(start) {
		return fault.Invalid("position_unknown", "position %s: the highest known here is %s", from, end.mark(f.cfg.Self))
	}
	fresh := &freshFold[I]{index: f.cfg.New()}
	if !f.cfg.Tail {
		if err := f.fold(ctx, standing{places: map[lot.Producer]lot.Receipt{}}, start, fresh); err != nil {
			return err
		}
	}
	told := &toldFold[I]{self: f.cfg.Self, index: fresh.index, at: start.clone(), to: to}
	to.Stands(from)
	if err := f.releasedSince(ctx, start, end, told); err != nil {
		return err
	}
	told.at.releases = end.releases
	if err := f.fold(ctx, start, end, told); err != nil {
		return err
	}
	to.Stands(end.mark(f.cfg.Self))
	return nil
}

// releasedSince tells what was released from quarantine since, where the mark had passed its place already.
func (f *Follower[I]) releasedSince(ctx context.Context, start, end standing, told *toldFold[I]) error {
	if start.releases == end.releases {
		return nil
	}
	var kept []inbox.Kept
	err := f.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
		kept, err = inbox.Released(ctx, tx, start.releases, end.releases)
		return err
	})
	if err != nil {
		return fmt.Errorf("tell what was released: %w", err)
	}
	for i, k := range kept {
		if i == len(kept)-1 {
			told.at.releases = end.releases
		}
		if s := keptStep(k); feed.Compare(s.at, start.places[s.at.Producer]) <= 0 {
			told.tell(s)
		}
	}
	return nil
}

// toldFold folds into an index of its own and tells an observer.
type toldFold[I Index] struct {
	self  lot.Producer
	index I
	at    standing
	to    Observer[I]
}

func (t *toldFold[I]) take(chunk []step) {
	for _, s := range chunk {
		t.at.places[s.at.Producer] = s.at
		t.tell(s)
	}
}

func (t *toldFold[I]) tell(s step) {
	if s.gap == nil && !s.repeated {
		_ = t.to.Folds(t.index, s.event, t.at.mark(t.self), func() error { return apply(t.index, s.event) })
	}
}

// Behind tells whether an event at a place comes behind a mark.
func (m Mark) Behind(at lot.Receipt) bool {
	i := slices.IndexFunc(m.At, func(r lot.Receipt) bool { return r.Producer == at.Producer })
	return i < 0 || feed.Compare(at, m.At[i]) > 0
}

// Raised is the mark behind all that lies before either of two.
func (m Mark) Raised(other Mark) Mark {
	out := Mark{At: slices.Clone(m.At), Releases: max(m.Releases, other.Releases)}
	for i, r := range out.At {
		if j := slices.IndexFunc(other.At, func(o lot.Receipt) bool { return o.Producer == r.Producer }); j >= 0 && feed.Compare(other.At[j], r) > 0 {
			out.At[i] = other.At[j]
		}
	}
	return out
}

// Covers tells whether a mark lies at or behind another, with every producer.
func (m Mark) Covers(other Mark) bool {
	at, than := m.standing(), other.standing()
	for p := range maps.Keys(than.places) {
		if feed.Compare(at.places[p], than.places[p]) < 0 {
			return false
		}
	}
	return m.Releases >= other.Releases
}
