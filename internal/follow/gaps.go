package follow

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/inbox"
	"huskline/internal/lot"
)

// Gap is an event that an index lacks.
type Gap struct {
	At         lot.Receipt
	EventID    string
	Lots       []lot.ID // that it names; none where it could not be read
	Reason     string
	Quarantine bool // it is in quarantine; else the index itself could not take it
}

// String is the gap as a line of an answer's list of what is missing.
func (g Gap) String() string {
	place := fmt.Sprintf("%s/%d/%d", g.At.Producer, g.At.Epoch, g.At.Position)
	if g.Quarantine {
		return fmt.Sprintf("event %s in quarantine: %s", place, g.Reason)
	}
	return fmt.Sprintf("event %s not understood: %s", place, g.Reason)
}

func gapOf(s step, err error) Gap {
	reason := fault.ReasonOf(err)
	if reason == "" {
		reason = "internal"
	}
	return Gap{At: s.at, EventID: s.event.EventID, Lots: feed.Lots(s.event.Event), Reason: reason}
}

// gaps has a lock of its own, so that it can be asked from inside a View.
type gaps struct {
	mu  sync.Mutex
	all map[lot.Receipt]Gap
}

func (g *gaps) add(gap Gap) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.all == nil {
		g.all = map[lot.Receipt]Gap{}
	}
	g.all[gap.At] = gap
}

func (g *gaps) remove(at lot.Receipt) {
	g.mu.Lock()
	defer g.mu.Unlock()
	delete(g.all, at)
}

// Gaps lists what the index lacks about these lots: events in quarantine and events that it could not take, by place. Events that could not
// be read may be about any lot, and are always among them. Without lots all gaps are listed. It may be called inside a View.
func (f *Follower[I]) Gaps(lots ...lot.ID) []Gap {
	f.gaps.mu.Lock()
	defer f.gaps.mu.Unlock()
	var out []Gap
	for _, g := range f.gaps.all {
		if len(lots) == 0 || len(g.Lots) == 0 || slices.ContainsFunc(lots, func(id lot.ID) bool { return slices.Contains(g.Lots, id) }) {
			out = append(out, g)
		}
	}
	slices.SortFunc(out, func(a, b Gap) int {
		if a.At.Producer != b.At.Producer {
			if a.At.Producer < b.At.Producer {
				return -1
			}
			return 1
		}
		return feed.Compare(a.At, b.At)
	})
	return out
}

// foldReleased applies what was released from quarantine since, where the fold had passed its place already.
func (f *Follower[I]) foldReleased(ctx context.Context, upTo int64) error {
	if f.at.releases == upTo {
		return nil
	}
	var kept []inbox.Kept
	if len(f.at.places) > 0 {
		err := f.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
			kept, err = inbox.Released(ctx, tx, f.at.releases, upTo)
			return err
		})
		if err != nil {
			return err
		}
	}
	f.lock.Lock()
	defer f.lock.Unlock()
	for i, k := range kept {
		s := keptStep(k)
		if i == len(kept)-1 {
			f.at.releases = upTo // from here on an observer has seen them all
		}
		if feed.Compare(s.at, f.at.places[s.at.Producer]) <= 0 {
			f.gaps.remove(s.at)
			f.one(s)
		}
	}
	f.at.releases = upTo
	return nil
}
