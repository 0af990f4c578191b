package storm

import (
	"context"
	"math/rand/v2"
	"time"

	"huskline/internal/storm/plant"
)

// clockFaults put the services' clocks off, each service for itself.
func clockFaults() []Fault {
	heal := func(_ context.Context, s *Storm) error { return s.clocks(0) }
	return []Fault{
		{
			Name: "a clock one day ahead, and back", Quick: true, Holds: "nothing is decided by a clock: order and repeats are as ever", Lasts: 3 * time.Second, Heal: heal,
			Inject: func(_ context.Context, s *Storm, rng *rand.Rand) error {
				return s.Plant.SetClock(oneOf(rng, plant.Services()...), 24*time.Hour)
			},
		},
		{
			Name: "a clock one hour back, and ahead again", Holds: "as one day ahead", Lasts: 3 * time.Second, Heal: heal,
			Inject: func(_ context.Context, s *Storm, rng *rand.Rand) error {
				return s.Plant.SetClock(oneOf(rng, plant.Services()...), -time.Hour)
			},
		},
		{
			Name: "clocks that jump", Holds: "as one day ahead", Heal: heal,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for range 12 {
					off := time.Duration(rng.IntN(48*60)-24*60) * time.Minute
					if err := s.Plant.SetClock(oneOf(rng, plant.Services()...), off); err != nil {
						return err
					}
					sleep(ctx, 300*time.Millisecond)
				}
				return nil
			},
		},
	}
}
