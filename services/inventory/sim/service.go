package sim

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/lot"
	"huskline/internal/sim/mem"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/consumer"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/server/goods"
	"huskline/services/inventory/internal/server/judge"
	"huskline/services/inventory/internal/server/yard"
)

// Config is what the service in memory is made of.
type Config struct {
	DB    *mem.DB
	Now   func() time.Time
	NewID func() (uuid.UUID, error)
	After func() []lot.Receipt               // what it has applied of the others
	Reach func(ctx context.Context) []string // takes in what the others have said by now; names those that could not be asked

	ForgetRefusals bool // a break: why a try of a movement was refused is not kept
}

// Service is inventory over a database in memory. Its tables outlive it: Restart makes another of the same tables.
type Service struct {
	cfg   Config
	s     *store
	judge *judge.Judge
	goods *goods.Server
	yard  *yard.Server

	judged *mem.Cell[int] // legs that were judged
}

// New makes a service with empty tables.
func New(cfg Config) *Service {
	return &Service{cfg: cfg, s: newStore(cfg.DB.Log), judged: mem.NewCell(cfg.DB.Log, 0)}
}

type reacher func(ctx context.Context) []string

func (r reacher) Reach(ctx context.Context) []string { return r(ctx) }

// Start makes what lives in memory anew, as a start of the process does.
func (s *Service) Start() {
	cfg := s.cfg
	run := command.New(command.Config[judge.Tx]{
		DB: cfg.DB, Producer: lot.Inventory, Now: cfg.Now, Actor: judge.By, NewID: cfg.NewID,
		Wrap:  func(_ pgx.Tx, at time.Time) judge.Tx { return &tx{s: s.s, at: at} },
		After: func(context.Context, pgx.Tx) ([]lot.Receipt, error) { return cfg.After(), nil },
	})
	s.judge = judge.New(run, reacher(cfg.Reach), cfg.Now)
	s.goods = goods.New(s.judge, refusals{s})
	s.yard = yard.New(s.judge, func() {})
}

// Goods answers what moves goods within the plant.
func (s *Service) Goods() *goods.Server { return s.goods }

// Yard answers what stops goods, lets them leave and takes them back.
func (s *Service) Yard() *yard.Server { return s.yard }

type refusals struct{ s *Service }

// KeepRefusal keeps a refusal and gives the one that stands.
func (r refusals) KeepRefusal(ctx context.Context, at time.Time, command string, try int64, why error) (stands error, err error) {
	if r.s.cfg.ForgetRefusals {
		return why, nil
	}
	err = r.s.cfg.DB.InTx(ctx, func(context.Context, pgx.Tx) error {
		stands = (&tx{s: r.s.s, at: at}).refuse(command, try, why)
		return nil
	})
	return stands, err
}

// Apply gives another's event its effect, inside a transaction.
func (s *Service) Apply(ctx context.Context, e lot.Recorded) error {
	return consumer.Apply(ctx, &tx{s: s.s, at: s.cfg.Now().UTC()}, e)
}

// Spreading lists holds that have not reached all their descendants.
func (s *Service) Spreading() []string { return (&tx{s: s.s}).spreading() }

// SpreadPage spreads a hold by one page, as a command of the service's own.
func (s *Service) SpreadPage(ctx context.Context, id string) error {
	fresh, err := s.cfg.NewID()
	if err != nil {
		return err
	}
	ctx = access.WithActor(ctx, access.Actor{Name: string(lot.Inventory), Peer: lot.Inventory})
	req := &inventoryv1.PlaceHoldRequest{CommandId: fresh.String(), Hold: id}
	_, err = judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.PlaceHoldResponse, []lot.Event, error) {
		_, events, err := hold.SpreadPage(ctx, tx, id)
		return &inventoryv1.PlaceHoldResponse{Hold: id, Lots: int64(len(events)), Spreading: true}, events, err
	})
	return err
}

// ForgetFrontier forgets what holds must still reach, which is a break.
func (s *Service) ForgetFrontier() {
	for k := range s.s.frontier.All() {
		s.s.frontier.Delete(k)
	}
	s.cfg.DB.Log.Forget()
}
