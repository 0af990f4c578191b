package inbox

import (
	"context"
	"errors"
	"fmt"
	"time"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// source is a producer with what its goroutine needs. heard and witness are guarded by the inbox's mu; the rest is the goroutine's own.
type source struct {
	Source
	wake    chan struct{}
	hurry   chan struct{} // somebody waits
	heard   bool          // a head came since the last tick
	silent  int           // ticks without one
	witness *eventv1.Head // to be kept

	isolation isolation
	pause     backoff
	ticks     int
	failing   bool // the last try failed, and that was logged
}

func newSource(src Source) *source {
	return &source{Source: src, wake: make(chan struct{}, 1), hurry: make(chan struct{}, 1)}
}

// press is nudge for somebody who waits: nothing more is gathered.
func (s *source) press() {
	select {
	case s.hurry <- struct{}{}:
	default:
	}
	s.nudge()
}

// gather is the least time between two takings of what nobody waits for, so that a flood is settled in few transactions. A single event after a
// pause is taken at once.
const gather = 25 * time.Millisecond

func (s *source) nudge() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// run takes the events of one producer until ctx ends.
func (in *Inbox) run(ctx context.Context, s *source) {
	ticker := time.NewTicker(in.cfg.Silence / silentTicks)
	defer ticker.Stop()
	for ctx.Err() == nil {
		act, err := in.step(ctx, s)
		switch {
		case ctx.Err() != nil:
		case errors.Is(err, errMoved):
			err = in.reload(ctx)
			in.report(ctx, s, err)
		case err != nil:
			in.report(ctx, s, err)
			s.pause.sleep(ctx, s.wake)
		case act == feed.Idle:
			in.report(ctx, s, nil)
			in.idle(ctx, s, ticker.C)
		case act == feed.Await:
			// Another process may have moved what is waited for.
			if wait(ctx, s.wake, time.Second) {
				in.report(ctx, s, in.reload(ctx))
			}
		default:
			in.report(ctx, s, nil)
		}
	}
}

// report logs when a producer's events begin to fail and when they flow again.
func (in *Inbox) report(ctx context.Context, s *source, err error) {
	switch {
	case err != nil && !s.failing && ctx.Err() == nil:
		in.cfg.Logger.WarnContext(ctx, "events do not flow", "producer", string(s.Producer), "reason", err.Error())
	case err == nil && s.failing:
		in.cfg.Logger.InfoContext(ctx, "events flow again", "producer", string(s.Producer))
	}
	s.failing = err != nil
	if err == nil {
		s.pause.reset()
	}
}

// silentTicks is how many times within Config.Silence a producer is found silent before it is asked.
const silentTicks = 5

// idle waits to be woken. A producer that is silent is asked for its head, so that a lost last event is noticed; and what other processes
// did is looked at.
func (in *Inbox) idle(ctx context.Context, s *source, tick <-chan time.Time) {
	rested := time.NewTimer(gather)
	defer rested.Stop()
	select {
	case <-ctx.Done():
		return
	case <-s.hurry:
		return
	case <-s.wake:
		select {
		case <-ctx.Done():
		case <-s.hurry:
		case <-rested.C:
		}
		return
	case <-tick:
	}
	in.mu.Lock()
	s.silent++
	if s.heard {
		s.silent = 0
	}
	s.heard = false
	silent := s.silent
	in.mu.Unlock()
	s.ticks++
	var err error
	if silent >= silentTicks {
		err = in.ask(ctx, s)
	}
	if err == nil && s.ticks%silentTicks == 0 {
		err = in.reload(ctx)
	}
	in.report(ctx, s, err)
}

// step does what the feed says is next.
func (in *Inbox) step(ctx context.Context, s *source) (feed.Act, error) {
	if err := in.keepWitness(ctx, s); err != nil {
		return feed.Idle, err
	}
	act, from, err := in.advance(ctx, s)
	if err != nil {
		return act, err
	}
	switch act {
	case feed.Pull:
		return act, in.pull(ctx, s, from)
	case feed.Ask:
		return act, in.ask(ctx, s)
	}
	return act, nil
}

// advance settles and turns as far as it goes without the network, and returns what comes next.
func (in *Inbox) advance(ctx context.Context, s *source) (feed.Act, lot.Receipt, error) {
	for {
		step, err := in.decide(ctx, s)
		if err != nil || step.Act != feed.Settle && step.Act != feed.Turn {
			return step.Act, step.From, err
		}
	}
}

// decide takes one step, and commits it where that needs no network.
func (in *Inbox) decide(ctx context.Context, s *source) (feed.Step[item], error) {
	in.gate.RLock()
	defer in.gate.RUnlock()
	in.mu.Lock()
	step := in.feed.Next(s.Producer, s.isolation.limit())
	if step.Act == feed.Await {
		for _, r := range step.Await {
			if other := in.sources[r.Producer]; other != nil { // nil: our own past is awaited, see Config.Own
				other.nudge()
			}
		}
	}
	in.mu.Unlock()
	switch step.Act {
	case feed.Settle:
		return step, in.settle(ctx, s, step.Decisions)
	case feed.Turn:
		return step, in.turn(ctx, step.To)
	}
	return step, ctx.Err()
}

func (in *Inbox) ask(ctx context.Context, s *source) error {
	ctx, cancel := context.WithTimeout(ctx, in.cfg.HeadTimeout)
	defer cancel()
	st, err := s.Head(ctx)
	if err != nil {
		return fmt.Errorf("ask %s for its head: %w", s.Producer, err)
	}
	in.answered(s, st)
	in.mu.Lock()
	again := in.feed.Next(s.Producer, 1).Act == feed.Ask
	in.mu.Unlock()
	if again {
		return fault.Unavailable("epoch_unknown", "%s does not say where its earlier epoch ended", s.Producer)
	}
	return nil
}

// errEnough ends a pull whose events wait for those of others.
var errEnough = errors.New("no room for more events")

// pull reads the producer's events from the cursor on, and settles them as they come.
func (in *Inbox) pull(ctx context.Context, s *source, from lot.Receipt) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	late := time.AfterFunc(in.cfg.PageTimeout, cancel)
	defer late.Stop()
	err := s.Read(ctx, from.Epoch, from.Position, func(page []*eventv1.Envelope) error {
		late.Stop()
		defer late.Reset(in.cfg.PageTimeout)
		return in.take(ctx, s, page)
	})
	switch {
	case errors.Is(err, errEnough):
		return nil
	case err != nil:
		return fmt.Errorf("pull events of %s from epoch %d after %d: %w", s.Producer, from.Epoch, from.Position, err)
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.feed.Pulled(from)
	return nil
}

func (in *Inbox) take(ctx context.Context, s *source, page []*eventv1.Envelope) error {
	entries := make([]feed.Entry[item], 0, len(page))
	for _, env := range page {
		if lot.Producer(env.GetProducer()) != s.Producer {
			return fault.Invalid("producer_differs", "%s sent an event of %q", s.Producer, env.GetProducer())
		}
		entries = append(entries, entryOf(env, true))
	}
	for len(entries) > 0 {
		in.mu.Lock()
		room := in.feed.Room(s.Producer)
		in.mu.Unlock()
		if !room {
			return errEnough
		}
		n := min(len(entries), batch)
		in.offer(entries[:n]...)
		entries = entries[n:]
		if _, _, err := in.advance(ctx, s); err != nil {
			return err
		}
	}
	return ctx.Err()
}
