package launch

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	"huskline/internal/access"
	"huskline/internal/bus/embedded"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/postbox"
)

// devices is the MQTT listener of a plant: a server of its own, whose acknowledgements hold, and what takes the readings off it.
type devices struct {
	server *embedded.Server
	box    *postbox.Box
	conn   *grpc.ClientConn
	cancel context.CancelFunc
	work   sync.WaitGroup
}

// openDevices listens once intake answers. A device is known by a token of intake with the role of posting readings.
func (p *Plant) openDevices(ctx context.Context, secret string) (_ *devices, err error) {
	db := p.dbs[lot.Intake].commands
	verifier := access.NewVerifier(db.Pool(), p.cfg.Now)
	logger := p.cfg.Logger.With(slog.String("door", "mqtt"))
	if host, _, err := net.SplitHostPort(p.cfg.MQTT); err == nil && !net.ParseIP(host).IsLoopback() && host != "localhost" {
		logger.WarnContext(ctx, "devices connect without TLS beyond this machine: whoever can listen on that network reads their passwords", "address", p.cfg.MQTT)
	}
	var open atomic.Bool
	d := &devices{}
	defer func() {
		if err != nil {
			d.close()
		}
	}()
	d.server, err = embedded.Start(embedded.Config{StoreDir: filepath.Join(p.cfg.Dir, "mqtt"), Logger: logger, MQTT: &embedded.MQTT{
		Listen: p.cfg.MQTT,
		Admit: func(ctx context.Context, secret string) error {
			if !open.Load() {
				return fault.Unavailable("starting", "the listener is not ready yet")
			}
			return mayPost(ctx, verifier, secret)
		},
	}})
	if err != nil {
		return nil, err
	}
	own := ownSecret(secret)
	if err := ownToken(ctx, db, own, p.cfg.Now()); err != nil {
		return nil, err
	}
	if d.conn, err = rpc.Dial(rpc.DialConfig{Target: p.door.grpcL.Addr().String(), Token: own}); err != nil {
		return nil, err
	}
	d.box, err = postbox.Open(ctx, postbox.Config{
		Server: d.server, Intake: intakev1.NewIntakeServiceClient(d.conn), NewID: uuid.NewString, Quarantine: filepath.Join(p.cfg.Dir, "mqtt-quarantine.jsonl"), Now: p.cfg.Now, Logger: logger,
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

func mayPost(ctx context.Context, v *access.Verifier, secret string) error {
	actor, err := v.Verify(ctx, secret)
	if err != nil {
		return err
	}
	if !actor.Has(access.WeighPost) && !actor.Has(access.Administrator) {
		return fault.Denied("role_missing", "token of %s: posting readings needs the role %s", actor.Name, access.WeighPost)
	}
	return nil
}

// ownSecret is the listener's own token, the same at every start.
func ownSecret(folder string) string {
	sum := sha256.Sum256([]byte("mqtt listener " + folder))
	return hex.EncodeToString(sum[:])
}

// ownToken lets the listener post readings and nothing else: a topic that names a scale nobody registered must not become one.
func ownToken(ctx context.Context, db *postgres.DB, secret string, now time.Time) error {
	_, err := db.Pool().Exec(ctx, `
		insert into access_tokens (token_id, name, roles, secret_sha256, issued, expires)
		values ($1, 'mqtt', $2, $3, $4, $5) on conflict do nothing`,
		fmt.Sprintf("mqtt-%x", access.Hash(secret)[:8]), []string{string(access.WeighPost)}, access.Hash(secret), now, now.AddDate(100, 0, 0))
	return err
}

// close lets no device in any more, then stops posting; what is not posted stays in the stream.
func (d *devices) close() error {
	var err error
	if d.cancel != nil {
		d.cancel()
		d.work.Wait()
	}
	if d.box != nil {
		d.box.Close()
	}
	if d.server != nil {
		d.server.Stop()
	}
	if d.conn != nil {
		err = errors.Join(err, d.conn.Close())
	}
	return err
}
