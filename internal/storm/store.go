package storm

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"huskline/internal/postgres"
	"huskline/internal/storm/plant"
)

// storeFaults get in Postgres' way, and take indexes away.
func storeFaults() []Fault {
	const away = `select count(*) from (select pg_terminate_backend(pid) from pg_stat_activity
		where pid <> pg_backend_pid() and usename like 'huskline%') t`
	return []Fault{
		{
			Name: "connections to Postgres ended", Holds: "a commit whose answer was lost is found again",
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for range 6 {
					sleep(ctx, time.Duration(200+rng.IntN(600))*time.Millisecond)
					if _, err := s.Plant.Number(ctx, "intake", away); err != nil {
						return err
					}
				}
				return nil
			},
		},
		quick(inTheWay("head of a service locked", `select 1 from head for update`)),
		inTheWay("table of events locked, as a migration does", `lock table events in access exclusive mode`),
		{
			Name: "deadlocks", Holds: "a transaction that loses runs again",
			Inject: deadlocks,
		},
		{
			Name: "indexes dropped", Holds: "rebuilt from nothing they answer the same as of the same positions",
			Inject: dropped,
		},
		{
			Name: "read models in tables emptied", Holds: "rebuilt from nothing they answer the same",
			Absent: func(*Storm) error {
				return errors.New("absent: what can be rebuilt without a person lies in memory (see indexes dropped); balances, containers and flags in tables are sealed state, " +
					"written with the facts, and verify names what is changed there")
			},
			Inject: func(context.Context, *Storm, *rand.Rand) error { return nil },
		},
	}
}

// lockFor is how long somebody's transaction stands in the way, in seconds: longer than a service waits for a lock.
const lockFor = 6

// inTheWay is a transaction of somebody else's that holds a lock and does nothing.
func inTheWay(name, lock string) Fault {
	return Fault{
		Name: name, Holds: "commands are refused as unavailable within their time, not queued without end",
		Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
			service := oneOf(rng, plant.Services()...)
			s.note("in %s", service)
			return s.Plant.SQL(ctx, service, fmt.Sprintf(`begin; %s; select pg_sleep(%d); rollback`, lock, s.times(lockFor)))
		},
	}
}

const (
	deadlocksWanted = 6
	deadlocksTries  = 40
)

// deadlocks locks what movements lock, in the order against them, until some were met: with the head locked for longer than a service's Postgres waits
// before it looks for a deadlock, and then the lots that waiting movements hold. Who looks first loses, which is a service.
func deadlocks(ctx context.Context, s *Storm, _ *rand.Rand) error {
	const count = `select deadlocks from pg_stat_database where datname = current_database()`
	before, err := s.Plant.Number(ctx, "inventory", count)
	if err != nil {
		return err
	}
	met, ours, tries := int64(0), 0, 0
	for ; met < int64(s.times(deadlocksWanted)) && tries < deadlocksTries; tries++ {
		err := s.Plant.SQL(ctx, "inventory", `begin; set local deadlock_timeout = '5s';
			select 1 from head for update; select pg_sleep(0.3); select 1 from lots order by lot desc for update; rollback`)
		switch {
		case postgres.Code(err) == "40P01":
			ours++
		case err != nil:
			return err
		}
		// The statistics come a little late.
		poll(ctx, 1500*time.Millisecond, func() bool {
			now, err := s.Plant.Number(ctx, "inventory", count)
			if err != nil || now-before == met {
				return false
			}
			met = now - before
			return true
		})
	}
	if met == 0 {
		return fmt.Errorf("no deadlock was met in %d tries", tries)
	}
	s.measure("deadlocks met: %d, in %d tries; services lost %d of them", met, tries, met-int64(ours))
	return nil
}

// dropped asks, restarts every service, whose indexes live in memory, and asks again as of the same positions.
func dropped(ctx context.Context, s *Storm, _ *rand.Rand) error {
	if err := s.gate.Close(ctx); err != nil {
		return err
	}
	defer s.gate.Open()
	var before [][]string
	for _, t := range s.traders {
		answers, err := t.Answers(ctx)
		if err != nil {
			return err
		}
		before = append(before, answers)
	}
	for _, name := range plant.Services() {
		s.Plant.Kill(name)
	}
	if err := s.Plant.AwaitReady(ctx); err != nil {
		return err
	}
	n := 0
	for i, t := range s.traders {
		after, err := t.AnswersAgain(ctx)
		if err != nil {
			return err
		}
		for j := range before[i] {
			n++
			if j >= len(after) || before[i][j] != after[j] {
				return fmt.Errorf("an answer as of the same positions changed with the rebuilding of the index:\n%s\n%s", before[i][j], after[min(j, len(after)-1)])
			}
		}
	}
	s.measure("answers compared before and after the indexes were rebuilt: %d", n)
	return nil
}
