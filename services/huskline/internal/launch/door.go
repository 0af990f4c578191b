package launch

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/test/bufconn"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	"huskline/internal/telemetry"
	"huskline/proto"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/huskline/internal/jsondoor"
)

// drain is how long calls in work may take after the door is closed.
const drain = 10 * time.Second

// doorConfig opens the public doors of one or several services.
type doorConfig struct {
	listeners listeners
	tls       *tls.Config
	services  map[lot.Producer]service
	registry  *prometheus.Registry
	logger    *slog.Logger
	now       func() time.Time
	stats     stats.Handler
}

// listeners are the ports of a door, taken before anything else is started, so that a port in use costs nothing.
type listeners struct{ grpc, http net.Listener }

// listen takes the ports; "127.0.0.1:0" takes a free one.
func listen(grpcAddr, httpAddr string) (listeners, error) {
	g, err := net.Listen("tcp", grpcAddr)
	if err != nil {
		return listeners{}, fault.Precondition("port_in_use", "--grpc %s: %v", grpcAddr, err)
	}
	h, err := net.Listen("tcp", httpAddr)
	if err != nil {
		return listeners{}, errors.Join(fault.Precondition("port_in_use", "--http %s: %v", httpAddr, err), g.Close())
	}
	return listeners{g, h}, nil
}

func (l listeners) close() {
	if l.grpc != nil {
		_ = l.grpc.Close()
		_ = l.http.Close()
	}
}

// door is the public gRPC server and the JSON over HTTP in front of it.
type door struct {
	cfg          doorConfig
	grpc         *grpc.Server
	health       *health.Server
	inner        *bufconn.Listener
	plain        *grpc.Server // behind the JSON door
	conn         *grpc.ClientConn
	http         *http.Server
	grpcL, httpL net.Listener
	serving      sync.WaitGroup
}

func openDoor(ctx context.Context, cfg doorConfig) (*door, error) {
	calls, err := telemetry.NewCalls(cfg.registry)
	if err != nil {
		return nil, err
	}
	d := &door{cfg: cfg, health: health.NewServer(), inner: bufconn.Listen(pipeBytes)}
	d.grpc, err = rpc.NewServer(rpc.ServerConfig{Doors: cfg.doors(), TLS: cfg.tls, Logger: cfg.logger, Now: cfg.now, Observe: calls.Observe, Stats: cfg.stats})
	if err != nil {
		return nil, err
	}
	for _, svc := range cfg.services {
		svc.Register(d.grpc)
	}
	healthv1.RegisterHealthServer(d.grpc, d.health)
	d.grpcL, d.httpL = cfg.listeners.grpc, cfg.listeners.http
	if err := d.openHTTP(ctx); err != nil {
		return nil, err
	}
	d.serve("grpc", func() error { return d.grpc.Serve(d.grpcL) })
	d.serve("http", func() error { return d.http.Serve(d.httpL) })
	return d, nil
}

// doors is what each gRPC service of this process asks of its callers.
func (cfg doorConfig) doors() map[string]rpc.Door {
	doors := map[string]rpc.Door{}
	for _, k := range kinds() {
		svc, ok := cfg.services[k.producer]
		for _, name := range k.grpcNames {
			if ok {
				doors[name] = svc.Door()
			}
		}
	}
	return doors
}

// serve runs a server until it is stopped; close waits for it.
func (d *door) serve(name string, run func() error) {
	d.serving.Add(1)
	go func() {
		defer d.serving.Done()
		if err := run(); err != nil && !errors.Is(err, http.ErrServerClosed) && !errors.Is(err, grpc.ErrServerStopped) {
			d.cfg.logger.Error("door closed by itself", slog.String("door", name), slog.String("error", err.Error()))
		}
	}()
}

// openHTTP puts the JSON door in front of the gRPC server, through a connection of its own, so that no interceptor is passed by.
func (d *door) openHTTP(ctx context.Context) error {
	var err error
	if d.plain, err = d.innerServer(); err != nil {
		return err
	}
	d.serve("inner", func() error { return d.plain.Serve(d.inner) })
	d.conn, err = rpc.Dial(rpc.DialConfig{Target: "door", Dialer: func(ctx context.Context, _ string) (net.Conn, error) {
		return d.inner.DialContext(ctx)
	}})
	if err != nil {
		return err
	}
	gateway := runtime.NewServeMux(runtime.WithIncomingHeaderMatcher(headers), runtime.WithMarshalerOption(runtime.MIMEWildcard, jsondoor.Marshaler()))
	if err := d.registerGateway(ctx, gateway); err != nil {
		return err
	}
	mux := http.NewServeMux()
	mux.Handle("/v1/", unhurried(jsondoor.Bounded(gateway, rpc.MaxMessage)))
	mux.HandleFunc("GET /openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		_, _ = w.Write(proto.OpenAPI)
	})
	mux.HandleFunc("GET /livez", func(w http.ResponseWriter, _ *http.Request) { _, _ = w.Write([]byte("live\n")) })
	mux.HandleFunc("GET /readyz", d.ready)
	mux.Handle("GET /metrics", promhttp.HandlerFor(d.cfg.registry, promhttp.HandlerOpts{}))
	d.http = &http.Server{
		Handler: mux, TLSConfig: d.cfg.tls, ErrorLog: slog.NewLogLogger(d.cfg.logger.Handler(), slog.LevelInfo),
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: time.Minute, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 16 << 10,
	}
	if d.cfg.tls != nil {
		d.httpL = tls.NewListener(d.httpL, d.cfg.tls)
	}
	return nil
}

// unhurried keeps the limit on how long a request may take to arrive from ending a live view, which is answered without end.
func unhurried(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet && strings.Contains(r.URL.Path, "/live/") {
			_ = http.NewResponseController(w).SetReadDeadline(time.Time{}) // a GET has no body to wait for
		}
		next.ServeHTTP(w, r)
	})
}

// innerServer is the same chain without TLS for the JSON door.
func (d *door) innerServer() (*grpc.Server, error) {
	server, err := rpc.NewServer(rpc.ServerConfig{Doors: d.cfg.doors(), Logger: d.cfg.logger, Now: d.cfg.now})
	if err != nil {
		return nil, err
	}
	for _, svc := range d.cfg.services {
		svc.Register(server)
	}
	return server, nil
}

func (d *door) registerGateway(ctx context.Context, mux *runtime.ServeMux) error {
	register := map[lot.Producer]func() error{
		lot.Intake: func() error {
			return errors.Join(intakev1.RegisterIntakeServiceHandler(ctx, mux, d.conn), intakev1.RegisterVisitServiceHandler(ctx, mux, d.conn))
		},
		lot.Inventory:  func() error { return inventoryv1.RegisterInventoryServiceHandler(ctx, mux, d.conn) },
		lot.Production: func() error { return productionv1.RegisterProductionServiceHandler(ctx, mux, d.conn) },
	}
	for producer := range d.cfg.services {
		if err := register[producer](); err != nil {
			return err
		}
	}
	return nil
}

// headers lets the sender's receipts and clock through, beside what the gateway passes by itself.
func headers(name string) (string, bool) {
	for _, ours := range [...]string{rpc.ReceiptHeader, rpc.ClockHeader} {
		if strings.EqualFold(name, ours) {
			return ours, true
		}
	}
	return runtime.DefaultHeaderMatcher(name)
}

// ready answers 200 with a state for each service ("ready", or "degraded" while the bus is away), 503 where one cannot answer.
func (d *door) ready(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 2*time.Second)
	defer cancel()
	states := map[string]string{}
	code := http.StatusOK
	for producer, svc := range d.cfg.services {
		state, err := svc.Ready(ctx)
		if err != nil {
			state, code = "unavailable", http.StatusServiceUnavailable
		}
		states[string(producer)] = state
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(states)
}

// close takes no new calls, waits for those in work up to the drain time, and cuts the rest.
func (d *door) close() error {
	d.health.Shutdown()
	for _, svc := range d.cfg.services {
		svc.Drain()
	}
	ctx, cancel := context.WithTimeout(context.Background(), drain)
	defer cancel()
	err := d.http.Shutdown(ctx)
	stopped := make(chan struct{})
	go func() { d.grpc.GracefulStop(); close(stopped) }()
	select {
	case <-stopped:
	case <-ctx.Done():
		d.grpc.Stop()
		<-stopped
	}
	err = errors.Join(err, d.conn.Close())
	d.plain.Stop()
	d.serving.Wait()
	return err
}
