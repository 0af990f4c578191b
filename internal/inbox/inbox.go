package inbox

import (
	"context"
	"embed"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Migrations holds the tables of the inbox. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Standing is what a producer answers when asked for its head.
type Standing struct {
	Head    *eventv1.Head
	Earlier []*eventv1.Head // where its earlier epochs ended
	Applied []lot.Receipt   // what it has applied of the others
}

// Source is a producer whose events are taken. Both functions call it over the network and return when ctx ends.
type Source struct {
	Producer lot.Producer
	// Read gives the envelopes of an epoch after a position, in order, in pages, up to the producer's head; it stops at the first error of
	// fn and returns it.
	Read func(ctx context.Context, epoch, after int64, fn func([]*eventv1.Envelope) error) error
	Head func(ctx context.Context) (Standing, error)
}

// Config is what an inbox is made of. Zero durations take the defaults named.
type Config struct {
	DB      *postgres.DB
	Self    lot.Producer
	Sources []Source
	// Apply gives an event its effect, through tx alone: it may run again for the same event when the transaction is retried. An error of
	// kind unavailable is tried again, any other sends the event to quarantine. A body that the service has no use for is nil.
	Apply   func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error
	Now     func() time.Time
	Logger  *slog.Logger
	Applied func()                              // called after each commit; nil: nothing
	Alarm   func(reason string, at lot.Receipt) // called for what a person must look into: see the Alarm constants; nil: it is logged only
	// Own tells whether a place of this service's own past is there; nil: it always is. After a restore to an earlier moment the events of
	// others that build on what is not there yet wait. It is called with a lock held, must not block or call the inbox; see OwnMoved.
	Own         func(lot.Receipt) bool
	Silence     time.Duration // ask a producer whose head was not heard for this long: 5 s
	HeadTimeout time.Duration // longest wait for an answer to that: 2 s
	PageTimeout time.Duration // longest wait for the next page of a pull: 10 s
}

// What an alarm is for: an event went to quarantine by its own fault; its producer's past is not the one we hold; the producer is behind
// what we hold of it in the same epoch; events of a dead epoch were offered.
const (
	AlarmQuarantine = "quarantine"
	AlarmForked     = "chain_forked"
	AlarmWentBack   = "producer_went_back"
	AlarmDead       = "dead_epoch"
)

// Inbox takes in the events of the others. It is safe for concurrent use.
type Inbox struct {
	cfg     Config
	sources map[lot.Producer]*source

	// gate is held for reading while a step is decided and committed, for writing while the quarantine or the cursors change by other ways.
	gate sync.RWMutex

	mu      sync.Mutex
	feed    *feed.Feed[item]
	changed chan struct{} // closed and replaced whenever a cursor moves
	loaded  bool
}

// New makes an inbox; it does nothing before Run but remember what is offered.
func New(cfg Config) *Inbox {
	if cfg.Applied == nil {
		cfg.Applied = func() {}
	}
	if cfg.Alarm == nil {
		cfg.Alarm = func(string, lot.Receipt) {}
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	cfg.Silence = orElse(cfg.Silence, 5*time.Second)
	cfg.HeadTimeout = orElse(cfg.HeadTimeout, 2*time.Second)
	cfg.PageTimeout = orElse(cfg.PageTimeout, 10*time.Second)
	in := &Inbox{cfg: cfg, sources: map[lot.Producer]*source{}, changed: make(chan struct{})}
	producers := make([]lot.Producer, 0, len(cfg.Sources))
	for _, src := range cfg.Sources {
		producers = append(producers, src.Producer)
		in.sources[src.Producer] = newSource(src)
	}
	in.feed = feed.New[item](feed.Config{Self: cfg.Self, Producers: producers, Own: cfg.Own}, nil, nil)
	return in
}

func orElse(d, standard time.Duration) time.Duration {
	if d == 0 {
		return standard
	}
	return d
}

// Run takes in events until ctx ends, and returns when all that it started has stopped. A database that is away is waited for.
func (in *Inbox) Run(ctx context.Context) error {
	if err := in.start(ctx); err != nil {
		return err
	}
	var running sync.WaitGroup
	for _, s := range in.sources {
		running.Go(func() { in.run(ctx, s) })
	}
	in.retryUnknown(ctx)
	running.Wait()
	return nil
}

// start writes missing cursors and reads what was kept.
func (in *Inbox) start(ctx context.Context) error {
	var pause backoff
	for {
		err := in.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
			return insertCursors(ctx, tx, in.feed.Producers())
		})
		if err == nil {
			err = in.reload(ctx)
		}
		switch {
		case err == nil || ctx.Err() != nil:
			return nil
		case fault.KindOf(err) != fault.KindUnavailable:
			return fmt.Errorf("start the inbox: %w", err)
		}
		in.cfg.Logger.WarnContext(ctx, "inbox waits for its database", "reason", err.Error())
		pause.sleep(ctx, nil)
	}
}

// reload takes cursors and quarantine from the database.
func (in *Inbox) reload(ctx context.Context) error {
	in.gate.Lock()
	defer in.gate.Unlock()
	return in.reloadGated(ctx)
}

func (in *Inbox) reloadGated(ctx context.Context) error {
	var cursors []feed.Cursor
	var held []feed.Held
	err := in.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
		if cursors, err = readCursors(ctx, tx); err != nil {
			return err
		}
		held, err = readHeld(ctx, tx)
		return err
	})
	if err != nil {
		return err
	}
	in.mu.Lock()
	defer in.mu.Unlock()
	in.feed.Reload(cursors, held)
	in.loaded = true
	in.announce()
	return nil
}

// announce wakes all that wait for a cursor; mu is held.
func (in *Inbox) announce() {
	close(in.changed)
	in.changed = make(chan struct{})
	for _, s := range in.sources {
		s.nudge()
	}
}

// Offer takes an envelope from the bus, in any order, any number of times. It does not block.
func (in *Inbox) Offer(env *eventv1.Envelope) {
	s := in.sources[lot.Producer(env.GetProducer())]
	if s == nil || in.settled(env) {
		return
	}
	in.offer(entryOf(env, false))
	s.nudge()
}

// settled spares the decoding of what is repeated.
func (in *Inbox) settled(env *eventv1.Envelope) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	c, ok := in.feed.Cursor(lot.Producer(env.GetProducer()))
	return ok && c.Epoch == env.GetEpoch() && c.Position >= env.GetPosition()
}

func (in *Inbox) offer(entries ...feed.Entry[item]) {
	in.mu.Lock()
	var dead []lot.Receipt
	for _, e := range entries {
		if in.feed.Offer(e) == feed.Dead {
			dead = append(dead, e.Receipt)
		}
	}
	in.mu.Unlock()
	for _, at := range dead {
		in.alarm(AlarmDead, at, "an event of an epoch that ended before it")
	}
}

func (in *Inbox) alarm(reason string, at lot.Receipt, why string) {
	in.cfg.Logger.Error("inbox alarm", "reason", reason, "producer", string(at.Producer), "epoch", at.Epoch, "position", at.Position, "why", why)
	in.cfg.Alarm(reason, at)
}

// HeadSeen takes a head from the bus. It does not block.
func (in *Inbox) HeadSeen(head *eventv1.Head) {
	at, hash := headOf(head)
	s := in.sources[at.Producer]
	if s == nil {
		return
	}
	in.mu.Lock()
	finding := in.feed.Head(at, hash)
	s.heard = true
	s.witness = head
	in.mu.Unlock()
	in.judge(finding, at)
	s.nudge()
}

func (in *Inbox) judge(finding feed.Finding, at lot.Receipt) {
	switch finding {
	case feed.Forked:
		in.alarm(AlarmForked, at, "its head's hash is not that of the event we hold there")
	case feed.WentBack:
		in.alarm(AlarmWentBack, at, "its head is before what we hold of it, in the same epoch")
	}
}

// answered takes what a producer itself told.
func (in *Inbox) answered(s *source, st Standing) lot.Receipt {
	at, hash := headOf(st.Head)
	at.Producer = s.Producer
	earlier := map[int64]feed.End{}
	for _, h := range st.Earlier {
		e, eh := headOf(h)
		earlier[e.Epoch] = feed.End{Position: e.Position, Hash: eh}
	}
	in.mu.Lock()
	finding := in.feed.Answer(at, hash, earlier)
	s.heard = true
	s.witness = st.Head
	in.mu.Unlock()
	in.judge(finding, at)
	s.nudge()
	return at
}
