package launch

import (
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc"

	"huskline/internal/access"
	"huskline/internal/bus"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	"huskline/internal/telemetry"
	"huskline/services/intake"
	"huskline/services/inventory"
	"huskline/services/production"
)

// service is what the three services have in common.
type service interface {
	Register(grpc.ServiceRegistrar)
	Run(context.Context) error
	Drain() // ends calls that do not end by themselves
	Door() rpc.Door
	Ready(context.Context) (state string, err error)
}

// parts is what a service is made of.
type parts struct {
	db      *stores
	bus     *bus.Conn
	peers   map[lot.Producer]grpc.ClientConnInterface
	now     func() time.Time
	logger  *slog.Logger
	metrics prometheus.Registerer
}

// kind is how to make one of the services.
type kind struct {
	producer   lot.Producer
	grpcNames  []string
	migrations func() fs.FS
	build      func(parts) (service, error)
}

func kinds() []kind {
	return []kind{
		{lot.Intake, []string{"huskline.intake.v1.IntakeService", "huskline.intake.v1.VisitService"}, intake.Migrations, func(p parts) (service, error) {
			return intake.New(intake.Config{DB: p.db.commands, LinkDB: p.db.events, Bus: p.bus, Peers: p.peers, Now: p.now, Logger: p.logger, Metrics: p.metrics})
		}},
		{lot.Inventory, []string{"huskline.inventory.v1.InventoryService"}, inventory.Migrations, func(p parts) (service, error) {
			return inventory.New(inventory.Config{DB: p.db.commands, LinkDB: p.db.events, Bus: p.bus, Peers: p.peers, Now: p.now, Logger: p.logger, Metrics: p.metrics})
		}},
		{lot.Production, []string{"huskline.production.v1.ProductionService"}, production.Migrations, func(p parts) (service, error) {
			return production.New(production.Config{DB: p.db.commands, LinkDB: p.db.events, Bus: p.bus, Peers: p.peers, Now: p.now, Logger: p.logger, Metrics: p.metrics})
		}},
	}
}

func kindOf(name string) (kind, error) {
	for _, k := range kinds() {
		if string(k.producer) == name {
			return k, nil
		}
	}
	return kind{}, fmt.Errorf("service %q: there are intake, inventory and production", name)
}

// stores are a service's two pools on one database: one for commands and reads, one for events in and out.
type stores struct{ commands, events *postgres.DB }

// The sizes of the pools. Writers take turns at the head anyway, so a few connections, whose caches stay warm, do more than many.
const (
	commandConns = 4
	eventConns   = 3
	maxWaiting   = 512
)

func (s *stores) close() {
	s.commands.Close()
	s.events.Close()
}

// openDatabase brings a service's database up to date as its owner and opens it as its run-time role, which may neither lose what it
// answered nor get round its grants.
func openDatabase(ctx context.Context, k kind, ownerDSN, runDSN string, tracing *telemetry.Tracing) (*stores, error) {
	if err := postgres.Migrate(ctx, ownerDSN, k.migrations()); err != nil {
		return nil, fmt.Errorf("migrate the database of %s: %w", k.producer, err)
	}
	cfg := postgres.Config{DSN: runDSN, Name: "huskline-" + string(k.producer), MaxConns: commandConns, MinConns: commandConns, MaxWaiting: maxWaiting, AcquireTimeout: 20 * time.Second, Tracer: tracing.Database()}
	commands, err := postgres.Open(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("open the database of %s: %w", k.producer, err)
	}
	cfg.Name, cfg.MaxConns, cfg.MinConns = cfg.Name+"-events", eventConns, eventConns
	events, err := postgres.Open(ctx, cfg)
	if err != nil {
		commands.Close()
		return nil, fmt.Errorf("open the database of %s: %w", k.producer, err)
	}
	for _, check := range []func(context.Context) error{commands.CheckDurability, commands.CheckRole} {
		if err := check(ctx); err != nil {
			commands.Close()
			events.Close()
			return nil, fmt.Errorf("database of %s: %w", k.producer, err)
		}
	}
	return &stores{commands, events}, nil
}

// localToken makes the data folder's token an administrator with every role.
func localToken(ctx context.Context, db *postgres.DB, secret string, now time.Time) error {
	t := access.Token{ID: fmt.Sprintf("local-%x", access.Hash(secret)[:8]), Name: "local", Roles: access.TokenRoles(), Expires: now.AddDate(100, 0, 0)}
	if err := access.Issue(ctx, db.Pool(), t, access.Hash(secret), now); fault.KindOf(err) != fault.KindConflict {
		return err
	}
	return nil // it is there already
}
