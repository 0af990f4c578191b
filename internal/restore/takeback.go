package restore

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

const (
	// pageTimeout is how long one page may take, as in the inbox.
	pageTimeout = 10 * time.Second
	// waitAtOnce is how long the events of others are waited for before the round ends in a warning; the next one goes on waiting.
	waitAtOnce = 10 * time.Second
)

// lost is an own event as another service kept it.
type lost struct {
	env    *eventv1.Envelope
	event  lot.Recorded
	unread error // why its body could not be read
}

// takeEpochs takes back what one service kept of the epoch that ended and of those after it, before next, that this database never knew.
func (r *Recovery) takeEpochs(ctx context.Context, a answer, from end, next int64) error {
	at := from
	for epoch := from.at.Epoch; epoch < next && epoch <= a.applied.Epoch; epoch++ {
		if epoch > from.at.Epoch {
			at = end{at: lot.Receipt{Producer: r.cfg.Self, Epoch: epoch}} // what its first event follows is not known here
		}
		for {
			page, err := r.page(ctx, a.peer, at)
			if err != nil {
				return err
			}
			if len(page) == 0 {
				break
			}
			if err := r.takePage(ctx, page); err != nil {
				return err
			}
			last := page[len(page)-1]
			at = end{last.event.Receipt, last.env.GetHash()}
		}
	}
	return nil
}

// page is the next page that a service kept, after it was judged.
func (r *Recovery) page(ctx context.Context, peer Peer, after end) ([]lost, error) {
	ctx, cancel := context.WithTimeout(ctx, pageTimeout)
	defer cancel()
	envs, err := peer.Kept(ctx, after.at.Epoch, after.at.Position)
	if err != nil {
		return nil, err
	}
	page := make([]lost, 0, len(envs))
	for _, env := range envs {
		e := lost{env: env}
		e.event, e.unread = lotwire.Unmarshal(env)
		e.event.Receipt = lot.Receipt{Producer: r.cfg.Self, Epoch: after.at.Epoch, Position: after.at.Position + 1}
		if err := r.judge(e, after); err != nil {
			r.cfg.alarm(ctx, AlarmDamaged, e.event.Receipt, err)
			return nil, err
		}
		if after.hash != nil && !bytes.Equal(after.hash, env.GetPreviousHash()) {
			r.cfg.alarm(ctx, AlarmForked, e.event.Receipt, fmt.Errorf("what %s kept does not follow what is here", peer.Producer))
		}
		page = append(page, e)
		after = end{e.event.Receipt, env.GetHash()}
	}
	return page, nil
}

// judge refuses what cannot be this service's own event at the next place.
func (r *Recovery) judge(e lost, after end) error {
	env, want := e.env, e.event.Receipt
	if lot.Producer(env.GetProducer()) != want.Producer || env.GetEpoch() != want.Epoch || env.GetPosition() != want.Position {
		return fault.Invalid("kept_order", "kept event %s/%d/%d comes where %s/%d/%d should, after position %d",
			env.GetProducer(), env.GetEpoch(), env.GetPosition(), want.Producer, want.Epoch, want.Position, after.at.Position)
	}
	if err := lotwire.Verify(env); err != nil {
		return err
	}
	if _, err := uuid.Parse(e.event.EventID); err != nil {
		return fault.Invalid("event_malformed", "kept event %d has no id: %q", want.Position, e.event.EventID)
	}
	return nil
}

// takePage takes back the events of a page that are not here, in as few transactions as the events of others that they build on allow.
func (r *Recovery) takePage(ctx context.Context, page []lost) error {
	for len(page) > 0 {
		n := 0
		for n < len(page) && r.cfg.Inbox.Reached(r.after(page[n])) {
			n++
		}
		if n == 0 {
			if err := r.await(ctx, page[0]); err != nil {
				return err
			}
			n = 1
		}
		if err := r.take(ctx, page[:n]); err != nil {
			return err
		}
		r.moved(page[n-1].event.Receipt)
		page = page[n:]
	}
	return nil
}

// after is what the event builds on, as far as this service takes it in.
func (r *Recovery) after(e lost) []lot.Receipt {
	var after []lot.Receipt
	for _, at := range e.event.After {
		for _, peer := range r.cfg.Peers {
			if at.Producer == peer.Producer && at.Epoch >= 1 {
				after = append(after, at)
			}
		}
	}
	return after
}

func (r *Recovery) await(ctx context.Context, e lost) error {
	ctx, cancel := context.WithTimeout(ctx, waitAtOnce)
	defer cancel()
	if err := r.cfg.Inbox.Wait(ctx, r.after(e)); err != nil {
		return fmt.Errorf("event %s builds on what is not here yet: %w", e.event.EventID, err)
	}
	return nil
}

// take writes events with their effects in one transaction.
func (r *Recovery) take(ctx context.Context, events []lost) error {
	ids := make([]string, 0, len(events))
	for _, e := range events {
		ids = append(ids, e.event.EventID)
	}
	var back []outbox.TakenBack
	err := r.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		back = nil
		known, err := outbox.Known(ctx, tx, ids)
		if err != nil {
			return err
		}
		for _, e := range events {
			if known[e.event.EventID] {
				continue
			}
			t := outbox.TakenBack{Envelope: e.env, EventID: e.event.EventID}
			why, err := r.reapply(ctx, tx, e)
			if err != nil {
				return err
			}
			if why != nil {
				t.Reason, t.Detail = fault.ReasonOf(why), why.Error()
				if t.Reason == "" {
					t.Reason = "internal"
				}
			}
			back = append(back, t)
		}
		if len(back) == 0 {
			return nil
		}
		return outbox.TakeBack(ctx, tx, back)
	})
	if err != nil {
		return err
	}
	r.report(ctx, back)
	return nil
}

func (r *Recovery) report(ctx context.Context, back []outbox.TakenBack) {
	for _, t := range back {
		at := lot.Receipt{Producer: r.cfg.Self, Epoch: t.Envelope.GetEpoch(), Position: t.Envelope.GetPosition()}
		if t.Reason != "" && t.Reason != reasonNone {
			r.cfg.alarm(ctx, AlarmNoEffect, at, fmt.Errorf("event %s, %s: %s", t.EventID, t.Envelope.GetType(), t.Detail))
		}
		r.cfg.Logger.DebugContext(ctx, "taken back", slog.String("event_id", t.EventID), slog.Int64("position", at.Position))
	}
	if len(back) > 0 {
		r.cfg.Logger.InfoContext(ctx, "events taken back", slog.Int("count", len(back)))
	}
}

// reasonNone is why an event has no effect where the service gives none to any.
const reasonNone = "reapply_missing"

// reapply makes an event's effect again. What the service refuses is undone and returned as why; a failure that says nothing about the event
// is err, and ends the transaction.
func (r *Recovery) reapply(ctx context.Context, tx pgx.Tx, e lost) (why, err error) {
	if r.cfg.Reapply == nil {
		return fault.Invalid(reasonNone, "this service makes no effect of events that it takes back"), nil
	}
	if e.unread != nil {
		return e.unread, nil
	}
	part, err := tx.Begin(ctx)
	if err != nil {
		return nil, err
	}
	why = r.call(ctx, part, e.event)
	if why == nil {
		return nil, part.Commit(ctx)
	}
	if passing(ctx, why) || part.Rollback(ctx) != nil {
		return nil, why
	}
	return why, nil
}

// call turns a panic into an event that cannot be applied.
func (r *Recovery) call(ctx context.Context, tx pgx.Tx, e lot.Recorded) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fault.Bug("reapply event %s (%s): panic: %v", e.EventID, e.Body.Kind(), p)
		}
	}()
	return r.cfg.Reapply(ctx, tx, e)
}

// passing tells whether a failure may be gone at the next try: out of time, unavailable, or a conflict of transactions (SQLSTATE class 40).
func passing(ctx context.Context, err error) bool {
	code := postgres.Code(err)
	return ctx.Err() != nil || fault.KindOf(err) == fault.KindUnavailable || len(code) == 5 && code[:2] == "40"
}
