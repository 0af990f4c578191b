package link_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/test/bufconn"

	"huskline/internal/bustest"
	"huskline/internal/command"
	"huskline/internal/dbtest"
	"huskline/internal/desk"
	"huskline/internal/link"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

var producers = []lot.Producer{lot.Intake, lot.Inventory, lot.Production}

// migrations are what every service has, and a table in which an event, of another or of its own, can have its effect only once.
func migrations(self lot.Producer) fs.FS {
	const effects = `-- +goose Up
		create table effects (number bigint generated always as identity, adjustment text primary key, producer text not null);
		grant select, insert on effects to "@RUN_ROLE@";`
	return desk.Migrations(self, fstest.MapFS{"migrations/00101_effects.sql": {Data: []byte(effects)}})
}

// plant is three services without a trade, each of which records adjustments and takes in those of the others.
type plant struct {
	t        testing.TB
	bus      *bustest.Bus
	services map[lot.Producer]*service
}

// service is one of them. Its address stays the same over restarts, as does that of a real one.
type service struct {
	plant   *plant
	self    lot.Producer
	dsn     string
	running atomic.Pointer[running]
	down    atomic.Bool // answers nobody
	refuse  atomic.Bool // to make effects again
	rises   atomic.Value
	doors   map[lot.Producer]*bufconn.Listener // one for each caller
	peers   map[lot.Producer]grpc.ClientConnInterface
}

// running is what lives from start to stop.
type running struct {
	db   *postgres.DB
	link *link.Link
	desk *desk.Desk
	run  *command.Runner[pgx.Tx]
	stop func()
}

func newPlant(t testing.TB) *plant {
	t.Helper()
	p := &plant{t: t, bus: bustest.New(t), services: map[lot.Producer]*service{}}
	for _, self := range producers {
		s := &service{plant: p, self: self, doors: map[lot.Producer]*bufconn.Listener{}, peers: map[lot.Producer]grpc.ClientConnInterface{}}
		_, s.dsn = dbtest.DSNs(t, migrations(self), string(self))
		p.services[self] = s
		for _, caller := range producers {
			if caller != self {
				s.doors[caller] = s.serve(caller)
			}
		}
	}
	for _, s := range p.services {
		for _, other := range p.services {
			if other != s {
				s.peers[other.self] = other.dial(s.self)
			}
		}
		t.Cleanup(s.stop)
	}
	return p
}

func (p *plant) start() {
	for _, self := range producers {
		p.services[self].start()
	}
}

// serve opens the door for one caller.
func (s *service) serve(caller lot.Producer) *bufconn.Listener {
	t := s.plant.t
	server, err := rpc.NewServer(rpc.ServerConfig{Peer: caller, Logger: slog.New(slog.DiscardHandler), Now: time.Now})
	require.NoError(t, err)
	s.register(server)
	door := bufconn.Listen(1 << 16)
	done := make(chan error, 1)
	go func() { done <- server.Serve(door) }()
	t.Cleanup(func() {
		server.Stop()
		require.NoError(t, <-done)
	})
	return door
}

func (s *service) dial(caller lot.Producer) grpc.ClientConnInterface {
	conn, err := rpc.Dial(rpc.DialConfig{Target: string(s.self), Dialer: func(ctx context.Context, _ string) (net.Conn, error) {
		return s.doors[caller].DialContext(ctx)
	}})
	require.NoError(s.plant.t, err)
	s.plant.t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// errDown is a service that is not there.
var errDown = errors.New("down")

func (s *service) at() (*desk.Desk, error) {
	r := s.running.Load()
	if s.down.Load() || r == nil {
		return nil, errDown
	}
	return r.desk, nil
}

func (s *service) start() {
	t := s.plant.t
	r := &running{}
	var err error
	r.db, err = postgres.Open(t.Context(), postgres.Config{DSN: s.dsn, Name: string(s.self), MaxConns: 8})
	require.NoError(t, err)
	conn := s.plant.bus.Connect(t, string(s.self))
	r.link, err = link.New(link.Config{
		DB: r.db, Self: s.self, Bus: conn, Peers: s.peers, Now: time.Now, Apply: effect, Patience: 200 * time.Millisecond,
		Reapply: func(ctx context.Context, tx pgx.Tx, e lot.Recorded) error {
			if err := effect(ctx, tx, e); err != nil || !s.refuse.Load() {
				return err
			}
			return errors.New("it cannot be made again")
		},
		OnEpochRise: func(_ context.Context, producer lot.Producer, epoch, after int64) error {
			s.rises.Store(fmt.Sprintf("%s/%d/%d", producer, epoch, after))
			return nil
		},
	})
	require.NoError(t, err)
	in := r.link.Inbox()
	r.desk = desk.New(r.db, in)
	r.run = command.New(command.Config[pgx.Tx]{
		DB: r.db, Producer: s.self, Now: time.Now, Gate: r.link.Writable, Recorded: r.link.Recorded,
		Wrap:  func(tx pgx.Tx, _ time.Time) pgx.Tx { return tx },
		After: func(ctx context.Context, tx pgx.Tx) ([]lot.Receipt, error) { return in.Positions(ctx, tx) },
	})
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- r.link.Run(ctx) }()
	r.stop = func() {
		cancel()
		require.NoError(t, <-done)
		conn.Close()
		r.db.Close()
	}
	s.running.Store(r)
}

func (s *service) stop() {
	if r := s.running.Swap(nil); r != nil {
		r.stop()
	}
}

// effect is the only one there is: the adjustment stands in a table where it can stand once.
func effect(ctx context.Context, tx pgx.Tx, e lot.Recorded) error {
	_, err := tx.Exec(ctx, `insert into effects (adjustment, producer) values ($1, $2)`, e.Body.(lot.Adjusted).Adjustment, e.Producer)
	return err
}

// order is a command of no trade; say records one event by it, with its effect.
func order() *inventoryv1.RegisterPlaceRequest {
	return &inventoryv1.RegisterPlaceRequest{CommandId: uuid.NewString(), Place: &inventoryv1.Place{Place: "p"}}
}

func (s *service) say(req *inventoryv1.RegisterPlaceRequest) (lot.Receipt, error) {
	ctx, cancel := context.WithTimeout(s.plant.t.Context(), 20*time.Second)
	defer cancel()
	answer, err := command.Run(ctx, s.running.Load().run, req, func(ctx context.Context, tx pgx.Tx) (*inventoryv1.RegisterPlaceResponse, []lot.Event, error) {
		body := lot.Adjusted{Adjustment: req.GetCommandId(), Lot: "any", Delta: 1, Reason: "count", Account: lot.Account{Name: "count"}}
		e := lot.Event{Lots: []lot.ID{"any"}, Effective: time.Unix(1, 0), Body: body}
		return &inventoryv1.RegisterPlaceResponse{}, []lot.Event{e}, effect(ctx, tx, lot.Recorded{Receipt: lot.Receipt{Producer: s.self}, Event: e})
	})
	if err != nil {
		return lot.Receipt{}, err
	}
	r := answer.GetReceipt()
	return lot.Receipt{Producer: s.self, Epoch: r.GetEpoch(), Position: r.GetPosition()}, nil
}

// mustSay records events, and has each taken in by the others before the next one is recorded, so that each builds on the one before. It
// returns their commands.
func (p *plant) mustSay(who ...lot.Producer) (said []string) {
	p.t.Helper()
	for _, self := range who {
		req := order()
		at, err := p.services[self].say(req)
		require.NoError(p.t, err)
		p.taken(at)
		said = append(said, req.GetCommandId())
	}
	return said
}

// taken waits until all others have taken in an event.
func (p *plant) taken(at lot.Receipt) {
	p.t.Helper()
	for _, other := range p.services {
		if other.self != at.Producer && other.running.Load() != nil {
			ctx, cancel := context.WithTimeout(p.t.Context(), 20*time.Second)
			err := other.running.Load().link.Inbox().Wait(ctx, []lot.Receipt{at})
			cancel()
			require.NoError(p.t, err, "%s takes in %v", other.self, at)
		}
	}
}

// copyOf is a copy of a stopped service's database as it is now: the moment to which it will go back.
func (s *service) copyOf() (dsn string) {
	t := s.plant.t
	require.Nil(t, s.running.Load(), "a database in use cannot be copied")
	db, err := postgres.Open(t.Context(), postgres.Config{DSN: s.dsn, Name: "copy", MaxConns: 1})
	require.NoError(t, err)
	admin := dbtest.Admin(t, db)
	db.Close()
	cfg, err := pgx.ParseConfig(s.dsn)
	require.NoError(t, err)
	name := cfg.Database + "_" + uuid.NewString()[:8]
	quoted := pgx.Identifier{name}.Sanitize()
	dbtest.Exec(t, admin, "create database "+quoted+" template "+cfg.Database+" owner "+postgres.OwnerRole(string(s.self)))
	dbtest.Exec(t, admin, "grant connect on database "+quoted+" to "+postgres.RunRole(string(s.self)))
	t.Cleanup(func() { dbtest.Exec(t, admin, "drop database "+quoted+" with (force)") })
	dsn, err = postgres.WithRole(s.dsn, postgres.RunRole(string(s.self)), name)
	require.NoError(t, err)
	return dsn
}

// goBack starts a stopped service on another copy of its database.
func (s *service) goBack(dsn string) {
	s.stop()
	s.dsn = dsn
	s.start()
}

// effects is the adjustments that have taken effect at a service, in the order in which they did.
func (s *service) effects() (ids []string) {
	t := s.plant.t
	err := s.running.Load().db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select adjustment from effects order by number`)
		if err == nil {
			ids, err = pgx.CollectRows(rows, pgx.RowTo[string])
		}
		return err
	})
	require.NoError(t, err)
	return ids
}

// eventually polls until check is true.
func (p *plant) eventually(what string, check func() bool) {
	p.t.Helper()
	require.Eventually(p.t, check, 20*time.Second, 20*time.Millisecond, what)
}
