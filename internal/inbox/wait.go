package inbox

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// rewant is how often a wait says again what it waits for: a pull that found nothing forgets it.
const rewant = 200 * time.Millisecond

// Wait returns when the events up to these places have been settled here: applied, or set aside (see Touched). What has not come yet is
// pulled at once. It takes no connection while it waits. Past ctx's deadline it gives reason behind; a producer whose events are not taken
// here, reason receipt_producer_unknown.
func (in *Inbox) Wait(ctx context.Context, receipts []lot.Receipt) error {
	for _, r := range receipts {
		if r.Producer != in.cfg.Self && in.sources[r.Producer] == nil {
			return fault.Invalid("receipt_producer_unknown", "receipt %s/%d/%d: this service takes no events of %q", r.Producer, r.Epoch, r.Position, r.Producer)
		}
	}
	for {
		missing, changed := in.want(receipts)
		if len(missing) == 0 {
			return nil
		}
		timer := time.NewTimer(rewant)
		select {
		case <-changed:
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			r := missing[0]
			return fault.Unavailable("behind", "wait for %s/%d/%d: not applied here yet: %w", r.Producer, r.Epoch, r.Position, context.Cause(ctx))
		}
		timer.Stop()
	}
}

// want tells which places are not reached, and has them pulled.
func (in *Inbox) want(receipts []lot.Receipt) ([]lot.Receipt, <-chan struct{}) {
	in.mu.Lock()
	defer in.mu.Unlock()
	var missing []lot.Receipt
	for _, r := range receipts {
		s := in.sources[r.Producer]
		if s == nil || in.loaded && in.feed.Reached(r) {
			continue
		}
		missing = append(missing, r)
		in.feed.Want(r)
		s.press()
	}
	return missing, in.changed
}

// catchUpTime bounds CatchUp, so that a producer that hangs costs a read only part of its deadline.
const catchUpTime = 2 * time.Second

// CatchUp asks every other producer for its head and waits until it is reached, for at most 2 s and at most half of what is left of ctx. It
// names what a complete answer would lack: what Reach names, and the producers of which events are in quarantine. Empty: nothing.
func (in *Inbox) CatchUp(ctx context.Context) (missing []string) {
	missing = in.Reach(ctx)
	in.mu.Lock()
	for p, n := range in.feed.Quarantine().Count() {
		missing = append(missing, fmt.Sprintf("%s: events in quarantine: %d", p, n))
	}
	in.mu.Unlock()
	slices.Sort(missing)
	return missing
}

// Reach is CatchUp for a judgement that waits for nobody's quarantine: it names only the producers that could not be reached or were not
// caught up with, each line beginning with the producer and a colon.
func (in *Inbox) Reach(ctx context.Context) (unreached []string) {
	limit := catchUpTime
	if deadline, ok := ctx.Deadline(); ok {
		limit = min(limit, time.Until(deadline)/2)
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	var mu sync.Mutex
	var running sync.WaitGroup
	for _, s := range in.sources {
		running.Go(func() {
			if why := in.catchUp(ctx, s); why != "" {
				mu.Lock()
				defer mu.Unlock()
				unreached = append(unreached, why)
			}
		})
	}
	running.Wait()
	slices.Sort(unreached)
	return unreached
}

func (in *Inbox) catchUp(ctx context.Context, s *source) string {
	st, err := s.Head(ctx)
	if err != nil {
		return fmt.Sprintf("%s: cannot be reached", s.Producer)
	}
	at := in.answered(s, st)
	if err := in.Wait(ctx, []lot.Receipt{at}); err != nil {
		return fmt.Sprintf("%s: not caught up with its position %d of epoch %d", s.Producer, at.Position, at.Epoch)
	}
	return ""
}

// Lag is how a producer's events stand.
type Lag struct {
	Applied    lot.Receipt
	Behind     int64 // events known to be there and not settled
	Quarantine int
}

// Lags tells how each producer's events stand, for metrics and readiness; in the order of the sources.
func (in *Inbox) Lags() []Lag {
	in.mu.Lock()
	defer in.mu.Unlock()
	held := in.feed.Quarantine().Count()
	var lags []Lag
	for _, p := range in.feed.Producers() {
		c, _ := in.feed.Cursor(p)
		lags = append(lags, Lag{Applied: c.Receipt, Behind: in.feed.Behind(p), Quarantine: held[p]})
	}
	return lags
}

// Positions is what this service has settled of the others, as q's transaction sees it; producers of which nothing came are left out. It is
// what `after` of an event says.
func (in *Inbox) Positions(ctx context.Context, q Querier) ([]lot.Receipt, error) {
	return Positions(ctx, q)
}

// Positions is Inbox.Positions for whoever has the database only.
func Positions(ctx context.Context, q Querier) ([]lot.Receipt, error) {
	cursors, err := readCursors(ctx, q)
	if err != nil {
		return nil, err
	}
	var at []lot.Receipt
	for _, c := range cursors {
		if c.Position > 0 || c.Epoch > 1 {
			at = append(at, c.Receipt)
		}
	}
	return at, nil
}
