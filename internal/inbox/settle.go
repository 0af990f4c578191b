package inbox

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/failpoint"
	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/postgres"
)

// batch is the most events in one transaction: large enough that the commit does not count, small enough that locks are short.
const batch = 256

// errMoved is a cursor or a quarantine that another process changed.
var errMoved = errors.New("the inbox was moved on by another process")

// isolation cuts batches down until an event that cannot be applied stands alone. suspects is how many events, from the cursor on, have it among
// them; 0: none is suspected.
type isolation struct {
	suspects int
	exact    bool // it is the last of them
}

func (i *isolation) limit() int {
	switch {
	case i.suspects == 0:
		return batch
	case i.suspects == 1:
		return 1
	case i.exact:
		return i.suspects - 1
	}
	return i.suspects / 2
}

func (i *isolation) passed(n int) { i.suspects = max(0, i.suspects-n) }

// failed takes a batch of n that failed at index at; below 0: at an unknown place, the commit for one.
func (i *isolation) failed(n, at int) {
	i.suspects, i.exact = n, false
	if at >= 0 {
		i.suspects, i.exact = at+1, true
	}
}

// settle commits decisions with their effects. After a failure of one of them nothing is kept, and the next step is smaller.
func (in *Inbox) settle(ctx context.Context, s *source, decisions []feed.Decision[item]) error {
	final, at, err := in.commit(ctx, decisions)
	if err != nil && !passing(ctx, err) {
		if len(decisions) > 1 {
			s.isolation.failed(len(decisions), at)
			return nil
		}
		if decisions[0].Verdict != feed.Apply {
			return err
		}
		decisions[0] = refused(decisions[0], err)
		final, _, err = in.commit(ctx, decisions)
	}
	if err != nil {
		return err
	}
	s.isolation.passed(len(final))
	in.mu.Lock()
	in.feed.Settled(final)
	in.announce()
	in.mu.Unlock()
	in.alarms(final)
	in.cfg.Applied()
	return nil
}

// passing tells whether a failure says nothing about the events: it may be gone at the next try, or another process was faster.
func passing(ctx context.Context, err error) bool {
	return ctx.Err() != nil || errors.Is(err, errMoved) || fault.KindOf(err) == fault.KindUnavailable ||
		errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded)
}

func refused(d feed.Decision[item], err error) feed.Decision[item] {
	d.Verdict, d.Reason = feed.Refuse, reasonOf(err)
	d.Entry.Value.detail = err.Error()
	return d
}

// commit writes decisions in one transaction and returns them as they were written; where one failed, its index, else -1.
func (in *Inbox) commit(ctx context.Context, decisions []feed.Decision[item]) (final []feed.Decision[item], at int, err error) {
	err = in.cfg.DB.InReplayableTx(ctx, func(ctx context.Context, direct pgx.Tx) error {
		at = -1
		tx := postgres.NewPipeline(direct)
		known, err := lockCursor(ctx, tx, decisions)
		if err != nil {
			return err
		}
		final = make([]feed.Decision[item], 0, len(decisions))
		for i, d := range decisions {
			asked := d.Verdict
			d, err := known.judge(d)
			if err != nil {
				return err
			}
			if d.Verdict == feed.Apply {
				at = i
				if err := in.apply(ctx, tx, d.Entry.Value.event); err != nil {
					return err
				}
				at = -1
			}
			final = append(final, d)
			if d.Verdict != asked && (asked != feed.Apply || d.Verdict == feed.Refuse) {
				break // the rest was judged with other lots blocked
			}
		}
		if err := writeSettled(ctx, tx, final, in.cfg.Now()); err != nil { // after what the events put off
			return err
		}
		failpoint.Hit("inbox-before-commit")
		return nil
	})
	if err == nil {
		failpoint.Hit("inbox-after-commit")
	}
	return final, at, err
}

// apply gives an event its effect. A panic is an event that cannot be applied, not the end of the process.
func (in *Inbox) apply(ctx context.Context, tx pgx.Tx, e lot.Recorded) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fault.Bug("apply event %s (%s): panic: %v", e.EventID, e.Body.Kind(), p)
		}
	}()
	return in.cfg.Apply(ctx, tx, e)
}

func (in *Inbox) alarms(final []feed.Decision[item]) {
	for _, d := range final {
		if d.Verdict != feed.Refuse {
			continue
		}
		reason := AlarmQuarantine
		if d.Reason == feed.ReasonChainBroken || d.Reason == feed.ReasonHashWrong {
			reason = AlarmForked
		}
		in.alarm(reason, d.Entry.Receipt, fmt.Sprintf("%s: %s", d.Reason, d.Entry.Value.detail))
	}
}

// turn begins the next epoch of a producer.
func (in *Inbox) turn(ctx context.Context, to feed.Cursor) error {
	err := in.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error { return beginEpoch(ctx, tx, to) })
	if err != nil {
		return err
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.feed.Turned(to)
	in.announce()
	return nil
}
