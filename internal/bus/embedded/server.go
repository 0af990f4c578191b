// Package embedded runs a NATS server with JetStream inside this process, for one machine and for tests. Clients reach it without a port (it is a
// nats.InProcessConnProvider) or, where asked, on an address.
//
// What it stores may be lost without harm, and it acts on that: a folder that the server cannot use is put aside and a new one begun, and Watch restarts
// a server that no longer stores, as one does that met a full disk, which by itself would take nothing until it is restarted.
package embedded

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/fault"
)

// Config says where the server keeps its streams and within which bounds. Zero values take the defaults named.
type Config struct {
	StoreDir string       // made if absent; this server's alone
	Listen   string       // host:port, port 0 for any; "": no port at all
	MaxStore int64        // bytes of all streams together: 1 GiB. By itself the server would take three quarters of the disk
	Logger   *slog.Logger // nil: nothing is logged
	MQTT     *MQTT        // nil: no listener for devices
}

const (
	standardStore = 1 << 30
	maxMemory     = 64 << 20 // of streams kept in memory, of which there are none
	readyLimit    = 10 * time.Second
	readyStep     = 50 * time.Millisecond
)

// Server is a running server, or one being restarted. It must be stopped.
type Server struct {
	cfg Config

	mu      sync.Mutex
	running *server.Server // nil while stopped
	port    int            // once bound, for restarts

	mqttPort int    // of the front, once bound
	front    *front // nil: no devices
	guests   guests
}

// Start returns once the server takes connections and stores.
func Start(cfg Config) (*Server, error) {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	if cfg.MaxStore == 0 {
		cfg.MaxStore = standardStore
	}
	s := &Server{cfg: cfg}
	if err := s.Resume(); err != nil {
		return nil, err
	}
	return s, nil
}

// Resume starts the server again after Stop, on the same folder and port.
func (s *Server) Resume() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running != nil {
		return nil
	}
	err := s.start()
	if err == nil || portTaken(err) || s.cfg.MQTT != nil {
		return err // what devices were told is kept is never put aside
	}
	aside := s.cfg.StoreDir + ".broken"
	s.cfg.Logger.Error("bus cannot use its folder; it is put aside", "folder", aside, "reason", err)
	if err := os.RemoveAll(aside); err != nil {
		return fmt.Errorf("start bus: %w", err)
	}
	if err := os.Rename(s.cfg.StoreDir, aside); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("start bus: %w", err)
	}
	return s.start()
}

// portTaken tells a fault of the address from one of the folder.
func portTaken(err error) bool { return fault.ReasonOf(err) == "bus_address" }

func (s *Server) start() error {
	options, err := s.options()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.cfg.StoreDir, 0o700); err != nil {
		return fmt.Errorf("start bus: %w", err)
	}
	if s.cfg.MQTT != nil {
		if err := s.listenMQTT(options); err != nil {
			return err
		}
	}
	srv, err := server.NewServer(options)
	if err != nil {
		return fmt.Errorf("start bus: %w", err)
	}
	log := &relay{log: s.cfg.Logger, fatal: make(chan string, 1)}
	srv.SetLoggerV2(log, false, false, false)
	srv.Start()
	if err := awaitReady(srv, log); err != nil {
		srv.Shutdown()
		srv.WaitForShutdown()
		return fmt.Errorf("start bus in %s: %w", s.cfg.StoreDir, err)
	}
	if addr, ok := srv.Addr().(*net.TCPAddr); ok {
		s.port = addr.Port
	}
	if s.cfg.MQTT != nil {
		if err := s.openFront(options.MQTT.Port); err != nil {
			srv.Shutdown()
			srv.WaitForShutdown()
			return err
		}
	}
	s.running = srv
	return nil
}

// awaitReady waits until srv takes connections and stores, or has said why it never will.
func awaitReady(srv *server.Server, log *relay) error {
	for range readyLimit / readyStep {
		if srv.ReadyForConnections(readyStep) && srv.JetStreamEnabled() {
			return nil
		}
		select {
		case text := <-log.fatal:
			return errors.New(text)
		default:
		}
	}
	return fmt.Errorf("not ready to store after %v", readyLimit)
}

func (s *Server) options() (*server.Options, error) {
	o := &server.Options{
		ServerName:         "huskline",
		DontListen:         s.cfg.Listen == "",
		NoSigs:             true, // the program decides about signals
		NoLog:              true,
		NoSystemAccount:    true,
		JetStream:          true,
		StoreDir:           s.cfg.StoreDir,
		JetStreamMaxStore:  s.cfg.MaxStore,
		JetStreamMaxMemory: maxMemory,
	}
	if s.cfg.Listen == "" {
		return o, nil
	}
	host, text, err := net.SplitHostPort(s.cfg.Listen)
	if err != nil {
		return nil, fault.Invalid("bus_address", "bus address %q: host:port", s.cfg.Listen)
	}
	port, err := strconv.Atoi(text)
	if err != nil {
		return nil, fault.Invalid("bus_address", "bus address %q: the port is no number", s.cfg.Listen)
	}
	if port == 0 {
		port = server.RANDOM_PORT
	}
	if s.port != 0 {
		port = s.port
	}
	o.Host, o.Port = host, port
	return o, s.probePort(host, port)
}

// probePort finds out early that an address is taken; the server would only log it and wait.
func (s *Server) probePort(host string, port int) error {
	if port == server.RANDOM_PORT || port == 0 {
		return nil
	}
	l, err := net.Listen("tcp", net.JoinHostPort(host, strconv.Itoa(port)))
	if err != nil {
		return fault.Precondition("bus_address", "bus address %s: %w", net.JoinHostPort(host, strconv.Itoa(port)), err)
	}
	return l.Close()
}

// Stop shuts the server down and waits for it. It may be called again.
func (s *Server) Stop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == nil {
		return
	}
	if s.front != nil {
		s.front.close()
		s.front = nil
	}
	s.running.Shutdown()
	s.running.WaitForShutdown()
	s.running = nil
}

// InProcessConn is a connection to the server without a port; for nats.InProcessServer. It fails while the server is stopped, so that clients try again.
func (s *Server) InProcessConn() (net.Conn, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.running == nil {
		return nil, errors.New("the bus in this process is stopped")
	}
	return s.running.InProcessConn()
}

// URL is where the server listens; "" if nowhere.
func (s *Server) URL() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cfg.Listen == "" || s.running == nil {
		return ""
	}
	return s.running.ClientURL()
}

// Watch probes the server by storing one small message every few seconds and restarts it when it does not, until ctx ends.
func (s *Server) Watch(ctx context.Context) {
	s.watch(ctx, 5*time.Second)
}

func (s *Server) watch(ctx context.Context, every time.Duration) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for failures := 0; ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		err := s.Probe(ctx)
		if err == nil || ctx.Err() != nil {
			failures = 0
			continue
		}
		if failures++; failures < 2 && !errors.Is(err, errStuck) {
			continue // a stall under load is no fault
		}
		failures = 0
		s.cfg.Logger.ErrorContext(ctx, "bus does not store; it is restarted", "reason", err)
		s.Stop()
		if err := s.Resume(); err != nil {
			s.cfg.Logger.ErrorContext(ctx, "bus does not start", "reason", err)
		}
	}
}

// probeStream holds one message: the last probe.
const probeStream = "PROBE"

// errStuck is a stream that met an error when it wrote, as on a full disk: from then on the server refuses all that is for it, whatever room there is,
// until it is restarted.
var errStuck = errors.New("a stream takes nothing any more")

// Probe stores a message, waits for the server's word, and asks for the health of every stream: one is stuck while another stores.
func (s *Server) Probe(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	// The server goes on from memory for a while when its folder is taken away.
	if _, err := os.Stat(filepath.Join(s.cfg.StoreDir, server.JetStreamStoreDir)); err != nil {
		return fmt.Errorf("probe bus: %w", err)
	}
	nc, err := nats.Connect("", nats.InProcessServer(s), nats.Name("huskline probe"), nats.NoReconnect())
	if err != nil {
		return fmt.Errorf("probe bus: %w", err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("probe bus: %w", err)
	}
	_, err = js.CreateStream(ctx, jetstream.StreamConfig{Name: probeStream, Subjects: []string{"probe"}, MaxMsgs: 1, MaxBytes: 1 << 16})
	if err != nil && !errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		return fmt.Errorf("probe bus: %w", err)
	}
	if _, err := js.Publish(ctx, "probe", nil); err != nil {
		return fmt.Errorf("probe bus: %w", err)
	}
	return s.probeStreams(ctx, js)
}

// probeStreams asks about each stream that the server knows; what else lies in its folder is no reason to restart it.
func (s *Server) probeStreams(ctx context.Context, js jetstream.JetStream) error {
	s.mu.Lock()
	running := s.running
	s.mu.Unlock()
	if running == nil {
		return errors.New("probe bus: it is stopped")
	}
	names := js.StreamNames(ctx)
	for name := range names.Name() {
		// Of a known stream on a server that stands alone nothing but a write error is told.
		health := running.Healthz(&server.HealthzOptions{Account: server.DEFAULT_GLOBAL_ACCOUNT, Stream: name})
		if health.StatusCode == http.StatusServiceUnavailable {
			return fmt.Errorf("probe bus: %w: %s", errStuck, health.Error)
		}
	}
	if err := names.Err(); err != nil {
		return fmt.Errorf("probe bus: %w", err)
	}
	return nil
}

// relay gives the server's warnings and errors to our log. After a fatal one, a program would end; here the start fails.
type relay struct {
	log   *slog.Logger
	fatal chan string
}

// The methods that the server's logger interface asks for.
func (r *relay) Noticef(string, ...any)         {}
func (r *relay) Debugf(string, ...any)          {}
func (r *relay) Tracef(string, ...any)          {}
func (r *relay) Warnf(format string, v ...any)  { r.say(slog.LevelWarn, format, v) }
func (r *relay) Errorf(format string, v ...any) { r.say(slog.LevelError, format, v) }

// Fatalf also lets a start that is waiting know.
func (r *relay) Fatalf(format string, v ...any) {
	r.say(slog.LevelError, format, v)
	select {
	case r.fatal <- fmt.Sprintf(format, v...):
	default:
	}
}

func (r *relay) say(level slog.Level, format string, v []any) {
	r.log.Log(context.Background(), level, "bus server says", "text", fmt.Sprintf(format, v...))
}
