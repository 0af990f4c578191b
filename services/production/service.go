// Package production is the service of runs, charges and cost, as a value: wiring only.
package production

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
	"huskline/services/production/internal/caller"
	"huskline/services/production/internal/consumer"
	"huskline/services/production/internal/server"
	"huskline/services/production/internal/server/write"
	"huskline/services/production/internal/store"
)

// Config is what the service is made of. DB is the migrated database, as the run-time role. Without a bus the service is degraded.
type Config struct {
	DB      *postgres.DB
	LinkDB  *postgres.DB // a pool of its own for events in and out, so that a flood of commands does not silence them; nil: DB
	Bus     *bus.Conn
	Peers   map[lot.Producer]grpc.ClientConnInterface
	Now     func() time.Time
	Logger  *slog.Logger
	Metrics prometheus.Registerer
}

// Service is production.
type Service struct {
	cfg      Config
	link     *link.Link
	desk     *desk.Desk
	commands *write.Commands
	server   *server.Server
}

// Migrations are all tables of the service.
func Migrations() fs.FS { return desk.Migrations(lot.Production, store.Migrations()) }

// New puts the service together; nothing moves before Run.
func New(cfg Config) (*Service, error) {
	s := &Service{cfg: cfg}
	wrap := func(tx pgx.Tx) store.Tx {
		return store.New(tx, cfg.Now().UTC().Truncate(time.Microsecond))
	}
	var err error
	s.link, err = link.New(link.Config{
		DB: cmp.Or(cfg.LinkDB, cfg.DB), Self: lot.Production, Bus: cfg.Bus, Peers: cfg.Peers, Now: cfg.Now, Logger: cfg.Logger, Metrics: cfg.Metrics,
		Apply:   func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error { return consumer.Apply(ctx, wrap(tx), e) },
		Reapply: func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error { return consumer.Reapply(ctx, wrap(tx), e) },
		OnEpochRise: func(ctx context.Context, producer lot.Producer, epoch, after int64) error {
			if producer != lot.Inventory {
				return nil
			}
			return s.commands.Resend(ctx, epoch, after)
		},
		Heard: func() { s.server.Nudge() },
	})
	if err != nil {
		return nil, err
	}
	s.desk = desk.New(cfg.DB, s.link.Inbox())
	runner := command.New(command.Config[write.Tx]{
		DB: cfg.DB, Producer: lot.Production, Now: cfg.Now, Actor: desk.Actor, Receipts: rpc.ReceiptsOf, Trial: rpc.TrialOf, Recorded: s.link.Recorded,
		Gate:  s.link.Writable,
		Wrap:  func(tx pgx.Tx, at time.Time) write.Tx { return store.New(tx, at) },
		After: func(ctx context.Context, tx pgx.Tx) ([]lot.Receipt, error) { return s.link.Inbox().Positions(ctx, tx) },
		Retell: func(_ context.Context, _ pgx.Tx, req command.Request, events []lot.Recorded) (proto.Message, error) {
			return write.Retell(req, events), nil
		},
	})
	reads := store.NewReads(cfg.DB)
	s.commands = write.New(write.Config{Runner: runner, Call: caller.Inventory(cfg.Peers[lot.Inventory]), CatchUp: s.link.Inbox().CatchUp})
	s.server = server.New(server.Config{
		DB: cfg.DB, Logger: cfg.Logger, Now: cfg.Now, Commands: s.commands, Reads: reads, Desk: s.desk, Inbox: s.link.Inbox(),
	})
	return s, nil
}

// Register lets a gRPC server serve it.
func (s *Service) Register(r grpc.ServiceRegistrar) { s.server.Register(rpc.Texts(r)) }

// Door is how its callers are known and what their calls wait for.
func (s *Service) Door() rpc.Door { return s.desk.Door(s.cfg.Now) }

// Ready is "ready", or "degraded" while the bus is away; an error means that the database does not answer.
func (s *Service) Ready(ctx context.Context) (string, error) { return s.link.Ready(ctx) }

// Run moves events, follows costs and finishes what was left half done, until ctx ends.
func (s *Service) Run(ctx context.Context) error {
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error { return s.link.Run(ctx) })
	group.Go(func() error { return s.server.Follow(ctx) })
	group.Go(func() error { return s.server.Run(ctx) })
	group.Go(func() error {
		s.sayOwed(ctx)
		return nil
	})
	group.Go(func() error {
		s.commands.Sweep(ctx, s.cfg.Logger)
		return nil
	})
	return group.Wait()
}
