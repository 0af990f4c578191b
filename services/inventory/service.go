// Package inventory is the service that knows where every pound is and where it came from: lots, stock, holds, shipments, genealogy and the
// recall drill. This file is its wiring.
package inventory

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
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/consumer"
	"huskline/services/inventory/internal/server"
	"huskline/services/inventory/internal/server/watch"
	"huskline/services/inventory/internal/store"
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
}

// Service is inventory as a value.
type Service struct {
	link  *link.Link
	desk  *desk.Desk
	hub   *watch.Hub
	parts *server.Parts
	now   func() time.Time
}

// Migrations are all tables of the service's database.
func Migrations() fs.FS { return desk.Migrations(lot.Inventory, store.Migrations) }

// New makes the service; nothing moves before Run.
func New(cfg Config) (*Service, error) {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	s := &Service{now: cfg.Now}
	s.hub = watch.NewHub(cfg.DB, cfg.Logger)
	var err error
	s.link, err = link.New(link.Config{
		DB: cmp.Or(cfg.LinkDB, cfg.DB), Self: lot.Inventory, Bus: cfg.Bus, Peers: cfg.Peers, Now: cfg.Now, Logger: cfg.Logger, Metrics: cfg.Metrics,
		Heard: s.hub.Follower().Nudge,
		Apply: func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error {
			return consumer.Apply(ctx, store.New(tx, cfg.Now().UTC()), e)
		},
		Reapply: func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error {
			return consumer.Reapply(ctx, store.Again(tx, e.RecordedAt), e)
		},
	})
	if err != nil {
		return nil, err
	}
	in := s.link.Inbox()
	s.desk = desk.New(cfg.DB, in)
	run := command.New(command.Config[server.Tx]{
		DB: cfg.DB, Producer: lot.Inventory, Now: cfg.Now, Recorded: s.link.Recorded, Gate: s.link.Writable, Actor: server.By,
		Receipts: rpc.ReceiptsOf, Trial: rpc.TrialOf,
		Wrap:  func(tx pgx.Tx, at time.Time) server.Tx { return store.New(tx, at) },
		After: func(ctx context.Context, tx pgx.Tx) ([]lot.Receipt, error) { return in.Positions(ctx, tx) },
		Retell: func(ctx context.Context, tx pgx.Tx, req command.Request, events []lot.Recorded) (proto.Message, error) {
			return server.Retell(ctx, store.New(tx, cfg.Now().UTC()), req, events)
		},
	})
	s.parts = server.New(server.Config{
		Run: run, Inbox: in, Hub: s.hub, Desk: s.desk, Store: store.NewReader(cfg.DB), Now: cfg.Now, Logger: cfg.Logger,
	})
	return s, nil
}

// Register offers the service's methods.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	inventoryv1.RegisterInventoryServiceServer(r, s.parts)
}

// Door is how callers are known and what their calls wait for.
func (s *Service) Door() rpc.Door { return s.desk.Door(s.now) }

// Run takes and sends events, keeps the index, and lets holds spread, until ctx ends.
func (s *Service) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.link.Run(ctx) })
	group.Go(func() error { return s.hub.Follower().Run(ctx) })
	group.Go(func() error { return s.parts.Spread(ctx) })
	return group.Wait()
}

// Ready is the readiness: "ready", or "degraded" while the bus is away.
func (s *Service) Ready(ctx context.Context) (string, error) { return s.link.Ready(ctx) }
