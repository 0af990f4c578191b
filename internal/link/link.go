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
	"fmt"
	"io"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"huskline/internal/bus"
	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
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
}

// Link is the tie. It is safe for concurrent use.
type Link struct {
	cfg   Config
	inbox *inbox.Inbox
	relay *outbox.Relay
}

// New makes a link; nothing moves before Run.
func New(cfg Config) (*Link, error) {
	l := &Link{cfg: cfg}
	if l.cfg.Heard == nil {
		l.cfg.Heard = func() {}
	}
	l.relay = outbox.NewRelay(outbox.RelayConfig{
		DB: cfg.DB, Publish: l.publish, SendHead: l.sendHead, Logger: cfg.Logger, Now: cfg.Now,
	})
	var sources []inbox.Source
	for _, producer := range []lot.Producer{lot.Intake, lot.Inventory, lot.Production} {
		if conn, ok := cfg.Peers[producer]; ok && producer != cfg.Self {
			sources = append(sources, source(producer, conn))
		}
	}
	alarms := prometheus.NewCounterVec(prometheus.CounterOpts{
		Name: "huskline_alarms_total", Help: "What a person must look into: events in quarantine, chains that do not fit.",
	}, []string{"reason"})
	l.inbox = inbox.New(inbox.Config{
		DB: cfg.DB, Self: cfg.Self, Sources: sources, Apply: cfg.Apply, Now: cfg.Now, Logger: cfg.Logger, Applied: l.cfg.Heard,
		Alarm: func(reason string, _ lot.Receipt) { alarms.WithLabelValues(reason).Inc() },
	})
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

// Ready is the service's readiness: "ready", or "degraded" while the bus is away. An error means that the database does not answer.
func (l *Link) Ready(ctx context.Context) (string, error) {
	if err := l.cfg.DB.Ping(ctx); err != nil {
		return "", err
	}
	if l.Degraded() {
		return "degraded", nil
	}
	return "ready", nil
}

// Run moves events both ways until ctx ends.
func (l *Link) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return l.inbox.Run(ctx) })
	group.Go(func() error { return l.relay.Run(ctx) })
	if l.cfg.Bus != nil {
		group.Go(func() error { return l.hear(ctx) })
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
	subscription := bus.Subscription{Durable: string(l.cfg.Self), Batch: 256, OnRecreated: func(ctx context.Context) { go l.inbox.CatchUp(ctx) }}
	return l.cfg.Bus.ConsumeBatches(ctx, subscription, func(_ context.Context, batch []bus.Msg) []bus.Verdict {
		verdicts := make([]bus.Verdict, len(batch))
		for i, m := range batch {
			verdicts[i] = l.take(m)
		}
		return verdicts
	})
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

// page is one answer of ReadEvents, of whichever service.
type page interface{ GetEnvelopes() []*eventv1.Envelope }

// standing is an answer of GetHead, of whichever service.
type standing interface {
	GetHead() *eventv1.Head
	GetApplied() []*eventv1.Receipt
	GetEarlier() []*eventv1.Head
}

func source(producer lot.Producer, conn grpc.ClientConnInterface) inbox.Source {
	c := clientOf(producer, conn)
	return inbox.Source{
		Producer: producer,
		Read: func(ctx context.Context, epoch, after int64, fn func([]*eventv1.Envelope) error) error {
			ctx, cancel := context.WithCancel(ctx)
			defer cancel()
			receive, err := c.read(ctx, epoch, after)
			for err == nil {
				var p page
				if p, err = receive(); err == nil {
					if err := fn(p.GetEnvelopes()); err != nil {
						return err
					}
				}
			}
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("read events of %s: %w", producer, rpc.FromStatus(err))
		},
		Head: func(ctx context.Context) (inbox.Standing, error) {
			s, err := c.head(ctx)
			if err != nil {
				return inbox.Standing{}, fmt.Errorf("head of %s: %w", producer, rpc.FromStatus(err))
			}
			if s.GetHead() == nil {
				return inbox.Standing{}, fault.Unavailable("head_missing", "head of %s: the answer has none", producer)
			}
			return inbox.Standing{Head: s.GetHead(), Earlier: s.GetEarlier(), Applied: lotwire.ParseReceipts(s.GetApplied())}, nil
		},
	}
}
