package storm

import (
	"context"
	"math/rand/v2"
	"time"

	"huskline/internal/storm/plant"
)

// diskFaults need the stores on a file system of their own.
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
	}
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
