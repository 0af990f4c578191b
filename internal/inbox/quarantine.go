package inbox

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// ReasonWaits is the reason of an event in quarantine that only waits behind another.
const ReasonWaits = "waits"

// Quarantined is an event set aside.
type Quarantined struct {
	Number   int64 // in the order in which they were set aside
	At       lot.Receipt
	EventID  string
	Type     string
	Lots     []lot.ID    // named or created
	Reason   string      // stable
	Detail   string      // for people
	Behind   lot.Receipt // what it waits for; zero where it failed itself
	Attempts int64
	FirstAt  time.Time
	LastAt   time.Time
}

// Quarantined gives what is set aside, oldest first, after a number, at most limit.
func (in *Inbox) Quarantined(ctx context.Context, q Querier, after int64, limit int) ([]Quarantined, error) {
	const sql = `select q.number, q.producer, q.epoch, q.position, e.event_id, e.type, q.lots, q.reason, q.detail,
			q.behind_producer, q.behind_epoch, q.behind_position, q.attempts, q.first_at, q.last_at
		from quarantine q join inbox_events e using (producer, epoch, position)
		where q.release is null and q.number > $1 order by q.number limit $2`
	rows, err := q.Query(ctx, sql, after, limit)
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Quarantined, error) {
		var x Quarantined
		return x, row.Scan(&x.Number, &x.At.Producer, &x.At.Epoch, &x.At.Position, &x.EventID, &x.Type, &x.Lots, &x.Reason, &x.Detail,
			&x.Behind.Producer, &x.Behind.Epoch, &x.Behind.Position, &x.Attempts, &x.FirstAt, &x.LastAt)
	})
	if err != nil {
		return nil, fmt.Errorf("read quarantine: %w", err)
	}
	return all, nil
}

// Touched says, for an answer about these lots, which of them have events in quarantine, as lines for its list of what is missing.
func (in *Inbox) Touched(lots ...lot.ID) []string {
	in.mu.Lock()
	defer in.mu.Unlock()
	var lines []string
	for _, id := range lots {
		if at, ok := in.feed.Quarantine().Behind([]lot.ID{id}); ok {
			lines = append(lines, fmt.Sprintf("lot %s: %s/%d/%d in quarantine", id, at.Producer, at.Epoch, at.Position))
		}
	}
	slices.Sort(lines)
	return slices.Compact(lines)
}

// Retry tries an event in quarantine again, and then all that waited and is not blocked any more. It returns how many were applied; where
// the event itself failed again, or still waits, the stable reason. An event that is not in quarantine gives reason not_in_quarantine.
func (in *Inbox) Retry(ctx context.Context, at lot.Receipt) (applied int, reason string, err error) {
	in.gate.Lock()
	defer in.gate.Unlock()
	if err := in.reloadGated(ctx); err != nil {
		return 0, "", err
	}
	in.mu.Lock()
	held := in.feed.Quarantine().Held()
	in.mu.Unlock()
	i := slices.IndexFunc(held, func(h feed.Held) bool { return h.At == at })
	if i < 0 {
		return 0, "", fault.NotFound("not_in_quarantine", "event %s/%d/%d is not in quarantine", at.Producer, at.Epoch, at.Position)
	}
	reason = ReasonWaits
	applied, err = feed.NewQuarantine(held).Release(at, func(h feed.Held) (bool, error) {
		why, err := in.release(ctx, h)
		if h.At == at {
			reason = why
		}
		return why == "", err
	})
	if err != nil {
		return applied, "", err
	}
	if applied > 0 {
		in.cfg.Applied()
	}
	return applied, reason, in.reloadGated(ctx)
}

// release tries one event. Where it cannot be applied the reason is written down and returned.
func (in *Inbox) release(ctx context.Context, h feed.Held) (reason string, err error) {
	err = in.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		env, err := lockHeld(ctx, tx, h.At)
		if err != nil {
			return err
		}
		e := entryOf(env, true)
		if e.Fault != "" {
			return fault.New(fault.KindInvalid, e.Fault, "%s", e.Value.detail)
		}
		if err := in.apply(ctx, tx, e.Value.event); err != nil {
			return err
		}
		return markReleased(ctx, tx, h.At, in.cfg.Now())
	})
	if err == nil {
		in.cfg.Logger.InfoContext(ctx, "event released from quarantine", "producer", string(h.At.Producer), "epoch", h.At.Epoch, "position", h.At.Position)
		return "", nil
	}
	if passing(ctx, err) {
		return "", fmt.Errorf("retry event %s/%d/%d: %w", h.At.Producer, h.At.Epoch, h.At.Position, err)
	}
	reason = reasonOf(err)
	detail := printable(err.Error())
	return reason, in.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `update quarantine set reason = $4, detail = $5, attempts = attempts + 1, last_at = $6,
				behind_producer = '', behind_epoch = 0, behind_position = 0
			where producer = $1 and epoch = $2 and position = $3 and release is null`
		_, err := tx.Exec(ctx, sql, h.At.Producer, h.At.Epoch, h.At.Position, reason, detail, in.cfg.Now())
		return err
	})
}

func lockHeld(ctx context.Context, tx pgx.Tx, at lot.Receipt) (*eventv1.Envelope, error) {
	const sql = `select e.producer, e.epoch, e.position, e.recorded_micros, e.previous_hash, e.hash, e.payload, e.type
		from quarantine q join inbox_events e using (producer, epoch, position)
		where q.producer = $1 and q.epoch = $2 and q.position = $3 and q.release is null for update of q`
	rows, err := tx.Query(ctx, sql, at.Producer, at.Epoch, at.Position)
	if err != nil {
		return nil, err
	}
	envs, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*eventv1.Envelope, error) { return scanEnvelope(row) })
	if err != nil {
		return nil, err
	}
	if len(envs) == 0 {
		return nil, errMoved
	}
	return envs[0], nil
}

// markReleased numbers a release. The number's row is locked last, and so orders releases as they commit.
func markReleased(ctx context.Context, tx pgx.Tx, at lot.Receipt, now time.Time) error {
	const sql = `with next as (update releases set number = number + 1 returning number)
		update quarantine q set release = next.number, attempts = attempts + 1, last_at = $4 from next
		where q.producer = $1 and q.epoch = $2 and q.position = $3`
	_, err := tx.Exec(ctx, sql, at.Producer, at.Epoch, at.Position, now)
	return err
}

// retryUnknown tries once, at start, what an earlier version of the program did not know.
func (in *Inbox) retryUnknown(ctx context.Context) {
	const unknown = "event_unknown"
	var all []Quarantined
	err := in.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
		all, err = in.Quarantined(ctx, tx, 0, 1000)
		return err
	})
	for _, q := range all {
		if err == nil && q.Reason == unknown {
			_, _, err = in.Retry(ctx, q.At)
		}
	}
	if err != nil && ctx.Err() == nil {
		in.cfg.Logger.WarnContext(ctx, "events in quarantine were not tried again", "reason", err.Error())
	}
}
