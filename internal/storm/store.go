package storm

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

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

// deadlocks locks rows that movements lock, in the order against them.
func deadlocks(ctx context.Context, s *Storm, _ *rand.Rand) error {
	met := 0
	for range s.times(6) {
		err := s.Plant.SQL(ctx, "inventory", `begin; set local deadlock_timeout = '5s';
			select 1 from head for update; select pg_sleep(0.2); select 1 from lots order by lot desc for update; rollback`)
		if err != nil && errors.Is(err, context.DeadlineExceeded) {
			return err
		}
		if err != nil {
			met++
		}
		sleep(ctx, 100*time.Millisecond)
	}
	s.note("ours lost %d times", met)
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
