package sim

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/lot"
	"huskline/internal/sim/mem"
	"huskline/services/intake/internal/consumer"
	"huskline/services/intake/internal/server/gate"
	"huskline/services/intake/internal/server/pay"
	"huskline/services/intake/internal/server/register"
	"huskline/services/intake/internal/server/work"
)

// Config is what the service in memory is made of.
type Config struct {
	DB    *mem.DB
	Now   func() time.Time
	NewID func() (uuid.UUID, error)
	After func() []lot.Receipt // what it has applied of the others
	Call  command.Call         // asks the inventory for a movement
}

// Service is intake over a database in memory.
type Service struct {
	cfg      Config
	s        *store
	post     *command.Poster[work.Tx]
	register *register.Server
	gate     *gate.Server
	pay      *pay.Server
}

// New makes a service with empty tables.
func New(cfg Config) *Service { return &Service{cfg: cfg, s: newStore(cfg.DB.Log)} }

// Start makes what lives in memory anew, as a start of the process does.
func (s *Service) Start() {
	run := command.New(command.Config[work.Tx]{
		DB: s.cfg.DB, Producer: lot.Intake, Now: s.cfg.Now, Actor: desk.Actor, NewID: s.cfg.NewID,
		Wrap:  func(_ pgx.Tx, at time.Time) work.Tx { return &tx{s: s.s, at: at} },
		After: func(context.Context, pgx.Tx) ([]lot.Receipt, error) { return s.cfg.After(), nil },
	})
	s.post = command.NewPoster(run, s.cfg.Call, slices.Concat(gate.Handlers(), pay.Handlers())...)
	runner := work.New(run, s.post, nil)
	s.register, s.gate, s.pay = register.New(runner, nil, s.cfg.Now), gate.New(runner, nil), pay.New(runner)
}

// Register answers for parties and items.
func (s *Service) Register() *register.Server { return s.register }

// Gate answers for deliveries.
func (s *Service) Gate() *gate.Server { return s.gate }

// Pay answers for prices and purchases.
func (s *Service) Pay() *pay.Server { return s.pay }

// Sweep finishes what a crash left half done.
func (s *Service) Sweep(ctx context.Context) error { return s.post.Sweep(ctx) }

// Apply gives another's event its effect, inside a transaction.
func (s *Service) Apply(ctx context.Context, e lot.Recorded) error {
	return consumer.Apply(ctx, &tx{s: s.s, at: s.cfg.Now().UTC()}, e)
}

// Received is a received lot as intake has it.
type Received struct {
	Lot      lot.ID
	Quantity lot.Quantity
	Version  int64
	Voided   bool
	Held     bool // a command waits for the inventory's answer about it
}

// State lists the received lots.
func (s *Service) State() []Received {
	var out []Received
	for id, r := range s.s.received.All() {
		out = append(out, Received{id, r.Facts.Quantity, r.Version, r.Voided, r.HeldBy != ""})
	}
	return out
}
