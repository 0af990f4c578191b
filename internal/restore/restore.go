package restore

import (
	"context"
	"embed"
	"log/slog"
	"slices"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Migrations holds the tables of recovery. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Peer is another service, which may hold events of this one. Both functions call it over the network and return when ctx ends.
type Peer struct {
	Producer lot.Producer
	Head     func(ctx context.Context) (inbox.Standing, error)
	// Kept gives a page of this service's own envelopes of an epoch after a position, in order; none after the last.
	Kept func(ctx context.Context, epoch, after int64) ([]*eventv1.Envelope, error)
}

// Inbox is what recovery needs of the service's inbox, which must run beside it.
type Inbox interface {
	// Reached tells, without waiting, whether the events up to these places are settled.
	Reached(receipts []lot.Receipt) bool
	// Wait returns when they are, or with a fault of kind unavailable when ctx ends.
	Wait(ctx context.Context, receipts []lot.Receipt) error
	// OwnMoved has events looked at again that wait for this service's own past.
	OwnMoved()
}

// Config is what a Recovery is made of.
type Config struct {
	DB    *postgres.DB
	Self  lot.Producer
	Peers []Peer
	Inbox Inbox
	// Reapply makes the effect of an own event on the service's own state again, through tx alone; it may run again for the same event when
	// the transaction is retried. The event's receipt is where the others kept it. An error of kind unavailable is tried again; any other
	// leaves the event without effect, noted and with an alarm. Nil: events come back without effect.
	Reapply  func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error
	Recorded func() // called after events were taken back
	Now      func() time.Time
	Logger   *slog.Logger
	Alarm    func(reason string, at lot.Receipt) // for what a person must look into; it is logged as well
	Patience time.Duration                       // longest wait at start for services that do not answer: 5 s; six times that once a restore is known
}

// What an alarm is for: this database was restored to an earlier moment and its epoch was raised; what another service kept of this one's
// past does not fit it, or is damaged; the effect of an event that was taken back could not be made again; another service, restored, does
// not accept again what it had accepted.
const (
	AlarmRestored   = "restored"
	AlarmForked     = "own_past_forked"
	AlarmDamaged    = "kept_damaged"
	AlarmNoEffect   = "taken_back_without_effect"
	AlarmNotAnother = "resend_refused"
)

// Recovery finds out whether the service was restored, and heals it. It is safe for concurrent use.
type Recovery struct {
	cfg    Config
	opened chan struct{} // closed when writes are let through

	mu  sync.Mutex
	own lot.Receipt // up to here the own past is there, in the places where the others know it
	why error       // of the gate, while it is shut

	// What follows is Run's own.
	changed  bool // the database is another copy than the last time
	restored bool // the epoch was raised since start
	settled  map[lot.Producer]bool
}

// New makes a Recovery, with its gate shut.
func New(cfg Config) *Recovery {
	if cfg.Patience == 0 {
		cfg.Patience = 5 * time.Second
	}
	starting := fault.Unavailable("starting", "%s has just started and asks the other services what they hold of its events: come again", cfg.Self)
	return &Recovery{cfg: cfg, opened: make(chan struct{}), why: starting, settled: map[lot.Producer]bool{}}
}

// gateWait is how long a write waits at a shut gate: a start with nothing to heal is faster.
const gateWait = 2 * time.Second

// Gate lets a write through, or refuses it with a fault of kind unavailable while the service does not know that its past is complete:
// reasons starting, recovering, and restored_alone. It waits a little, within ctx, before it refuses.
func (r *Recovery) Gate(ctx context.Context) error {
	if r.Open() {
		return nil
	}
	timer := time.NewTimer(gateWait)
	defer timer.Stop()
	select {
	case <-r.opened:
		return nil
	case <-ctx.Done():
	case <-timer.C:
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.why
}

// Open tells whether writes are let through.
func (r *Recovery) Open() bool {
	select {
	case <-r.opened:
		return true
	default:
		return false
	}
}

// Own tells whether a place of this service's own past, as others name it, is there: what the inbox asks (see inbox.Config.Own). It does not
// block.
func (r *Recovery) Own(at lot.Receipt) bool {
	if r.Open() {
		return true
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return feed.Compare(at, r.own) <= 0
}

func (r *Recovery) moved(at lot.Receipt) {
	r.mu.Lock()
	if feed.Compare(at, r.own) > 0 {
		r.own = at
	}
	r.mu.Unlock()
	r.cfg.Inbox.OwnMoved()
	r.cfg.Recorded()
}

func (r *Recovery) shut(why error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.why = why
}

func (r *Recovery) open() {
	close(r.opened)
	r.cfg.Inbox.OwnMoved()
}

func (c Config) alarm(ctx context.Context, reason string, at lot.Receipt, why error) {
	c.Logger.ErrorContext(ctx, "restore alarm", slog.String("reason", reason), slog.String("producer", string(at.Producer)),
		slog.Int64("epoch", at.Epoch), slog.Int64("position", at.Position), slog.String("why", why.Error()))
	c.Alarm(reason, at)
}

// Begin reads where the database stands. It must have returned before Run, and before the inbox applies anything.
func (r *Recovery) Begin(ctx context.Context) error {
	p, err := readPast(ctx, r.cfg.DB)
	if err != nil {
		return err
	}
	here, err := readCopy(ctx, r.cfg.DB)
	if err != nil {
		return err
	}
	if p.last == nil {
		err = r.note(ctx, here)
	}
	r.changed = p.last != nil && *p.last != here
	r.mu.Lock()
	defer r.mu.Unlock()
	r.own = p.head.at
	for _, e := range slices.Backward(p.ended) {
		if slices.ContainsFunc(r.cfg.Peers, func(peer Peer) bool { return !p.given[mark{e.at.Epoch, peer.Producer}] }) {
			r.own = e.at
		}
	}
	return err
}
