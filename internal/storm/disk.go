package storm

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"huskline/internal/storm/plant"
)

// diskFaults are those of the disk under the stores: some need it to be a file system of its own, some that calls can be made to fail.
func diskFaults() []Fault {
	absent := func(s *Storm) error { return s.Plant.Disk.Absent }
	return []Fault{
		{
			Name: "power cut of the whole plant", Holds: "what was answered OK is there, the chain holds, all are equal within 30 s", Absent: absent,
			Quick: true, Inject: powerCut, Heal: powerBack,
		},
		{
			Name: "disk full, then freed", Holds: "what cannot be stored is refused; all heal by themselves within 60 s", Absent: absent, Lasts: 4 * time.Second, Quick: true,
			Inject: func(_ context.Context, s *Storm, _ *rand.Rand) error { return s.Plant.Disk.Fill() },
			Heal: func(ctx context.Context, s *Storm) error {
				if err := s.Plant.Disk.Free(); err != nil {
					return err
				}
				return s.Plant.StartPostgres(ctx) // a supervisor's part, where it ended
			},
		},
		{
			Name: "Postgres' flushes fail with an I/O error", Holds: "nothing is answered OK that was not flushed; it is there after the restart", Absent: cannotFail,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				return s.fail(ctx, "fsync,fdatasync", "EIO", rng.IntN(4), s.Plant.PostgresProcesses())
			},
			Heal: func(ctx context.Context, s *Storm) error { return s.Plant.StartPostgres(ctx) }, // where it ended
		},
		{
			Name: "NATS' writes fail with no space left", Holds: "it heals by itself; no command waits for it", Absent: cannotFail,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				return s.fail(ctx, "pwrite64", "ENOSPC", rng.IntN(3), s.Plant.BusProcesses())
			},
			Heal: func(ctx context.Context, s *Storm) error { return s.Plant.StartBus(ctx) },
		},
	}
}

func cannotFail(*Storm) error {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := plant.CanFail(ctx); err != nil {
		return fmt.Errorf("absent: %w", err)
	}
	return nil
}

// failFor is how long calls fail, once one has.
const failFor = 2 * time.Second

// fail has calls of processes fail until some have, and for a while after it.
func (s *Storm) fail(ctx context.Context, calls, with string, passing int, pids []int) error {
	failing, err := s.Plant.Fail(calls, with, passing, pids)
	if err != nil {
		return err
	}
	defer failing.Stop()
	if !poll(ctx, 20*time.Second, func() bool { return failing.Failed() > 0 }) {
		return fmt.Errorf("none of %s failed: nobody called it", calls)
	}
	sleep(ctx, failFor)
	s.measure("%s failed with %s %d times", calls, with, failing.Failed())
	return nil
}

// powerCut lets nothing more reach the disk at a moment of the seed's, and then ends all that ran.
func powerCut(ctx context.Context, s *Storm, rng *rand.Rand) error {
	sleep(ctx, time.Duration(500+rng.IntN(2500))*time.Millisecond)
	if err := s.Plant.Disk.CutPower(); err != nil {
		return err
	}
	for _, name := range plant.Services() {
		s.Plant.Hold(name)
	}
	s.Plant.KillBus()
	s.Plant.KillPostgres()
	return s.Plant.Disk.Unmount()
}

func powerBack(ctx context.Context, s *Storm) error {
	if err := s.Plant.Disk.Unmount(); err != nil {
		return err
	}
	if err := s.Plant.Disk.Mount(); err != nil {
		return err
	}
	if err := s.Plant.StartPostgres(ctx); err != nil {
		return err
	}
	if err := s.Plant.StartBus(ctx); err != nil {
		return err
	}
	for _, name := range plant.Services() {
		s.Plant.Release(name)
	}
	return nil
}
