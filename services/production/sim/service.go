package sim

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/lot"
	"huskline/internal/sim/mem"
	"huskline/services/production/internal/consumer"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/server/write"
)

// Config is what the service in memory is made of.
type Config struct {
	DB      *mem.DB
	Now     func() time.Time
	NewID   func() (uuid.UUID, error)
	After   func() []lot.Receipt               // what it has applied of the others
	Call    command.Call                       // asks the inventory for a movement
	CatchUp func(ctx context.Context) []string // takes in what the others have said so far, and names those that could not be asked
}

// Service is production over a database in memory.
type Service struct {
	cfg      Config
	s        *store
	commands *write.Commands
}

// New makes a service whose tables are empty but for one stage.
func New(cfg Config, stage string) *Service {
	s := &Service{cfg: cfg, s: newStore(cfg.DB.Log)}
	s.s.stages.Put(stage, true)
	cfg.DB.Log.Forget()
	return s
}

// Start makes what lives in memory anew, as a start of the process does.
func (s *Service) Start() {
	cfg := s.cfg
	run := command.New(command.Config[write.Tx]{
		DB: cfg.DB, Producer: lot.Production, Now: cfg.Now, Actor: desk.Actor, NewID: cfg.NewID,
		Wrap:  func(_ pgx.Tx, at time.Time) write.Tx { return &tx{s: s.s, at: at} },
		After: func(context.Context, pgx.Tx) ([]lot.Receipt, error) { return cfg.After(), nil },
	})
	s.commands = write.New(write.Config{Runner: run, Call: cfg.Call, CatchUp: cfg.CatchUp})
}

// Commands answers for runs and charges.
func (s *Service) Commands() *write.Commands { return s.commands }

// Sweep finishes what a crash left half done.
func (s *Service) Sweep(ctx context.Context) error { return s.commands.Finish(ctx) }

// Apply gives another's event its effect, inside a transaction.
func (s *Service) Apply(ctx context.Context, e lot.Recorded) error {
	return consumer.Apply(ctx, &tx{s: s.s, at: s.cfg.Now().UTC().Truncate(time.Microsecond), after: s.cfg.After()}, e)
}

// Owes tells whether something that follows from others' events is still to be said.
func (s *Service) Owes() bool { return s.s.owed.Len() > 0 }

// SayOwed says it, in a transaction of its own.
func (s *Service) SayOwed(ctx context.Context) error {
	return s.cfg.DB.InTx(ctx, func(context.Context, pgx.Tx) error {
		for n, o := range s.s.owed.All() {
			s.s.owed.Delete(n)
			if err := s.cfg.DB.Append(s.cfg.Now().UTC().UnixMicro(), o.id, o.kind, o.payload); err != nil {
				return err
			}
		}
		return nil
	})
}

// Run is a run as production has it.
type Run struct {
	ID      lot.RunID
	Version int64
	Phase   string
	Held    bool // a command waits for the inventory's answer about it
	In, Out lot.Quantity
	Lines   lot.RunPosted
}

// State lists the runs whose code is taken.
func (s *Service) State(ctx context.Context) []Run {
	t := &tx{s: s.s}
	var out []Run
	for id, r := range s.s.runs.All() {
		if r.Phase == run.Refused {
			continue
		}
		lines, _ := t.Lines(ctx, id, r.Version)
		out = append(out, Run{id, r.Version, string(r.Phase), r.HeldBy != "", r.Input, r.Output, lines})
	}
	return out
}
