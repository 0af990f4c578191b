package launch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"

	"huskline/internal/bus"
	"huskline/internal/bus/embedded"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
	"huskline/internal/telemetry"
)

// PlantConfig makes a plant on one data folder.
type PlantConfig struct {
	Dir      string // the data folder; made if absent
	GRPC     string // "127.0.0.1:0": loopback, a free port
	HTTP     string
	MQTT     DevicesConfig
	Now      func() time.Time
	Logger   *slog.Logger
	Endpoint string // OTLP endpoint for traces; empty: none
}

// Plant is all three services in this process with their own Postgres and bus.
type Plant struct {
	Endpoint Endpoint

	cfg      PlantConfig
	cancel   context.CancelFunc
	running  *errgroup.Group
	postgres *pgserver.Server
	bus      *embedded.Server
	conns    []*bus.Conn
	dbs      map[lot.Producer]*stores
	board    *switchboard
	ports    listeners
	door     *door
	devices  *devices
	tracing  *telemetry.Tracing
	registry *prometheus.Registry
}

// Start brings a plant up; when it returns, calls are answered. A folder that another plant runs on is refused by name. On an error, what had
// started is stopped again.
func Start(ctx context.Context, cfg PlantConfig) (*Plant, error) {
	p := &Plant{cfg: cfg, dbs: map[lot.Producer]*stores{}, registry: prometheus.NewRegistry()}
	if err := p.start(ctx); err != nil {
		return nil, errors.Join(err, p.Stop())
	}
	return p, nil
}

func (p *Plant) start(ctx context.Context) error {
	var err error
	if err := os.MkdirAll(p.cfg.Dir, 0o700); err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	if err := ourFolder(p.cfg.Dir); err != nil {
		return err
	}
	ports, err := listen(p.cfg.GRPC, p.cfg.HTTP)
	if err != nil {
		return err
	}
	p.ports = ports
	if p.tracing, err = telemetry.StartTracing(ctx, p.cfg.Endpoint, "plant"); err != nil {
		return err
	}
	// Only the owner of the folder's lock, which pgserver takes, may touch what lies in it.
	if p.postgres, err = pgserver.Start(ctx, pgserver.Config{Dir: p.cfg.Dir, Logger: p.cfg.Logger, Fetch: true}); err != nil {
		return err
	}
	_ = os.Remove(filepath.Join(p.cfg.Dir, endpointFile))
	secret, err := folderToken(p.cfg.Dir)
	if err != nil {
		return fmt.Errorf("token of the data folder: %w", err)
	}
	if err := p.openStores(ctx, secret); err != nil {
		return err
	}
	services, err := p.buildServices()
	if err != nil {
		return err
	}
	p.board.serve(services)
	p.run(services)
	p.door, err = openDoor(ctx, doorConfig{
		listeners: p.ports, services: services, registry: p.registry,
		logger: p.cfg.Logger, now: p.cfg.Now, stats: p.tracing.Server(),
	})
	if err != nil {
		return err
	}
	if p.cfg.MQTT.Addr != "" {
		p.cfg.MQTT.Dir = p.cfg.Dir
		if p.devices, err = openDevices(ctx, p.cfg.MQTT, services[lot.Intake], deviceTools{p.cfg.Now, p.cfg.Logger}); err != nil {
			return err
		}
	}
	p.Endpoint = Endpoint{GRPC: p.door.grpcL.Addr().String(), HTTP: p.door.httpL.Addr().String(), Token: secret, PID: os.Getpid()}
	if p.devices != nil {
		p.Endpoint.MQTT = p.devices.server.MQTTAddr()
	}
	return writeEndpoint(p.cfg.Dir, p.Endpoint)
}

// ourFolder refuses a folder that holds something else than a plant: nobody's files are to be mixed with ours by a slip of the hand.
func ourFolder(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	for _, e := range entries {
		if e.Name() == "lock" || e.Name() == "postgres" {
			return nil
		}
	}
	if len(entries) > 0 {
		return fault.Precondition("data_folder_foreign", "data folder %s: holds %s and no plant; give an empty folder or a new name", dir, entries[0].Name())
	}
	return nil
}

// openStores starts the bus and brings the three databases up, side by side.
func (p *Plant) openStores(ctx context.Context, secret string) error {
	opened := make([]*stores, len(kinds()))
	group, gctx := errgroup.WithContext(ctx)
	group.Go(func() (err error) {
		p.bus, err = embedded.Start(embedded.Config{StoreDir: filepath.Join(p.cfg.Dir, "bus"), Logger: p.cfg.Logger})
		return err
	})
	for i, k := range kinds() {
		group.Go(func() error {
			owner, run, err := postgres.Provision(gctx, p.postgres.DSN("postgres", pgserver.Superuser), string(k.producer))
			if err != nil {
				return fmt.Errorf("database of %s: %w", k.producer, err)
			}
			if opened[i], err = openDatabase(gctx, k, owner, run, p.tracing); err != nil {
				return err
			}
			return localToken(gctx, opened[i].commands, secret, p.cfg.Now())
		})
	}
	err := group.Wait()
	for i, k := range kinds() {
		if opened[i] != nil {
			p.dbs[k.producer] = opened[i]
		}
	}
	return err
}

func (p *Plant) buildServices() (map[lot.Producer]service, error) {
	var err error
	if p.board, err = newSwitchboard(p.cfg.Now, p.cfg.Logger); err != nil {
		return nil, err
	}
	services := map[lot.Producer]service{}
	for _, k := range kinds() {
		conn, err := bus.Connect(bus.Config{InProcess: p.bus, Name: string(k.producer), Logger: p.cfg.Logger, Propagator: p.tracing.Propagator()})
		if err != nil {
			return nil, err
		}
		p.conns = append(p.conns, conn)
		services[k.producer], err = k.build(parts{
			db: p.dbs[k.producer], bus: conn, peers: p.board.peersOf(k.producer), now: p.cfg.Now,
			logger:  p.cfg.Logger.With(slog.String("service", string(k.producer))),
			metrics: prometheus.WrapRegistererWith(prometheus.Labels{"service": string(k.producer)}, p.registry),
		})
		if err != nil {
			return nil, fmt.Errorf("service %s: %w", k.producer, err)
		}
	}
	return services, nil
}

func (p *Plant) run(services map[lot.Producer]service) {
	ctx, cancel := context.WithCancel(context.Background())
	p.cancel = cancel
	p.running, ctx = errgroup.WithContext(ctx)
	for producer, svc := range services {
		p.running.Go(func() error {
			if err := svc.Run(ctx); err != nil && !errors.Is(err, context.Canceled) {
				return fmt.Errorf("service %s: %w", producer, err)
			}
			return nil
		})
	}
	p.running.Go(func() error {
		p.bus.Watch(ctx)
		return nil
	})
	p.running.Go(func() error {
		select {
		case <-ctx.Done():
			return nil
		case <-p.postgres.Done():
			return errors.New("postgres ended by itself; its last words are in the data folder's postgres/server.log")
		}
	})
}

// Wait returns when ctx ends, or with the cause when a part of the plant ended by itself.
func (p *Plant) Wait(ctx context.Context) error {
	failed := make(chan error, 1)
	go func() { failed <- p.running.Wait() }()
	select {
	case <-ctx.Done():
		return nil
	case err := <-failed:
		return err
	}
}

// Stop stops all in reverse order of the start. It may be called on a plant that only half started, and more than once.
func (p *Plant) Stop() error {
	var errs []error
	if p.postgres != nil {
		_ = os.Remove(filepath.Join(p.cfg.Dir, endpointFile))
	}
	if p.devices != nil {
		errs = append(errs, p.devices.close())
		p.devices = nil
	}
	if p.door != nil {
		errs = append(errs, p.door.close())
		p.door = nil
	}
	p.ports.close()
	if p.cancel != nil {
		p.cancel()
		errs = append(errs, p.running.Wait())
		p.cancel = nil
	}
	if p.board != nil {
		errs = append(errs, p.board.stop())
		p.board = nil
	}
	for _, c := range p.conns {
		c.Close()
	}
	p.conns = nil
	for _, db := range p.dbs {
		db.close()
	}
	p.dbs = nil
	return errors.Join(append(errs, p.stopStores())...)
}

func (p *Plant) stopStores() error {
	var errs []error
	if p.bus != nil {
		p.bus.Stop()
		p.bus = nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Second)
	defer cancel()
	if p.postgres != nil {
		errs = append(errs, p.postgres.Stop(ctx))
		p.postgres = nil
	}
	if p.tracing != nil {
		errs = append(errs, p.tracing.Stop(ctx))
		p.tracing = nil
	}
	return errors.Join(errs...)
}
