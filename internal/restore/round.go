package restore

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/outbox"
)

const (
	// firstPause and longestPause are between two rounds of asking: other services start at the same time, or come back in hours.
	firstPause   = 100 * time.Millisecond
	longestPause = 5 * time.Second
	// askTimeout is how long one service may take to say its head, as in the inbox.
	askTimeout = 2 * time.Second
	// restoredPatience is how many times longer silent services are waited for once a restore is known: writes are refused meanwhile, but
	// what only the silent ones hold comes back in its place.
	restoredPatience = 6
	// roomForSilent is how many epochs a raise leaves free where somebody was silent, who may know some of which nobody else does.
	roomForSilent = 16
)

// Run asks, heals and opens the gate, and goes on until every other service has answered; at once where there is none. It returns nil when
// ctx ends.
func (r *Recovery) Run(ctx context.Context) error {
	patience := time.NewTimer(r.cfg.Patience)
	defer patience.Stop()
	pause, waited, failing := firstPause, 0, false
	for ctx.Err() == nil {
		state, err := r.round(ctx, waited)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !failing:
			r.cfg.Logger.WarnContext(ctx, "recovery does not get on", slog.String("reason", err.Error()))
		case state == done:
			return nil
		}
		failing = err != nil
		select {
		case <-ctx.Done():
		case <-patience.C:
			if waited++; waited == 1 {
				patience.Reset((restoredPatience - 1) * r.cfg.Patience)
			}
		case <-time.After(pause):
			pause = min(2*pause, longestPause)
			if !r.Open() {
				pause = min(pause, time.Second)
			}
		}
	}
	return nil
}

// outcome of a round.
type outcome int

const (
	more outcome = iota
	done
)

// answer is what a service holds of this one's past.
type answer struct {
	peer    Peer
	applied lot.Receipt
}

// round asks those that have not settled, and does what can be done. waited counts the patiences that are over: 1, where nothing is known
// of a restore, 2 in any case.
func (r *Recovery) round(ctx context.Context, waited int) (outcome, error) {
	answers := r.ask(ctx)
	p, err := readPast(ctx, r.cfg.DB) // after the answers: what they hold was recorded before
	if err != nil {
		return more, err
	}
	silent := len(answers)+len(r.settled) < len(r.cfg.Peers)
	lost := r.changed || slices.ContainsFunc(answers, func(a answer) bool { return feed.Compare(a.applied, p.head.at) > 0 })
	if lost {
		r.shut(r.waiting(len(answers) + len(r.settled)))
	}
	enough := waited > 1 || waited == 1 && !lost && !r.restored
	if silent && !enough {
		return more, nil
	}
	if lost {
		if len(answers)+len(r.settled) == 0 && len(r.cfg.Peers) > 0 {
			return more, nil // nobody to heal from: read only
		}
		if p, err = r.raise(ctx, p, answers, silent); err != nil {
			return more, err
		}
	}
	turned, err := r.takeBack(ctx, p, answers)
	if err != nil {
		return more, err
	}
	if !r.Open() && (turned || enough) {
		r.cfg.Logger.InfoContext(ctx, "writes are let through", slog.Int64("epoch", p.head.at.Epoch), slog.Bool("restored", r.restored), slog.Bool("silent", silent))
		r.open()
	}
	if len(r.settled) == len(r.cfg.Peers) {
		return done, nil
	}
	return more, nil
}

// waiting is why writes are refused once a restore is known.
func (r *Recovery) waiting(answered int) error {
	if answered == 0 {
		return fault.Unavailable("restored_alone",
			"the database of %s was restored to an earlier moment, and no other service answers that may hold what followed: it only reads until one does", r.cfg.Self)
	}
	return fault.Unavailable("recovering", "the database of %s was restored to an earlier moment and takes back what followed: come again", r.cfg.Self)
}

// ask asks all that have not settled, at once, and returns the answers of those who know most first.
func (r *Recovery) ask(ctx context.Context) []answer {
	ctx, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	var mu sync.Mutex
	var answers []answer
	var asking sync.WaitGroup
	for _, peer := range r.cfg.Peers {
		if r.settled[peer.Producer] {
			continue
		}
		asking.Go(func() {
			standing, err := peer.Head(ctx)
			if err != nil {
				return
			}
			a := answer{peer: peer, applied: lot.Receipt{Producer: r.cfg.Self}}
			for _, at := range standing.Applied {
				if at.Producer == r.cfg.Self {
					a.applied = at
				}
			}
			mu.Lock()
			defer mu.Unlock()
			answers = append(answers, a)
		})
	}
	asking.Wait()
	slices.SortStableFunc(answers, func(a, b answer) int { return feed.Compare(b.applied, a.applied) })
	return answers
}

// raise begins a new epoch above all that anybody told of. Everybody is then asked again for what they kept.
func (r *Recovery) raise(ctx context.Context, p past, answers []answer, silent bool) (past, error) {
	above := p.head.at.Epoch
	for _, a := range answers {
		above = max(above, a.applied.Epoch)
	}
	if silent {
		above += roomForSilent
	}
	if _, err := outbox.RaiseEpoch(ctx, r.cfg.DB, above); err != nil {
		return p, err
	}
	r.restored = true
	clear(r.settled)
	if r.changed {
		here, err := readCopy(ctx, r.cfg.DB)
		if err == nil {
			err = r.note(ctx, here)
		}
		if err != nil {
			return p, err
		}
		r.changed = false
	}
	ended := p.head.at
	p, err := readPast(ctx, r.cfg.DB)
	if err != nil {
		return p, err
	}
	r.cfg.Recorded()
	r.cfg.alarm(ctx, AlarmRestored, ended, fmt.Errorf("the database was restored to an earlier moment: epoch %d follows", p.head.at.Epoch))
	return p, nil
}

// takeBack takes from each service that answered what it kept after the ends of earlier epochs. It tells whether each of them has turned to
// the present epoch, so that what it keeps of earlier ones is final; such a one has settled.
func (r *Recovery) takeBack(ctx context.Context, p past, answers []answer) (turned bool, err error) {
	turned = true
	var errs []error
	for _, a := range answers {
		settled := len(p.ended) == 0 || a.applied.Epoch >= p.head.at.Epoch
		turned = turned && settled
		if err := r.takeFrom(ctx, p, a, settled); err != nil {
			errs = append(errs, fmt.Errorf("take back what %s kept: %w", a.peer.Producer, err))
			continue
		}
		if settled {
			r.settled[a.peer.Producer] = true
		}
	}
	return turned, errors.Join(errs...)
}

// takeFrom takes back from one service, and where that is final notes that it is done.
func (r *Recovery) takeFrom(ctx context.Context, p past, a answer, final bool) error {
	for i, from := range p.ended {
		m := mark{from.at.Epoch, a.peer.Producer}
		if p.given[m] {
			continue
		}
		next := p.head.at.Epoch
		if i+1 < len(p.ended) {
			next = p.ended[i+1].at.Epoch
		}
		if err := r.takeEpochs(ctx, a, from, next); err != nil {
			return err
		}
		if final {
			if err := r.mark(ctx, m); err != nil {
				return err
			}
		}
	}
	return nil
}
