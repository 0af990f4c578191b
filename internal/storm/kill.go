package storm

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"huskline/internal/storm/plant"
)

// strikes are kills at any time.
func strikes() []Fault {
	return []Fault{
		{
			Name: "kill -9 of any service every second", Holds: "as at named places",
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for range 6 {
					sleep(ctx, time.Duration(300+rng.IntN(1200))*time.Millisecond)
					s.Plant.Kill(oneOf(rng, plant.Services()...))
				}
				return nil
			},
		},
		{
			Name: "kill -9 of NATS every second", Holds: "no command waits for NATS",
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for range s.times(5) {
					sleep(ctx, time.Duration(300+rng.IntN(1200))*time.Millisecond)
					s.Plant.KillBus()
					sleep(ctx, time.Duration(rng.IntN(500))*time.Millisecond)
					if err := s.Plant.StartBus(ctx); err != nil {
						return err
					}
				}
				return nil
			},
			Heal: func(ctx context.Context, s *Storm) error { return s.Plant.StartBus(ctx) },
		},
		{
			Name: "kill -9 of Postgres", Holds: "what was answered OK is there; the services come back by themselves", Quick: true,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for range s.times(2) {
					sleep(ctx, time.Duration(300+rng.IntN(1500))*time.Millisecond)
					s.Plant.KillPostgres()
					sleep(ctx, time.Duration(rng.IntN(1000))*time.Millisecond)
					if err := s.Plant.StartPostgres(ctx); err != nil {
						return err
					}
				}
				return nil
			},
			Heal: func(ctx context.Context, s *Storm) error { return s.Plant.StartPostgres(ctx) },
		},
	}
}

// ends are ends that were asked for, and a process that comes back when another does its work.
func ends() []Fault {
	return []Fault{
		{
			Name: "two processes of one service, the first stopped and woken", Holds: "two relays and two consumers on one database are harmless", Quick: true,
			Inject: twoProcesses,
			Heal: func(_ context.Context, s *Storm) error {
				for _, name := range plant.Services() {
					s.Plant.Resume(name)
					s.Plant.UseTwin(name, false)
					s.Plant.StopTwin(name)
				}
				return nil
			},
		},
		{
			Name: "SIGTERM under load", Holds: "it stops within 10 s, calls in work are answered or may be repeated",
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for _, i := range rng.Perm(len(plant.Services())) {
					name := plant.Services()[i]
					took, err := s.Plant.Terminate(ctx, name)
					if err != nil {
						return err
					}
					if took > 11*time.Second { // the ten of the drain, and what is left to close
						return fmt.Errorf("%s took %v to stop", name, took)
					}
					if err := s.Plant.AwaitReady(ctx); err != nil {
						return err
					}
				}
				return nil
			},
		},
	}
}

// twoProcesses runs a second process of a service, stops the first in the middle of its work, lets the second one work alone, and wakes the first,
// whose relay and consumer then act on what was long ago.
func twoProcesses(ctx context.Context, s *Storm, rng *rand.Rand) error {
	name := oneOf(rng, plant.Services()...)
	s.note("two processes of %s", name)
	if err := s.Plant.StartTwin(ctx, name); err != nil {
		return err
	}
	s.work(ctx, time.Second)
	s.Plant.Pause(name)
	s.Plant.UseTwin(name, true)
	s.work(ctx, 3*time.Second)
	s.Plant.Resume(name)
	s.work(ctx, time.Second)
	s.Plant.UseTwin(name, false)
	s.work(ctx, time.Second)
	return nil
}
