package launch

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"huskline/internal/bus"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	"huskline/internal/telemetry"
)

// ServeConfig runs one service as its own process.
type ServeConfig struct {
	Service      string
	OwnerDSN     string // the role that owns the database and runs migrations
	RunDSN       string // the role the service serves with
	NATS         string
	NATSUser     string
	NATSPassword string
	GRPC, HTTP   string
	Peers        map[lot.Producer]string // addresses of the other two
	Cert, Key    string                  // this service's certificate; its common name is the service's name
	CA           string                  // who signs the others' certificates
	Password     string                  // of both roles, where the DSNs have none; empty: none
	AdminToken   string                  // registered as an administrator at the start; empty: none
	Now          func() time.Time
	Logger       *slog.Logger
	Endpoint     string
	MQTT         DevicesConfig // of intake alone; its certificate is the service's
}

// Bound is where a service listens.
type Bound struct{ GRPC, HTTP, MQTT string }

// Serve runs the service until ctx ends; ready is called once it answers, with the addresses bound.
func Serve(ctx context.Context, cfg ServeConfig, ready func(Bound)) error {
	k, err := kindOf(cfg.Service)
	if err != nil {
		return fault.Invalid("service_unknown", "%w", err)
	}
	serverTLS, clientTLS, err := cfg.tlsConfigs()
	if err != nil {
		return err
	}
	ports, err := listen(cfg.GRPC, cfg.HTTP)
	if err != nil {
		return err
	}
	defer ports.close()
	tracing, err := telemetry.StartTracing(ctx, cfg.Endpoint, cfg.Service)
	if err != nil {
		return err
	}
	defer func() {
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
		defer cancel()
		_ = tracing.Stop(last)
	}()
	ownerDSN, runDSN, err := cfg.dsns()
	if err != nil {
		return err
	}
	db, err := openDatabase(ctx, k, ownerDSN, runDSN, tracing)
	if err != nil {
		return err
	}
	defer db.close()
	if cfg.AdminToken != "" {
		if err := localToken(ctx, db.commands, cfg.AdminToken, cfg.Now()); err != nil {
			return err
		}
	}
	conn, err := bus.Connect(bus.Config{URL: cfg.NATS, Name: cfg.Service, User: cfg.NATSUser, Password: cfg.NATSPassword, Logger: cfg.Logger, Propagator: tracing.Propagator()})
	if err != nil {
		return err
	}
	defer conn.Close()
	peers, closePeers, err := cfg.dialPeers(clientTLS, tracing)
	if err != nil {
		return err
	}
	defer closePeers()
	registry := prometheus.NewRegistry()
	svc, err := k.build(parts{db: db, bus: conn, peers: peers, now: cfg.Now, logger: cfg.Logger, metrics: registry})
	if err != nil {
		return err
	}
	return cfg.answer(ctx, svc, doorConfig{
		listeners: ports, tls: serverTLS, services: map[lot.Producer]service{k.producer: svc},
		registry: registry, logger: cfg.Logger, now: cfg.Now, stats: tracing.Server(),
	}, ready)
}

// dsns puts the password, which comes from a file, into the connection strings that have none.
func (cfg ServeConfig) dsns() (owner, run string, err error) {
	out := [2]string{}
	for i, dsn := range []string{cfg.OwnerDSN, cfg.RunDSN} {
		u, err := url.Parse(dsn)
		if err != nil {
			return "", "", fault.Invalid("dsn_malformed", "connection string of %s: it reads postgres://ROLE@HOST/DATABASE", cfg.Service)
		}
		if _, has := u.User.Password(); !has && cfg.Password != "" {
			u.User = url.UserPassword(u.User.Username(), cfg.Password)
		}
		out[i] = u.String()
	}
	return out[0], out[1], nil
}

// answer runs the service behind its doors until ctx ends, then drains them before the service stops.
func (cfg ServeConfig) answer(ctx context.Context, svc service, doors doorConfig, ready func(Bound)) error {
	running, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	group, gctx := errgroup.WithContext(running)
	group.Go(func() error { return svc.Run(gctx) })
	d, err := openDoor(ctx, doors)
	if err != nil {
		cancel()
		return errors.Join(err, ignoreCanceled(group.Wait()))
	}
	bound := Bound{GRPC: d.grpcL.Addr().String(), HTTP: d.httpL.Addr().String()}
	var listening *devices
	if cfg.MQTT.Addr != "" {
		if listening, err = openDevices(ctx, cfg.MQTT, svc, deviceTools{cfg.Now, cfg.Logger}); err == nil {
			bound.MQTT = listening.server.MQTTAddr()
		}
	}
	if err == nil {
		ready(bound)
		select {
		case <-ctx.Done():
		case <-gctx.Done():
		}
	}
	if listening != nil {
		err = errors.Join(err, listening.close())
	}
	err = errors.Join(err, d.close())
	cancel()
	return errors.Join(err, ignoreCanceled(group.Wait()))
}

func ignoreCanceled(err error) error {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

func (cfg ServeConfig) dialPeers(client *tls.Config, tracing *telemetry.Tracing) (map[lot.Producer]grpc.ClientConnInterface, func(), error) {
	peers := map[lot.Producer]grpc.ClientConnInterface{}
	var conns []*grpc.ClientConn
	closeAll := func() {
		for _, c := range conns {
			_ = c.Close()
		}
	}
	for producer, addr := range cfg.Peers {
		secure := client.Clone()
		secure.ServerName = string(producer) // certificates name services, so that addresses may change
		conn, err := rpc.Dial(rpc.DialConfig{Target: addr, TLS: secure, Stats: tracing.Client()})
		if err != nil {
			closeAll()
			return nil, nil, fmt.Errorf("connect to %s at %s: %w", producer, addr, err)
		}
		conns = append(conns, conn)
		peers[producer] = conn
	}
	return peers, closeAll, nil
}

// tlsConfigs is TLS 1.3 with certificates on both sides between services; callers with a token need none of their own.
func (cfg ServeConfig) tlsConfigs() (server, client *tls.Config, err error) {
	if cfg.Cert == "" || cfg.Key == "" || cfg.CA == "" {
		return nil, nil, fault.Invalid("tls_missing", "serve %s: --cert, --key and --ca are asked for: between services the certificate is the identity", cfg.Service)
	}
	own, err := loadCertificate(cfg.Cert, cfg.Key)
	if err != nil {
		return nil, nil, err
	}
	if server, err = serverTLS(own, cfg.CA); err != nil {
		return nil, nil, err
	}
	return server, &tls.Config{MinVersion: tls.VersionTLS13, GetClientCertificate: own.forServers, RootCAs: server.ClientCAs}, nil
}

// serverTLS is TLS 1.3, with certificates of callers verified where an authority is given and they have one.
func serverTLS(own *certificate, ca string) (*tls.Config, error) {
	server := &tls.Config{MinVersion: tls.VersionTLS13, GetCertificate: own.forClients}
	if ca == "" {
		return server, nil
	}
	pem, err := os.ReadFile(ca)
	if err != nil {
		return nil, fmt.Errorf("certificate authority: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fault.Invalid("tls_ca", "certificate authority %s: holds no PEM certificate", ca)
	}
	server.ClientCAs, server.ClientAuth = pool, tls.VerifyClientCertIfGiven
	return server, nil
}
