package storm

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"huskline/internal/storm/plant"
	"huskline/internal/storm/proxy"
)

// places are where a service can be told to kill itself: before anything is written, after the legs of a movement, before the events and the answer
// are written, before the commit, after it and before the reply; around what the relay publishes; around the commit of what a consumer takes in; and
// between the steps of a posting at another service.
func places(service string) []string {
	all := []string{
		"command-before-use", "command-before-record", "command-before-commit", "command-after-commit",
		"relay-before-publish", "relay-after-publish", "relay-after-cursor", "inbox-before-commit", "inbox-after-commit",
	}
	if service == "inventory" {
		return append(all, "stock-after-legs")
	}
	return append(all, "intent-after-commit", "intent-after-call", "intent-after-outcome")
}

func placeFaults() []Fault {
	at := func(name string, services ...string) Fault {
		return Fault{
			Name: "kill -9 of " + name, Holds: "what was answered OK is there once; change and event commit together",
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error { return s.killAtPlaces(ctx, services, rng) },
			Heal: func(_ context.Context, s *Storm) error {
				for _, service := range services {
					s.Plant.Disarm(service)
				}
				return s.everyProxy(proxy.Spoil{})
			},
		}
	}
	var faults []Fault
	for _, service := range plant.Services() {
		f := at(service+" at each named place", service)
		f.Quick = service == "inventory"
		faults = append(faults, f)
	}
	return append(faults, at("all three at each named place, at the same time", plant.Services()...))
}

// hitsEach is how often each of so many services dies at each place in one round. In a storm of some length that is often, so that checking takes little
// of it, and more often where all die at the same time, which takes little longer than one.
func (s *Storm) hitsEach(services int) int {
	switch {
	case s.cfg.Length == 0:
		return 1
	case services == 1:
		return 8
	}
	return 10
}

const (
	// meetLimit is how long a process may run on without meeting the place at which it is to die.
	meetLimit = 8 * time.Second
	// dieLimit is how long one round of dying lasts at most. Whoever works meanwhile must not be cut off in the middle of a command, of which they
	// would not know what came of it; so it leaves time for the last answers.
	dieLimit = injectMost / 2
)

// drivers is how many lead each service past its places, beside the traders, who may do something else just then.
const drivers = 2

// killAtPlaces has services die at each of their places, in an order from the seed, each at a hit of its own. A service is started again at once, and
// who calls it waits that long, so that dying and coming back takes a fraction of a second.
func (s *Storm) killAtPlaces(ctx context.Context, services []string, rng *rand.Rand) error {
	_, all := s.Plant.Proxies()
	for name, p := range all {
		if strings.Contains(name, ">") {
			p.Set(proxy.Spoil{Wait: true})
		}
	}
	working, rest := context.WithCancel(ctx)
	defer rest()
	var driving, dying sync.WaitGroup
	errs := make([]error, len(services))
	for i, service := range services {
		armed := s.arms(service, s.hitsEach(len(services)), rng)
		s.note("%s armed with %v", service, armed)
		for n := range drivers {
			driver := s.worker(leader + i*drivers + n)
			driving.Go(func() {
				for working.Err() == nil {
					driver.Lead(ctx, service)
				}
			})
		}
		before := total(s.Plant.Fired(service))
		dying.Go(func() {
			s.dieAt(ctx, service, armed)
			s.Plant.Disarm(service)
			if died := total(s.Plant.Fired(service)) - before; died == 0 {
				errs[i] = fmt.Errorf("%s was killed at none of its places", service)
			} else if died < len(armed) {
				s.note("%s died %d times, it was armed %d times", service, died, len(armed))
			}
		})
	}
	dying.Wait()
	rest()
	driving.Wait()
	return errors.Join(errs...)
}

func total(counts map[string]int) (n int) {
	for _, c := range counts {
		n += c
	}
	return n
}

// arms draws what the next starts of a service are armed with, each place so many times.
func (s *Storm) arms(service string, each int, rng *rand.Rand) []string {
	var armed []string
	for range each {
		for _, place := range places(service) {
			armed = append(armed, fmt.Sprintf("%s:%d", place, 1+rng.IntN(3)))
		}
	}
	rng.Shuffle(len(armed), func(i, j int) { armed[i], armed[j] = armed[j], armed[i] })
	return armed
}

// dieAt lets a service die again and again, for each place that it is armed with once. What it does not meet is left out.
func (s *Storm) dieAt(ctx context.Context, service string, armed []string) {
	began := time.Now()
	s.Plant.Arm(service, armed...)
	place, more := s.Plant.Armed(service)
	since := began
	for ctx.Err() == nil && time.Since(began) < dieLimit {
		now, left := s.Plant.Armed(service)
		switch {
		case now == "" && left == 0:
			return
		case now != place || left != more:
			place, more, since = now, left, time.Now()
		case time.Since(since) > meetLimit:
			s.note("%s does not come to %s", service, place)
			s.Plant.Kill(service)
			since = time.Now()
		}
		sleep(ctx, 10*time.Millisecond)
	}
}
