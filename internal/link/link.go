// Package link ties one service to the others: its events go to the bus, theirs come in from the bus or, where the bus lost them, from the
// producers themselves, and its index hears of both. All three services are tied in the same way.
//
//	commands ─▶ outbox ─▶ relay ─▶ bus ─▶ inbox of the others
//	                                └ heads each second ┘
//	others' outboxes ◀── ReadEvents, GetHead (gRPC) ── inbox: pulls what the bus did not bring
package link

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"huskline/internal/bus"
	"huskline/internal/failpoint"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/peer"
	"huskline/internal/postgres"
	"huskline/internal/restore"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Config is one service's place among the others.
type Config struct {
	DB      *postgres.DB
	Self    lot.Producer
	Bus     *bus.Conn // nil: no bus, everything is pulled
	Peers   map[lot.Producer]grpc.ClientConnInterface
	Now     func() time.Time
	Logger  *slog.Logger
	Metrics prometheus.Registerer                                      // nil: nothing is measured
	Apply   func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error // effect of the others' events
	Heard   func()                                                     // called after anything of ours or theirs was recorded; nil: nothing

	// Reapply makes the effect of an own event on the service's own state again, after its database was restored to an earlier moment. See
	// restore.Config. Nil: events come back without effect.
	Reapply func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error
	// OnEpochRise is called once for each epoch of another service that a restore there had ended at a position: what it had answered after
	// that it may have lost. See restore.RisesConfig. Nil: nothing.
	OnEpochRise func(ctx context.Context, producer lot.Producer, epoch, after int64) error
	Patience    time.Duration // longest wait at start for services that do not answer: 5 s
}

// Link is the tie. It is safe for concurrent use.
type Link struct {
	cfg   Config
	inbox *inbox.Inbox
	relay *outbox.Relay

	renewed chan struct{} // the stream was made again: what it held may be gone

	recovery *restore.Recovery
	rises    *restore.Rises // nil: nobody is to be told
}

// New makes a link; nothing moves before Run.
func New(cfg Config) (*Link, error) {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	l := &Link{cfg: cfg, renewed: make(chan struct{}, 1)}
	if l.cfg.Heard == nil {
		l.cfg.Heard = func() {}
	}
	l.relay = outbox.NewRelay(outbox.RelayConfig{
		DB: cfg.DB, Publish: l.publish, SendHead: l.sendHead, Logger: cfg.Logger, Now: cfg.Now,
	})
	var peers []peer.Peer
	var sources []inbox.Source
	for _, producer := range []lot.Producer{lot.Intake, lot.Inventory, lot.Production} {
		if conn, ok := cfg.Peers[producer]; ok && producer != cfg.Self {
			p := peer.New(producer, conn)
			peers, sources = append(peers, p), append(sources, p.Source())
		}
	}
	alarms := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "huskline_alarms_total", Help: "What a person must look into: events in quarantine, chains that do not fit.",
	}, []string{"reason"})
	alarm := func(reason string, _ lot.Receipt) { alarms.WithLabelValues(reason).Inc() }
	l.inbox = inbox.New(inbox.Config{
		DB: cfg.DB, Self: cfg.Self, Sources: sources, Apply: cfg.Apply, Now: cfg.Now, Logger: cfg.Logger, Applied: l.cfg.Heard,
		Alarm: alarm, Own: func(at lot.Receipt) bool { return l.recovery.Own(at) },
	})
	l.recovery, l.rises = l.recoveries(peers, alarm)
	if cfg.Metrics == nil {
		return l, nil
	}
	return l, errors.Join(cfg.Metrics.Register(alarms), cfg.Metrics.Register(&gauges{link: l}))
}

// Inbox is where the others' events come in.
func (l *Link) Inbox() *inbox.Inbox { return l.inbox }

// Recorded tells the relay and the index that something of ours was recorded. It never blocks.
func (l *Link) Recorded() {
	l.relay.Nudge()
	l.cfg.Heard()
}

// Degraded tells whether the bus is away: then all still works, but the others hear of us only when they ask.
func (l *Link) Degraded() bool { return l.cfg.Bus == nil || !l.cfg.Bus.Connected() }

// Ready is the service's readiness: "ready"; "degraded" while the bus is away; "read-only" until Run has found the past complete (see Writable).
// An error means that the database does not answer.
func (l *Link) Ready(ctx context.Context) (string, error) {
	if err := l.cfg.DB.Ping(ctx); err != nil {
		return "", err
	}
	switch {
	case !l.recovery.Open():
		return "read-only", nil
	case l.Degraded():
		return "degraded", nil
	}
	return "ready", nil
}

// Run finds out whether this service was restored to an earlier moment, and heals it, before it lets writes through (see Writable); and
// moves events both ways until ctx ends. A database that is away is waited for.
func (l *Link) Run(ctx context.Context) error {
	if begun, err := l.begin(ctx); !begun {
		return err
	}
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return l.recovery.Run(ctx) })
	if l.rises != nil {
		group.Go(func() error { return l.rises.Run(ctx) })
	}
	group.Go(func() error { return l.inbox.Run(ctx) })
	group.Go(func() error { return l.relay.Run(ctx) })
	if l.cfg.Bus != nil {
		group.Go(func() error { return l.hear(ctx) })
		group.Go(func() error { return l.catchUp(ctx) })
	}
	return group.Wait()
}

// hear takes events and heads from the bus. Whatever is taken is acknowledged at once: the inbox pulls what it misses, so an acknowledgement is
// only a saving.
func (l *Link) hear(ctx context.Context) error {
	stop, err := l.cfg.Bus.SubscribeHeads(func(producer string, payload []byte) {
		var head eventv1.Head
		if lot.Producer(producer) != l.cfg.Self && proto.Unmarshal(payload, &head) == nil {
			l.inbox.HeadSeen(&head)
		}
	})
	if err != nil {
		return err
	}
	defer stop()
	subscription := bus.Subscription{Durable: string(l.cfg.Self), Batch: 256, AckWait: failpoint.AckWait(), OnRecreated: func(context.Context) { l.renew() }}
	return l.cfg.Bus.ConsumeBatches(ctx, subscription, func(_ context.Context, batch []bus.Msg) []bus.Verdict {
		verdicts := make([]bus.Verdict, len(batch))
		for i, m := range batch {
			verdicts[i] = l.take(m)
		}
		return verdicts
	})
}

// renew asks for a catch-up; it never blocks.
func (l *Link) renew() {
	select {
	case l.renewed <- struct{}{}:
	default:
	}
}

// catchUp asks the producers for what a stream that vanished may have held.
func (l *Link) catchUp(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-l.renewed:
			l.inbox.CatchUp(ctx)
		}
	}
}

func (l *Link) take(m bus.Msg) bus.Verdict {
	env, err := lotwire.ParseEnvelope(m.Payload)
	if err != nil {
		l.cfg.Logger.Error("message on the bus is no envelope", slog.String("event_id", m.ID), slog.String("error", err.Error()))
		return bus.Term("no envelope")
	}
	if lot.Producer(env.GetProducer()) != l.cfg.Self {
		l.inbox.Offer(env)
	}
	return bus.Ack()
}

func (l *Link) publish(ctx context.Context, env *eventv1.Envelope) error {
	if l.cfg.Bus == nil {
		return errNoBus
	}
	payload, err := lotwire.EnvelopeBytes(env)
	if err != nil {
		return err
	}
	var event eventv1.Event
	if err := proto.Unmarshal(env.GetPayload(), &event); err != nil {
		return err
	}
	return l.cfg.Bus.Publish(ctx, bus.LotSubject(env.GetProducer(), env.GetType()), event.GetId(), payload)
}

func (l *Link) sendHead(_ context.Context, head *eventv1.Head) error {
	if l.cfg.Bus == nil {
		return errNoBus
	}
	payload, err := proto.Marshal(head)
	if err != nil {
		return err
	}
	return l.cfg.Bus.PublishCore(bus.HeadSubject(string(l.cfg.Self)), payload)
}

var errNoBus = errors.New("no bus")
