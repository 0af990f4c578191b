package launch

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"

	"huskline/internal/access"
	"huskline/internal/bus/embedded"
	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/postbox"
)

// DevicesConfig says where devices publish readings by MQTT.
type DevicesConfig struct {
	Addr      string // host:port; empty: nowhere
	Dir       string // keeps what was published until intake has it, and what is no reading; made if absent. An up keeps it in its data folder
	Cert, Key string // of the listener; empty: no TLS in an up, the service's own certificate in a serve
	CA        string // who signs devices' certificates, where they have any; empty: they are not asked for one
}

// deviceTools is what the rest of the process gives the listener.
type deviceTools struct {
	now    func() time.Time
	logger *slog.Logger
}

// devices is the MQTT listener of a plant: a server of its own, whose acknowledgements hold, and what takes the readings off it.
type devices struct {
	server *embedded.Server
	box    *postbox.Box
	calls  *grpc.Server
	conn   *grpc.ClientConn
	cancel context.CancelFunc
	work   sync.WaitGroup
}

// intakeName is the service that readings are posted to.
const intakeName = "huskline.intake.v1.IntakeService"

// openDevices listens once intake answers. A device is known by a token of intake with the role of posting readings, and its readings are posted in that
// token's name.
func openDevices(ctx context.Context, cfg DevicesConfig, svc service, tools deviceTools) (_ *devices, err error) {
	logger := tools.logger.With(slog.String("door", "mqtt"))
	secure, err := cfg.tls()
	if err != nil {
		return nil, err
	}
	if host, _, err := net.SplitHostPort(cfg.Addr); secure == nil && err == nil && !net.ParseIP(host).IsLoopback() && host != "localhost" {
		logger.WarnContext(ctx, "devices connect without TLS beyond this machine: whoever can listen on that network reads their passwords", "address", cfg.Addr)
	}
	var open atomic.Bool
	verify := svc.Door().Verify
	d := &devices{}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.close())
		}
	}()
	d.server, err = embedded.Start(embedded.Config{StoreDir: filepath.Join(cfg.Dir, "mqtt"), Logger: logger, MQTT: &embedded.MQTT{
		Listen: cfg.Addr, TLS: secure,
		Admit: func(ctx context.Context, secret string) (string, error) {
			if !open.Load() {
				return "", fault.Unavailable("starting", "the listener is not ready yet")
			}
			actor, err := verify(ctx, secret)
			if err != nil {
				return "", err
			}
			return actor.Name, mayPost(actor)
		},
	}})
	if err != nil {
		return nil, err
	}
	if err := d.dial(svc, tools.now, logger); err != nil {
		return nil, err
	}
	d.box, err = postbox.Open(ctx, postbox.Config{
		Server: d.server, Intake: intakev1.NewIntakeServiceClient(d.conn), As: as, NewID: uuid.NewString, Quarantine: filepath.Join(cfg.Dir, "mqtt-quarantine.jsonl"),
		Now: tools.now, Logger: logger,
	})
	if err != nil {
		return nil, err
	}
	running, cancel := context.WithCancel(context.WithoutCancel(ctx))
	d.cancel = cancel
	d.work.Go(func() { d.server.Watch(running) })
	d.work.Go(func() {
		if err := d.box.Run(running); err != nil {
			logger.ErrorContext(running, "postbox ended", "reason", err)
		}
	})
	open.Store(true)
	return d, nil
}

// tls is TLS 1.3 as at the other doors: a device may have a certificate and needs none, since its token says who it is.
func (cfg DevicesConfig) tls() (*tls.Config, error) {
	switch {
	case cfg.Cert == "" && cfg.Key == "" && cfg.CA == "":
		return nil, nil
	case cfg.Cert == "" || cfg.Key == "":
		return nil, fault.Invalid("tls_missing", "MQTT listener: a certificate and its key go together")
	}
	own, err := loadCertificate(cfg.Cert, cfg.Key)
	if err != nil {
		return nil, err
	}
	return serverTLS(own, cfg.CA)
}

func mayPost(actor access.Actor) error {
	if !actor.Has(access.WeighPost) && !actor.Has(access.Administrator) {
		return fault.Denied("role_missing", "token of %s: posting readings needs the role %s", actor.Name, access.WeighPost)
	}
	return nil
}

// dial connects to intake inside this process. The listener has found out who published, maybe long before the readings are posted: on this connection, which
// nobody else has, the caller is who the listener says, and may post readings and nothing else. A topic that names a scale nobody registered never becomes
// one, whoever published.
func (d *devices) dial(svc service, now func() time.Time, logger *slog.Logger) error {
	door := rpc.Door{
		Verify: func(_ context.Context, name string) (access.Actor, error) {
			return access.Actor{Name: name, Roles: []access.Role{access.WeighPost}}, nil
		},
		Wait: svc.Door().Wait,
	}
	var err error
	if d.calls, err = rpc.NewServer(rpc.ServerConfig{Doors: map[string]rpc.Door{intakeName: door}, Logger: logger, Now: now}); err != nil {
		return err
	}
	svc.Register(d.calls)
	inner := bufconn.Listen(pipeBytes)
	d.work.Go(func() { _ = d.calls.Serve(inner) })
	d.conn, err = rpc.Dial(rpc.DialConfig{Target: "devices", Dialer: func(ctx context.Context, _ string) (net.Conn, error) { return inner.DialContext(ctx) }})
	return err
}

// unnamed is who published what the listener of an earlier version kept, which knew no sender.
const unnamed = "mqtt"

// as makes a call that of a sender.
func as(ctx context.Context, name string) context.Context {
	if name == "" {
		name = unnamed
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+name)
}

// close lets no device in any more, then stops posting; what is not posted stays in the stream.
func (d *devices) close() error {
	var err error
	if d.cancel != nil {
		d.cancel()
	}
	if d.conn != nil {
		err = d.conn.Close()
	}
	if d.calls != nil {
		d.calls.Stop()
	}
	d.work.Wait()
	if d.box != nil {
		d.box.Close()
	}
	if d.server != nil {
		d.server.Stop()
	}
	return err
}
