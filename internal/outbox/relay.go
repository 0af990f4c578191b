package outbox

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/failpoint"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

const (
	// publishLimit is how far back the relay publishes; what is older the consumers read from the producer, which is quicker for both.
	publishLimit = 1000
	// headEvery is how often the head is sent; consumers miss it after five.
	headEvery = time.Second
	// publishTimeout bounds one publication, so that a silent bus is noticed.
	publishTimeout = 5 * time.Second
	// defaultPoll is what a commit of another process waits at most; those of this one nudge.
	defaultPoll = 100 * time.Millisecond
	// maxPause bounds the wait between two tries on a bus that takes nothing.
	maxPause = 2 * time.Second
)

// RelayConfig is what a Relay is made of.
type RelayConfig struct {
	DB       *postgres.DB                                   // its own pool, so that a flood of commands does not silence it
	Publish  func(context.Context, *eventv1.Envelope) error // nil error: the bus has it; message id is the event's, in the payload
	SendHead func(context.Context, *eventv1.Head) error
	Logger   *slog.Logger
	Poll     time.Duration // 50 to 200 ms; 0 means 100 ms
	Now      func() time.Time
}

// Relay tells the bus what was recorded. Several may run on one database: each event is then published more than once, which is harmless.
type Relay struct {
	cfg   RelayConfig
	nudge chan struct{}
}

// NewRelay makes a Relay; Run lets it work.
func NewRelay(cfg RelayConfig) *Relay {
	if cfg.Poll == 0 {
		cfg.Poll = defaultPoll
	}
	return &Relay{cfg: cfg, nudge: make(chan struct{}, 1)}
}

// Nudge tells the relay that something was recorded. It never blocks.
func (r *Relay) Nudge() {
	select {
	case r.nudge <- struct{}{}:
	default:
	}
}

// Run publishes until the context ends, and then returns nil. A bus or a database that is away is waited for; both are logged when they go
// and when they come back.
func (r *Relay) Run(ctx context.Context) error {
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.sendHeads(ctx)
	}()
	defer func() { <-done }()
	away := false
	pause := r.cfg.Poll
	for {
		more, err := r.step(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			if !away {
				r.cfg.Logger.WarnContext(ctx, "relay stopped publishing", "error", err)
			}
			away, pause = true, min(2*pause, maxPause)
		default:
			if away {
				r.cfg.Logger.InfoContext(ctx, "relay publishes again")
			}
			away, pause = false, r.cfg.Poll
		}
		if more {
			continue
		}
		if !r.wait(ctx, pause, away) {
			return nil
		}
	}
}

// gather is the least time between two publications, so that a flood of commands is published in pages. A single command after a pause is
// published at once.
const gather = 25 * time.Millisecond

// wait returns false when the context has ended. While the bus is away a nudge does not shorten the wait.
func (r *Relay) wait(ctx context.Context, d time.Duration, away bool) bool {
	nudge := r.nudge
	if away {
		nudge = nil
	}
	timer, rested := time.NewTimer(d), time.NewTimer(min(d, gather))
	defer timer.Stop()
	defer rested.Stop()
	nudged, quiet := false, true
	for quiet || !nudged {
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			return true
		case <-nudge:
			nudged, nudge = true, nil
		case <-rested.C:
			quiet = false
		}
	}
	return true
}

// place is how far the relay is, and the head.
type place struct {
	epoch, position         int64
	headEpoch, headPosition int64
}

// step publishes one page and moves the cursor behind it. It tells whether there is more to do at once.
func (r *Relay) step(ctx context.Context) (more bool, err error) {
	var at place
	var envs []*eventv1.Envelope
	err = r.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `select c.epoch, c.position, h.epoch, h.position from relay_cursor c cross join head h`
		if err := tx.QueryRow(ctx, sql).Scan(&at.epoch, &at.position, &at.headEpoch, &at.headPosition); err != nil {
			return fmt.Errorf("read the relay's cursor: %w", noHead(err))
		}
		envs = nil
		if at.epoch == at.headEpoch && at.position == at.headPosition || at.backlogged() {
			return nil
		}
		var err error
		envs, err = Read(ctx, tx, at.epoch, at.position, maxPage)
		return err
	})
	switch {
	case err != nil:
		return false, err
	case at.backlogged():
		r.cfg.Logger.WarnContext(ctx, "relay leaves a backlog to be read from the producer", "from", at.position, "to", at.headPosition, "limit", publishLimit)
		return true, r.move(ctx, at.headEpoch, at.headPosition)
	case len(envs) > 0:
		return r.publish(ctx, at, envs)
	case at.epoch < at.headEpoch:
		// The epoch ended here; the next one that has events, or the present one, starts at 0.
		return true, r.nextEpoch(ctx, at.epoch)
	}
	return false, nil
}

func (p place) backlogged() bool {
	return p.epoch == p.headEpoch && p.headPosition-p.position > publishLimit
}

// publish stops at the first envelope that the bus does not take, so that the order holds.
func (r *Relay) publish(ctx context.Context, at place, envs []*eventv1.Envelope) (more bool, err error) {
	last := at.position
	for _, env := range envs {
		failpoint.Hit("relay-before-publish")
		if err = r.publishOne(ctx, env); err != nil {
			err = fmt.Errorf("publish %s/%d/%d: %w", env.GetProducer(), env.GetEpoch(), env.GetPosition(), err)
			break
		}
		failpoint.Hit("relay-after-publish")
		last = env.GetPosition()
	}
	if last > at.position {
		// What was published stays published, whether or not the next one failed.
		err = errors.Join(err, r.move(ctx, at.epoch, last))
		failpoint.Hit("relay-after-cursor")
	}
	return err == nil && (at.epoch < at.headEpoch || last < at.headPosition), err
}

func (r *Relay) publishOne(ctx context.Context, env *eventv1.Envelope) error {
	ctx, cancel := context.WithTimeout(ctx, publishTimeout)
	defer cancel()
	return r.cfg.Publish(ctx, env)
}

// move moves the cursor forward; a relay that lags behind another does not move it back.
func (r *Relay) move(ctx context.Context, epoch, position int64) error {
	return r.cfg.DB.InReplayableTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `update relay_cursor set epoch = $1, position = $2 where (epoch, position) < ($1, $2)`
		if _, err := tx.Exec(ctx, sql, epoch, position); err != nil {
			return fmt.Errorf("move the relay's cursor to %d/%d: %w", epoch, position, err)
		}
		return nil
	})
}

func (r *Relay) nextEpoch(ctx context.Context, ended int64) error {
	var next int64
	err := r.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `select coalesce((select min(epoch) from events where epoch > $1), (select epoch from head))`
		return tx.QueryRow(ctx, sql, ended).Scan(&next)
	})
	if err != nil {
		return fmt.Errorf("find the epoch after %d: %w", ended, err)
	}
	return r.move(ctx, next, 0)
}

// sendHeads sends the head each second. A failure is not logged: the next one is due in a second, and consumers ask when they hear nothing.
func (r *Relay) sendHeads(ctx context.Context) {
	tick := time.NewTicker(headEvery)
	defer tick.Stop()
	for {
		if err := r.sendHead(ctx); err != nil && ctx.Err() == nil {
			r.cfg.Logger.DebugContext(ctx, "head not sent", "error", err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (r *Relay) sendHead(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, publishTimeout)
	defer cancel()
	var head *eventv1.Head
	err := r.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		head, err = ReadHead(ctx, tx)
		return err
	})
	if err != nil {
		return err
	}
	return r.cfg.SendHead(ctx, head)
}

// Backlog is how many events were recorded and not published, and the age of the oldest of them; zero where there is none.
func (r *Relay) Backlog(ctx context.Context) (count int64, age time.Duration, err error) {
	var oldest int64
	err = r.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `select count(e.position), coalesce(min(e.recorded_micros), 0)
			from relay_cursor c left join events e on (e.epoch, e.position) > (c.epoch, c.position)`
		return tx.QueryRow(ctx, sql).Scan(&count, &oldest)
	})
	if err != nil {
		return 0, 0, fmt.Errorf("read the relay's backlog: %w", err)
	}
	if count == 0 {
		return 0, 0, nil
	}
	// A clock that went back makes no age below zero.
	return count, max(0, r.cfg.Now().Sub(time.UnixMicro(oldest))), nil
}
