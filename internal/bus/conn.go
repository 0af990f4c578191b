package bus

import (
	"context"
	"crypto/tls"
	"log/slog"
	"regexp"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.opentelemetry.io/otel/propagation"

	"huskline/internal/fault"
)

// Config says where the server is, who we are, and what the stream is to be when we have to make it.
type Config struct {
	URL             string                        // one or several, separated by commas; unused with InProcess
	InProcess       nats.InProcessConnProvider    // a server in this process
	Name            string                        // of the service: one token; names the connection and its inbox
	TLS             *tls.Config                   // nil: none
	CredentialsFile string                        // "": none
	User, Password  string                        // "": none
	Logger          *slog.Logger                  // nil: nothing is logged, everything is counted
	Propagator      propagation.TextMapPropagator // carries traces in message headers; nil: none
	Stream          StreamLimits
}

// StreamLimits bound the stream; at a limit it drops its oldest messages. Zero values take the defaults named.
type StreamLimits struct {
	MaxAge   time.Duration // 7 days
	MaxBytes int64         // 256 MiB
	Replicas int           // 1
}

func (l StreamLimits) withDefaults() StreamLimits {
	if l.MaxAge == 0 {
		l.MaxAge = 7 * 24 * time.Hour
	}
	if l.MaxBytes == 0 {
		l.MaxBytes = 256 << 20
	}
	if l.Replicas == 0 {
		l.Replicas = 1
	}
	return l
}

// Conn is a connection that looks for its server for ever. It is safe for concurrent use and must be closed.
type Conn struct {
	cfg   Config
	nc    *nats.Conn
	js    jetstream.JetStream
	stats counters
}

type counters struct {
	asyncErrors, disconnects, reconnects, recreated atomic.Int64
}

// Stats count since the connection was made what an operator should hear of.
type Stats struct {
	AsyncErrors int64 // forbidden subjects, slow consumers and the like: each is an alarm
	Disconnects int64
	Reconnects  int64
	Recreated   int64 // streams or consumers that were missing and made again
}

const (
	tryTimeout    = 2 * time.Second // of one request: one sent before a cluster has a leader is never answered
	reconnectWait = 250 * time.Millisecond
	pingInterval  = 5 * time.Second // with two missed, a line that is dead but open is noticed within 15 s
)

var tokenPattern = regexp.MustCompile(`^[A-Za-z0-9_-]+$`)

// Connect returns at once, whether the server is there or not; only a configuration that can never work is an error.
func Connect(cfg Config) (*Conn, error) {
	if !tokenPattern.MatchString(cfg.Name) {
		return nil, fault.Invalid("bus_name", "bus connection name %q: letters, digits, _ and - only", cfg.Name)
	}
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	cfg.Stream = cfg.Stream.withDefaults()
	c := &Conn{cfg: cfg}
	nc, err := nats.Connect(cfg.URL, c.options()...)
	if err != nil {
		return nil, fault.Unavailable("bus_unavailable", "connect %s to the bus: %w", cfg.Name, err)
	}
	js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(tryTimeout))
	if err != nil {
		nc.Close()
		return nil, fault.Unavailable("bus_unavailable", "connect %s to the bus: %w", cfg.Name, err)
	}
	c.nc, c.js = nc, js
	return c, nil
}

func (c *Conn) options() []nats.Option {
	log := c.cfg.Logger.With("bus", c.cfg.Name)
	options := []nats.Option{
		nats.Name("huskline " + c.cfg.Name),
		// Only who knows the name of our inbox can be allowed to read it; with the common one everybody reads all replies.
		nats.CustomInboxPrefix("_INBOX_" + c.cfg.Name),
		nats.RetryOnFailedConnect(true),
		nats.MaxReconnects(-1),
		nats.IgnoreAuthErrorAbort(),
		nats.ReconnectBufSize(-1),
		nats.ReconnectWait(reconnectWait),
		nats.ReconnectJitter(100*time.Millisecond, time.Second),
		nats.Timeout(tryTimeout),
		nats.PingInterval(pingInterval),
		nats.MaxPingsOutstanding(2),
		nats.ErrorHandler(func(_ *nats.Conn, sub *nats.Subscription, err error) {
			c.stats.asyncErrors.Add(1)
			subject := ""
			if sub != nil {
				subject = sub.Subject
			}
			log.Error("bus reports an error", "subject", subject, "reason", err)
		}),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			c.stats.disconnects.Add(1)
			if err != nil { // none where we closed it ourselves
				log.Warn("bus away", "reason", err)
			}
		}),
		nats.ReconnectHandler(func(nc *nats.Conn) {
			c.stats.reconnects.Add(1)
			log.Info("bus back", "server", nc.ConnectedServerName())
		}),
	}
	if c.cfg.InProcess != nil {
		options = append(options, nats.InProcessServer(c.cfg.InProcess))
	}
	if c.cfg.TLS != nil {
		options = append(options, nats.Secure(c.cfg.TLS))
	}
	if c.cfg.CredentialsFile != "" {
		options = append(options, nats.UserCredentials(c.cfg.CredentialsFile))
	}
	if c.cfg.User != "" {
		options = append(options, nats.UserInfo(c.cfg.User, c.cfg.Password))
	}
	return options
}

// Connected tells whether the server is there now. A service without it is ready, but degraded.
func (c *Conn) Connected() bool { return c.nc.IsConnected() }

// Stats are the counts so far.
func (c *Conn) Stats() Stats {
	return Stats{
		AsyncErrors: c.stats.asyncErrors.Load(),
		Disconnects: c.stats.disconnects.Load(),
		Reconnects:  c.stats.reconnects.Load(),
		Recreated:   c.stats.recreated.Load(),
	}
}

// Close ends the connection at once; what is unacknowledged comes again to the next. Consumers are to be stopped first.
func (c *Conn) Close() { c.nc.Close() }

// inject puts the caller's trace into the message.
func (c *Conn) inject(ctx context.Context, h nats.Header) {
	if c.cfg.Propagator != nil {
		c.cfg.Propagator.Inject(ctx, propagation.HeaderCarrier(h))
	}
}

func (c *Conn) extract(ctx context.Context, h nats.Header) context.Context {
	if c.cfg.Propagator == nil {
		return ctx
	}
	return c.cfg.Propagator.Extract(ctx, propagation.HeaderCarrier(h))
}
