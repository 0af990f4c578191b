package storm

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"time"

	"huskline/internal/storm/plant"
	"huskline/internal/storm/proxy"
	"huskline/internal/storm/trade"
)

// changeFaults are changes that people make to a plant that runs: another version, another cluster, another certificate.
func changeFaults() []Fault {
	dumps := func(s *Storm) error { return s.Plant.CanDump() }
	return []Fault{
		{
			Name: "a later version beside the present one, and back", Holds: "events with fields nobody here knows and a newer schema disturb nobody; none is lost",
			Inject: sideBySide, Heal: backToPresent,
		},
		{
			Name: "a database dumped and restored into a new cluster", Holds: "the service goes on there in a new epoch, the others follow", Absent: dumps,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error { return s.restore(ctx, rng, 0) },
			Heal:   releaseAll,
		},
		{
			Name: "a database restored from an earlier dump into a new cluster", Absent: dumps,
			Holds:  "the service takes back from the others what it has lost; they send again what it had answered them",
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error { return s.restore(ctx, rng, 3*time.Second) },
			Heal:   releaseAll,
		},
		{
			Name: "a certificate that runs out while connections are open", Holds: "it is refused within 60 s, a new one is taken without a restart", Quick: true,
			Inject: runsOut,
			Heal: func(_ context.Context, s *Storm) error {
				return errors.Join(s.certifyAll(), s.everyProxy(proxy.Spoil{}))
			},
		},
	}
}

// sideBySide goes over to a later version, service by service, with the present one beside it on the same database, and back in another order. The first
// start of each, which changes its database, is killed at some moment.
func sideBySide(ctx context.Context, s *Storm, rng *rand.Rand) error {
	later, err := s.laterProgram(ctx)
	if err != nil {
		return err
	}
	for _, i := range rng.Perm(len(plant.Services())) {
		name := plant.Services()[i]
		s.note("%s goes over to a later version", name)
		s.Plant.Use(name, later)
		sleep(ctx, time.Duration(rng.IntN(400))*time.Millisecond)
		s.Plant.Kill(name)
		if err := s.Plant.AwaitReady(ctx); err != nil {
			return err
		}
		if err := s.Plant.StartTwin(ctx, name); err != nil {
			return fmt.Errorf("the present version beside a later one: %w", err)
		}
		for _, twin := range []bool{true, false} {
			s.Plant.UseTwin(name, twin)
			sleep(ctx, time.Second)
		}
		s.Plant.StopTwin(name)
	}
	sleep(ctx, 2*time.Second)
	for _, i := range rng.Perm(len(plant.Services())) {
		s.Plant.Use(plant.Services()[i], "")
		sleep(ctx, time.Second)
	}
	return nil
}

func backToPresent(_ context.Context, s *Storm) error {
	for _, name := range plant.Services() {
		s.Plant.UseTwin(name, false)
		s.Plant.StopTwin(name)
		if s.later != "" {
			s.Plant.Use(name, "")
		}
	}
	return nil
}

// laterProgram is built when it is first asked for.
func (s *Storm) laterProgram(ctx context.Context) (string, error) {
	if s.later == "" {
		program, err := plant.BuildLater(ctx, s.cfg.Dir)
		if err != nil {
			return "", err
		}
		s.later = program
	}
	return s.later, nil
}

// restorable are the services that lose nothing with an earlier dump. An intake loses readings for good: no event tells of each, so nobody can give them
// back but the devices.
func restorable(old time.Duration) []string {
	if old > 0 {
		return []string{"inventory", "production"}
	}
	return plant.Services()
}

// restore dumps a service's database, lets the plant go on for some time, and has the service go on from the dump in a new cluster. Before that all is
// taken in by the others: what nobody had heard of would be lost.
func (s *Storm) restore(ctx context.Context, rng *rand.Rand, old time.Duration) error {
	name := oneOf(rng, restorable(old)...)
	s.note("database of %s", name)
	file := filepath.Join(s.cfg.Dir, name+".dump")
	if old > 0 {
		if err := s.Plant.Dump(ctx, name, file); err != nil {
			return err
		}
		sleep(ctx, old)
	}
	if err := s.gate.Close(ctx); err != nil {
		return err
	}
	defer s.gate.Open()
	if behind := s.drain(ctx); behind != "" {
		return fmt.Errorf("not drained within %v: %s", drainLimit, behind)
	}
	s.Plant.Hold(name)
	if old == 0 {
		if err := s.Plant.Dump(ctx, name, file); err != nil {
			return err
		}
	}
	if err := s.Plant.Restore(ctx, name, file); err != nil {
		return err
	}
	if old > 0 {
		for _, t := range s.everybody() {
			t.Forget()
		}
	}
	s.Plant.Release(name)
	return s.Plant.AwaitReady(ctx)
}

func releaseAll(_ context.Context, s *Storm) error {
	for _, name := range plant.Services() {
		s.Plant.Release(name)
	}
	return nil
}

const (
	shortLife    = 4 * time.Second
	refusedLimit = time.Minute
)

// runsOut gives a service a certificate of short life, makes its lines anew, and waits until a connection that was made with it is refused.
func runsOut(ctx context.Context, s *Storm, rng *rand.Rand) error {
	order := rng.Perm(len(plant.Services()))
	name, other := plant.Services()[order[0]], plant.Services()[order[1]]
	s.note("%s runs out, seen by %s", name, other)
	until := time.Now().Add(shortLife)
	cert, key, err := s.Plant.Certify(name, shortLife)
	if err != nil {
		return err
	}
	for line, p := range s.Plant.Peers {
		s.note("%s made anew", line)
		p.Cut()
	}
	peer, err := trade.DialPeer(s.Plant.GRPC(other), other, s.Plant.CA, cert, key)
	if err != nil {
		return err
	}
	defer func() { _ = peer.Close() }()
	if err := peer.Ask(ctx); err != nil {
		return fmt.Errorf("a certificate that is good is refused: %w", err)
	}
	sleep(ctx, time.Until(until))
	if !poll(ctx, refusedLimit, func() bool { return peer.Ask(ctx) != nil }) {
		return fmt.Errorf("%s lets %s in %v after its certificate ran out", other, name, refusedLimit)
	}
	s.measure("a certificate that ran out was refused %.1f s later, on a connection made before", time.Since(until).Seconds())
	return nil
}

func (s *Storm) certifyAll() error {
	var errs []error
	for _, name := range plant.Services() {
		errs = append(errs, s.Plant.CertifyLong(name))
	}
	return errors.Join(errs...)
}
