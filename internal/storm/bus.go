package storm

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/bus"
	"huskline/internal/storm/plant"
	"huskline/internal/storm/proxy"
)

// lossFaults take from NATS what it stored, in every way in which that can go.
func lossFaults() []Fault {
	startBus := func(ctx context.Context, s *Storm) error { return s.Plant.StartBus(ctx) }
	return []Fault{
		{
			Name: "stream deleted", Holds: "services make it again and pull what it held from each other", Lasts: 2 * time.Second,
			Inject: func(ctx context.Context, s *Storm, _ *rand.Rand) error {
				return s.Plant.Admin(ctx, func(ctx context.Context, js jetstream.JetStream) error { return js.DeleteStream(ctx, bus.Stream) })
			},
		},
		{
			Name: "stream purged", Holds: "services pull what it held from each other", Lasts: 2 * time.Second,
			Inject: func(ctx context.Context, s *Storm, _ *rand.Rand) error {
				return s.Plant.Admin(ctx, func(ctx context.Context, js jetstream.JetStream) error {
					stream, err := js.Stream(ctx, bus.Stream)
					if err != nil {
						return err
					}
					return stream.Purge(ctx)
				})
			},
		},
		{
			Name: "folder of NATS deleted while it runs", Holds: "it is found out and made anew without a person", Lasts: 2 * time.Second,
			Inject: func(_ context.Context, s *Storm, _ *rand.Rand) error { return os.RemoveAll(s.Plant.BusDir()) },
			Heal: func(ctx context.Context, s *Storm) error { // its supervisor takes two probes to be sure, that is some 15 s; a kill is as good
				s.Plant.KillBus()
				return s.Plant.StartBus(ctx)
			},
		},
		{
			Name: "folder of NATS replaced by an old copy", Holds: "events that come again are known by their positions, those that are missing are pulled", Lasts: 2 * time.Second,
			Inject: oldCopy, Heal: startBus,
		},
		{
			Name: "bytes of NATS' folder flipped", Holds: "what is spoilt is refused by its hash and pulled", Quick: true, Lasts: 2 * time.Second,
			Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
				s.Plant.KillBus()
				flipped, err := flip(s.Plant.BusDir(), 1+rng.IntN(40), rng)
				if err != nil {
					return err
				}
				s.note("%d bytes flipped", flipped)
				return s.Plant.StartBus(ctx)
			},
			Heal: startBus,
		},
	}
}

// floodFaults have NATS hand out things again, out of order, late, and things that nobody said.
func floodFaults() []Fault {
	return []Fault{
		{
			Name: "redelivery storm", Holds: "what is handed out again and again takes effect once",
			Inject: redeliveries,
			Heal: func(_ context.Context, s *Storm) error {
				for _, name := range plant.Services() {
					s.Plant.Bus[name].Set(proxy.Spoil{})
					s.Plant.SetAckWait(name, 0)
				}
				return nil
			},
		},
		{
			Name: "everything published again, out of order", Holds: "what comes twice or late takes effect once, in order", Lasts: 2 * time.Second,
			Inject: again,
		},
		{
			Name: "half an hour without NATS, then a flood", Holds: "no command waits for NATS; 10,000 waiting events arrive within 30 s",
			Inject: outage,
			Heal: func(ctx context.Context, s *Storm) error {
				s.Plant.ResumeBus()
				return errors.Join(s.everyProxy(proxy.Spoil{}), s.clocks(0))
			},
		},
		{
			Name: "poison on the bus", Holds: "it is set aside or forgotten, all else flows", Quick: true,
			Inject: poison,
		},
	}
}

// oldCopy lets NATS go on from a copy of its folder that is some seconds old.
func oldCopy(ctx context.Context, s *Storm, _ *rand.Rand) error {
	dir := s.Plant.BusDir()
	kept := dir + ".kept"
	if err := os.RemoveAll(kept); err != nil {
		return err
	}
	s.Plant.KillBus()
	if err := os.CopyFS(kept, os.DirFS(dir)); err != nil {
		return err
	}
	if err := s.Plant.StartBus(ctx); err != nil {
		return err
	}
	sleep(ctx, 3*time.Second)
	s.Plant.KillBus()
	if err := os.RemoveAll(dir); err != nil {
		return err
	}
	if err := os.Rename(kept, dir); err != nil {
		return err
	}
	return s.Plant.StartBus(ctx)
}

// flip turns one bit each of so many bytes in files below a folder.
func flip(dir string, times int, rng *rand.Rand) (int, error) {
	var files []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if info, e := d.Info(); e == nil && info.Size() > 0 {
				files = append(files, path)
			}
		}
		return err
	})
	if err != nil || len(files) == 0 {
		return 0, err
	}
	for n := range times {
		path := files[rng.IntN(len(files))]
		data, err := os.ReadFile(path)
		if err != nil {
			return n, err
		}
		data[rng.IntN(len(data))] ^= 1 << rng.IntN(8)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			return n, err
		}
	}
	return times, nil
}

// redeliveries makes the bus impatient and acknowledgements late, so that what is in work is handed out again.
func redeliveries(ctx context.Context, s *Storm, rng *rand.Rand) error {
	for _, name := range plant.Services() {
		s.Plant.SetAckWait(name, 200*time.Millisecond)
	}
	if err := s.Plant.AwaitReady(ctx); err != nil {
		return err
	}
	for _, name := range plant.Services() {
		s.Plant.Bus[name].Set(proxy.Spoil{Delay: time.Duration(100+rng.IntN(200)) * time.Millisecond})
	}
	sleep(ctx, 5*time.Second)
	return nil
}

// again publishes what the stream holds once more, in an order of its own and under no message id that the server could know it by.
func again(ctx context.Context, s *Storm, rng *rand.Rand) error {
	var msgs []*nats.Msg
	err := s.Plant.Admin(ctx, func(ctx context.Context, js jetstream.JetStream) error {
		stream, err := js.Stream(ctx, bus.Stream)
		if err != nil {
			return err
		}
		state := stream.CachedInfo().State
		first := max(state.FirstSeq, state.LastSeq-min(state.LastSeq, 500))
		for seq := first; seq <= state.LastSeq; seq++ {
			m, err := stream.GetMsg(ctx, seq)
			if errors.Is(err, jetstream.ErrMsgNotFound) {
				continue
			}
			if err != nil {
				return err
			}
			msgs = append(msgs, &nats.Msg{Subject: m.Subject, Data: m.Data})
		}
		rng.Shuffle(len(msgs), func(i, j int) { msgs[i], msgs[j] = msgs[j], msgs[i] })
		for _, m := range msgs {
			if _, err := js.PublishMsg(ctx, m); err != nil {
				return err
			}
		}
		return nil
	})
	s.note("%d messages published again", len(msgs))
	return err
}

// everyProxy sets all proxies alike.
func (s *Storm) everyProxy(spoil proxy.Spoil) error {
	_, all := s.Plant.Proxies()
	for _, p := range all {
		p.Set(spoil)
	}
	return nil
}

// clocks puts all clocks off by the same.
func (s *Storm) clocks(off time.Duration) error {
	var errs []error
	for _, name := range plant.Services() {
		errs = append(errs, s.Plant.SetClock(name, off))
	}
	return errors.Join(errs...)
}

// outage stops NATS and cuts intake off from whoever would pull from it, lets half an hour go by on the services' clocks while events pile up, and
// then measures how fast they arrive.
func outage(ctx context.Context, s *Storm, _ *rand.Rand) error {
	waiting := 10_000
	if s.cfg.Quick {
		waiting = 300 // enough to find out what goes wrong; the long storm measures
	}
	s.Plant.PauseBus()
	for _, other := range []string{"inventory", "production"} {
		s.Plant.Peers[other+">intake"].Set(proxy.Spoil{Refuse: true})
	}
	before, err := s.Plant.Number(ctx, "intake", `select `+placeOf+` from head`)
	if err != nil {
		return err
	}
	for minute := range 30 {
		if err := s.clocks(time.Duration(minute+1) * time.Minute); err != nil {
			return err
		}
		if err := s.flood(ctx, waiting/30); err != nil {
			return err
		}
	}
	head, err := s.Plant.Number(ctx, "intake", `select `+placeOf+` from head`)
	if err != nil {
		return err
	}
	s.Plant.ResumeBus()
	for _, other := range []string{"inventory", "production"} {
		s.Plant.Peers[other+">intake"].Set(proxy.Spoil{})
	}
	// From here on: the reconnecting, which has pauses of its own, is not counted; the first event that arrives is where counting begins.
	at := func(name string) int64 {
		n, err := s.taken(ctx, name, "intake")
		if err != nil {
			return 0
		}
		return n
	}
	resumed := time.Now()
	from := at("inventory")
	poll(ctx, drainLimit, func() bool { return at("inventory") > from })
	began := time.Now()
	arrived := poll(ctx, drainLimit, func() bool { return at("inventory") >= head })
	took := time.Since(began)
	if !arrived {
		return fmt.Errorf("of %d events that waited, inventory has %d after %v", head-before, at("inventory")-before, time.Since(resumed))
	}
	s.measure("after half an hour without NATS: %d events taken in at %.0f a second; all there %.1f s after NATS came back", head-from,
		float64(head-from)/took.Seconds(), time.Since(resumed).Seconds())
	return nil
}
