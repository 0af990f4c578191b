// Package intake is the service that takes in goods: parties, items, scale readings, deliveries, bought ingredients and their prices. This file
// is its wiring.
package intake

import (
	"cmp"
	"context"
	"io/fs"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"huskline/internal/bus"
	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/link"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	"huskline/services/intake/internal/caller"
	"huskline/services/intake/internal/consumer"
	"huskline/services/intake/internal/server"
	"huskline/services/intake/internal/store"
)

// Config is what the service is made of.
type Config struct {
	DB      *postgres.DB // as the run-time role, migrated
	LinkDB  *postgres.DB // a pool of its own for events in and out, so that a flood of commands does not silence them; nil: DB
	Bus     *bus.Conn    // nil: no bus; the others are then heard by asking them
	Peers   map[lot.Producer]grpc.ClientConnInterface
	Now     func() time.Time
	Logger  *slog.Logger
	Metrics prometheus.Registerer // nil: nothing is measured
	Letter  byte                  // leads the lot codes that this intake gives, A to Z; 0: A
}

// Service is intake as a value.
type Service struct {
	cfg   Config
	link  *link.Link
	desk  *desk.Desk
	parts *server.Parts
	view  *server.View
}

// defaultLetter leads the lot codes of a plant's own intake.
const defaultLetter = 'A'

// Migrations are all tables of the service's database.
func Migrations() fs.FS { return desk.Migrations(lot.Intake, store.Migrations) }

// New makes the service; nothing moves before Run.
func New(cfg Config) (*Service, error) {
	cfg.Logger, cfg.Letter = cmp.Or(cfg.Logger, slog.New(slog.DiscardHandler)), cmp.Or(cfg.Letter, defaultLetter)
	s := &Service{cfg: cfg}
	reader := store.NewReader(cfg.DB, cfg.Now)
	s.view = server.NewView(cmp.Or(cfg.LinkDB, cfg.DB), reader, cfg.Logger)
	wrap := func(tx pgx.Tx) *store.Tx {
		return store.New(tx, cfg.Now().UTC().Truncate(time.Microsecond), cfg.Letter)
	}
	var err error
	s.link, err = link.New(link.Config{
		DB: cmp.Or(cfg.LinkDB, cfg.DB), Self: lot.Intake, Bus: cfg.Bus, Peers: cfg.Peers, Now: cfg.Now, Logger: cfg.Logger, Metrics: cfg.Metrics,
		Heard:   s.view.Nudge,
		Apply:   func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error { return consumer.Apply(ctx, wrap(tx), e) },
		Reapply: func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error { return consumer.Reapply(ctx, wrap(tx), e) },
		OnEpochRise: func(ctx context.Context, producer lot.Producer, epoch, after int64) error {
			if producer != lot.Inventory {
				return nil
			}
			return s.parts.Resend(ctx, epoch, after)
		},
	})
	if err != nil {
		return nil, err
	}
	in := s.link.Inbox()
	s.desk = desk.New(cfg.DB, in)
	run := command.New(command.Config[server.Tx]{
		DB: cfg.DB, Producer: lot.Intake, Now: cfg.Now, Recorded: s.link.Recorded, Gate: s.link.Writable, Actor: desk.Actor, Receipts: rpc.ReceiptsOf,
		Trial: rpc.TrialOf,
		Wrap:  func(tx pgx.Tx, at time.Time) server.Tx { return store.New(tx, at, cfg.Letter) },
		After: func(ctx context.Context, tx pgx.Tx) ([]lot.Receipt, error) { return in.Positions(ctx, tx) },
		Retell: func(ctx context.Context, tx pgx.Tx, req command.Request, events []lot.Recorded) (proto.Message, error) {
			return server.Retell(ctx, wrap(tx), req, events)
		},
	})
	inventory := caller.New(cfg.Peers[lot.Inventory], s.desk.At)
	s.parts = server.New(server.Config{
		Run: run, Call: inventory.Post, Claim: inventory.Claim, Inbox: in, Desk: s.desk, Store: reader, View: s.view, Now: cfg.Now,
	})
	if cfg.Metrics != nil {
		return s, cfg.Metrics.Register(s.parts.Gauges())
	}
	return s, nil
}

// Run takes and sends events and finishes what a crash left half done, until ctx ends.
func (s *Service) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.link.Run(ctx) })
	group.Go(func() error { return s.view.Run(ctx) })
	group.Go(func() error {
		s.parts.Sweep(ctx, s.cfg.Logger)
		return nil
	})
	group.Go(func() error {
		s.parts.NewWatch(s.cfg.Logger).Run(ctx)
		return nil
	})
	return group.Wait()
}
