package follow

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/outbox"
	eventv1 "huskline/proto/huskline/event/v1"
)

// step is an event on its way into an index.
type step struct {
	at       lot.Receipt
	recorded int64 // microseconds
	event    lot.Recorded
	repeated bool // without effect: known before under its id
	gap      *Gap // set where it is left out
}

// sink takes steps in the order of the fold.
type sink interface{ take(chunk []step) }

// chunkSize is how many events are folded under one hold of the write lock: some milliseconds, so that readers get in between.
const chunkSize = 1024

// fold reads what lies between two standings and hands it to the sink in causal order. The order depends on the events alone, never on
// which reader was faster.
func (f *Follower[I]) fold(ctx context.Context, from, to standing, into sink) error {
	group, ctx := errgroup.WithContext(ctx)
	m := &merge{to: to, folded: maps.Clone(from.places), into: into}
	for _, p := range slices.Sorted(maps.Keys(to.places)) {
		if feed.Compare(to.places[p], from.places[p]) <= 0 {
			continue
		}
		r := inbox.Range{From: from.places[p], To: to.places[p], Releases: to.releases}
		s := &stream{producer: p, pages: make(chan []step, 2)}
		m.streams = append(m.streams, s)
		group.Go(func() error {
			defer close(s.pages)
			return f.read(ctx, r, s.pages)
		})
	}
	group.Go(func() error { return m.run(ctx) })
	return group.Wait()
}

// read sends the events of a range, decoded, in pages.
func (f *Follower[I]) read(ctx context.Context, r inbox.Range, pages chan<- []step) error {
	next := f.taken
	if r.To.Producer == f.cfg.Self {
		next = f.own
		r.From.Epoch = max(r.From.Epoch, 1)
	}
	for feed.Compare(r.From, r.To) < 0 {
		page, err := next(ctx, &r)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			continue
		}
		select {
		case pages <- page:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// own reads a page of the service's own events and moves r.From behind it; at the end of an epoch to the beginning of the next.
func (f *Follower[I]) own(ctx context.Context, r *inbox.Range) ([]step, error) {
	var envs []*eventv1.Envelope
	err := f.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
		envs, err = outbox.Read(ctx, tx, r.From.Epoch, r.From.Position, f.cfg.Page)
		return err
	})
	if err != nil {
		return nil, err
	}
	if len(envs) == 0 {
		if r.From.Epoch >= r.To.Epoch {
			return nil, fault.Bug("own events end at %d of epoch %d, before the head %d", r.From.Position, r.From.Epoch, r.To.Position)
		}
		r.From.Epoch, r.From.Position = r.From.Epoch+1, 0
		return nil, nil
	}
	page := make([]step, 0, len(envs))
	for _, env := range envs {
		if env.GetEpoch() == r.To.Epoch && env.GetPosition() > r.To.Position {
			break
		}
		page = append(page, decode(env))
		r.From.Position = env.GetPosition()
	}
	return page, nil
}

// taken reads a page of the events of another producer and moves r.From behind it.
func (f *Follower[I]) taken(ctx context.Context, r *inbox.Range) ([]step, error) {
	var kept []inbox.Kept
	err := f.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
		kept, err = r.Read(ctx, tx, f.cfg.Page)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("load an index: %w", err)
	}
	if len(kept) < f.cfg.Page {
		r.From = r.To
	}
	page := make([]step, 0, len(kept))
	for _, k := range kept {
		s := keptStep(k)
		page = append(page, s)
		if r.From != r.To {
			r.From.Epoch, r.From.Position = s.at.Epoch, s.at.Position
		}
	}
	return page, nil
}

// keptStep is decode, knowing what became of the event when it was taken in.
func keptStep(k inbox.Kept) step {
	s := decode(k.Envelope)
	switch k.State {
	case inbox.Repeated:
		s.repeated, s.gap = true, nil
	case inbox.SetAside:
		s.gap = &Gap{At: s.at, EventID: k.EventID, Lots: k.Lots, Reason: k.Reason, Quarantine: true}
	}
	return s
}

// stream is one producer's part of a fold.
type stream struct {
	producer lot.Producer
	pages    chan []step
	page     []step
	ended    bool
}

// head is the next step; nil at the end.
func (s *stream) head(ctx context.Context) (*step, error) {
	for len(s.page) == 0 && !s.ended {
		select {
		case page, more := <-s.pages:
			s.page, s.ended = page, !more
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	if len(s.page) == 0 {
		return nil, nil
	}
	return &s.page[0], nil
}

// merge brings streams into one order.
type merge struct {
	streams []*stream
	to      standing
	folded  map[lot.Producer]lot.Receipt
	into    sink
	chunk   []step
}

// run takes from each stream in turn as far as it goes: until an event builds on one of another producer that is not folded yet.
func (m *merge) run(ctx context.Context) error {
	for {
		moved, left := false, false
		for _, s := range m.streams {
			went, err := m.drain(ctx, s)
			if err != nil {
				return err
			}
			moved = moved || went
			left = left || len(s.page) > 0
		}
		if !left {
			m.flush()
			return nil
		}
		if !moved {
			// Events that build on each other in a circle cannot have been recorded; of damaged ones the index takes what it can.
			if err := m.force(ctx); err != nil {
				return err
			}
		}
	}
}

func (m *merge) drain(ctx context.Context, s *stream) (moved bool, err error) {
	for {
		next, err := s.head(ctx)
		if err != nil || next == nil || !m.ready(next) {
			return moved, err
		}
		m.add(s)
		moved = true
	}
}

func (m *merge) force(ctx context.Context) error {
	for _, s := range m.streams {
		next, err := s.head(ctx)
		if err != nil {
			return err
		}
		if next != nil {
			m.add(s)
			return nil
		}
	}
	return nil
}

func (m *merge) add(s *stream) {
	next := s.page[0]
	s.page = s.page[1:]
	m.folded[s.producer] = next.at
	m.chunk = append(m.chunk, next)
	if len(m.chunk) >= chunkSize {
		m.flush()
	}
}

func (m *merge) flush() {
	if len(m.chunk) > 0 {
		m.into.take(m.chunk)
		m.chunk = m.chunk[:0]
	}
}

// ready tells whether all that an event builds on is folded, as far as it lies within this fold at all.
func (m *merge) ready(s *step) bool {
	for _, r := range s.event.After {
		if r.Producer == s.at.Producer {
			continue
		}
		end, in := m.to.places[r.Producer]
		if in && feed.Compare(r, end) <= 0 && feed.Compare(r, m.folded[r.Producer]) > 0 && !m.ended(r.Producer) {
			return false
		}
	}
	return true
}

func (m *merge) ended(p lot.Producer) bool {
	for _, s := range m.streams {
		if s.producer == p {
			return s.ended && len(s.page) == 0
		}
	}
	return true
}
