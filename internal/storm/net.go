package storm

import (
	"context"
	"math/rand/v2"
	"strings"
	"time"

	"huskline/internal/storm/proxy"
)

// netFaults spoil the lines between clients and services, services and each other, NATS and Postgres.
func netFaults() []Fault {
	const lasts = 4 * time.Second
	heal := func(_ context.Context, s *Storm) error { return s.everyProxy(proxy.Spoil{}) }
	some := func(name, holds string, spoil func(*rand.Rand) proxy.Spoil) Fault {
		return Fault{Name: name, Holds: holds, Lasts: lasts, Heal: heal, Inject: func(_ context.Context, s *Storm, rng *rand.Rand) error {
			s.spoil(rng, spoil)
			return nil
		}}
	}
	every := func(name, holds, kind string, spoil proxy.Spoil) Fault {
		return Fault{Name: name, Holds: holds, Lasts: lasts, Heal: heal, Inject: func(_ context.Context, s *Storm, _ *rand.Rand) error {
			names, all := s.Plant.Proxies()
			for _, name := range names {
				if strings.Contains(name, kind) {
					all[name].Set(spoil)
				}
			}
			return nil
		}}
	}
	return []Fault{
		some("lines cut", "no call lasts longer than its deadline", func(*rand.Rand) proxy.Spoil { return proxy.Spoil{Refuse: true} }),
		some("lines dead in one direction", "as with cut lines; a dead line is noticed within 30 s", func(rng *rand.Rand) proxy.Spoil {
			up := rng.IntN(2) == 0
			return proxy.Spoil{LoseUp: up, LoseDown: !up}
		}),
		some("lines that reset in the middle of a reply", "a command whose answer was lost is answered alike when it comes again", func(rng *rand.Rand) proxy.Spoil {
			return proxy.Spoil{ResetAfter: 2_000 + rng.Int64N(30_000)}
		}),
		every("replies of services to clients lost", "a command whose answer was lost takes effect once", "client>", proxy.Spoil{LoseDown: true}),
		quick(every("replies between services lost", "a posting whose answer was lost takes effect once", "y>", proxy.Spoil{LoseDown: true})),
		every("replies of Postgres lost", "a commit whose answer was lost is found again", "postgres<", proxy.Spoil{LoseDown: true}),
		every("lines slow, 100 ms each way", "it only takes longer", ">", proxy.Spoil{Delay: 100 * time.Millisecond}),
		every("Postgres slow, 20 ms each way", "it only takes longer", "postgres<", proxy.Spoil{Delay: 20 * time.Millisecond}),
		every("one byte at a time", "it only takes longer", "", proxy.Spoil{Slice: true}),
		{
			Name: "inventory alone", Holds: "a drill is complete as of the positions that it states, or says what is missing", Heal: heal,
			Inject: drillAlone,
		},
	}
}

// spoil draws from one to three lines and spoils each.
func (s *Storm) spoil(rng *rand.Rand, spoil func(*rand.Rand) proxy.Spoil) {
	names, all := s.Plant.Proxies()
	for range 1 + rng.IntN(3) {
		name, how := oneOf(rng, names...), spoil(rng)
		s.note("%s: %+v", name, how)
		all[name].Set(how)
	}
}

// drillAlone cuts inventory off from all it hears of, while others go on, and asks for recall drills.
func drillAlone(ctx context.Context, s *Storm, rng *rand.Rand) error {
	for _, name := range []string{"inventory>intake", "inventory>production"} {
		s.Plant.Peers[name].Set(proxy.Spoil{Refuse: true})
	}
	s.Plant.Bus["inventory"].Set(proxy.Spoil{Refuse: true})
	sleep(ctx, 2*time.Second)
	complete, incomplete := 0, 0
	lots := append(s.journal.Deliveries(), "LOT-OF-NOBODY")
	for range s.times(8) {
		missing, err := s.clients.DrillNow(ctx, lots[rng.IntN(len(lots))])
		if err != nil {
			return err
		}
		if missing {
			incomplete++
		} else {
			complete++
		}
	}
	s.measure("drills of an inventory cut off from the others: %d complete as of stated positions, %d naming what is missing", complete, incomplete)
	return nil
}
