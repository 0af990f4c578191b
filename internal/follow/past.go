package follow

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// pastFolds is how many fresh folds may run at once; each takes the memory of a whole index and a core.
const pastFolds = 2

// Past runs fn with a fresh index of exactly the events up to the places given: what Vector was printed by an earlier answer, or VectorAt.
// Nothing is folded of a producer that is not among them. Places that this database does not hold yet are waited for, past ctx's deadline
// with reason behind; a producer that it never heard of gives reason as_of_unknown.
func (f *Follower[I]) Past(ctx context.Context, vector []lot.Receipt, fn func(index I, asOf []lot.Receipt) error) error {
	select {
	case f.pasts <- struct{}{}:
		defer func() { <-f.pasts }()
	case <-ctx.Done():
		return fault.Unavailable("busy", "%d reads of the past are under way, the limit: %w", pastFolds, context.Cause(ctx))
	}
	to := standing{places: map[lot.Producer]lot.Receipt{}}
	for _, r := range vector {
		to.raise(r)
	}
	now, err := f.holds(ctx, to)
	if err != nil {
		return err
	}
	to.releases = now.releases
	fresh := &freshFold[I]{index: f.cfg.New()}
	if err := f.fold(ctx, standing{places: map[lot.Producer]lot.Receipt{}}, to, fresh); err != nil {
		return err
	}
	return fn(fresh.index, to.vector(f.cfg.Self))
}

// holds waits until the database holds the places.
func (f *Follower[I]) holds(ctx context.Context, to standing) (standing, error) {
	for {
		now, err := f.stands(ctx)
		if err != nil {
			return now, err
		}
		if now.covers(to) {
			return now, nil
		}
		for p := range to.places {
			if _, ok := now.places[p]; !ok {
				return now, fault.Invalid("as_of_unknown", "as of %s: nothing was ever heard of producer %q", to, p)
			}
		}
		timer := time.NewTimer(f.cfg.Poll)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return now, fault.Unavailable("behind", "this service does not hold %s yet: %w", to, context.Cause(ctx))
		}
	}
}

// freshFold folds into an index of its own. What cannot be applied is left out as in the live index, whose gaps tell.
type freshFold[I Index] struct{ index I }

func (p *freshFold[I]) take(chunk []step) {
	for _, s := range chunk {
		if s.gap == nil && !s.repeated {
			apply(p.index, s.event)
		}
	}
}
