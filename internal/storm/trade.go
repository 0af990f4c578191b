package storm

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"huskline/internal/storm/proxy"
	"huskline/internal/storm/trade"
)

// Numbers of traders who are not among those that work all the time.
const (
	racer   = 200 // and the one who works for it, one above
	flooder = 300
	leader  = 400 // the first of those who lead services past their named places
)

// tradeFaults are what people do to each other.
func tradeFaults() []Fault {
	return []Fault{
		{
			Name: "holds against shipments and runs", Holds: "the hold wins: nothing leaves after it, what was made of the lot is held", Quick: true,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				for _, p := range s.Plant.Peers {
					p.Set(proxy.Spoil{Delay: time.Duration(rng.IntN(30)) * time.Millisecond})
				}
				times := 20
				if s.cfg.Quick {
					times = 6
				}
				owner, other := s.worker(racer), s.worker(racer+1)
				for range times {
					if err := owner.Race(ctx, other); err != nil {
						return err
					}
				}
				return nil
			},
			Heal: func(_ context.Context, s *Storm) error { return s.everyProxy(proxy.Spoil{}) },
		},
	}
}

// worker is a trader of a number, the same at every call.
func (s *Storm) worker(number int) *trade.Trader {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := s.workers[number]
	if t == nil {
		t = trade.New(s.cfg.Seed, number, s.clients, s.journal)
		t.Rely(s.relied...)
		s.workers[number] = t
	}
	return t
}

// flood has many record so many events at intake as fast as it takes them.
func (s *Storm) flood(ctx context.Context, events int) error {
	const senders = 16
	errs := make(chan error, senders)
	var sending sync.WaitGroup
	for i := range senders {
		t := s.worker(flooder + i)
		sending.Go(func() {
			for range (events + senders - 1) / senders {
				if err := t.Party(ctx); err != nil {
					errs <- err
					return
				}
			}
		})
	}
	sending.Wait()
	select {
	case err := <-errs:
		return fmt.Errorf("flood: %w", err)
	default:
		return nil
	}
}
