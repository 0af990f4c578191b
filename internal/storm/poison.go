package storm

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"huskline/internal/bus"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
)

// poison publishes what no service says: rubbish, halves, an event's id with another body, an event of a later version, one about a lot that nobody
// knows, each with the hash of its content where it has a content; and heads that promise what is not there.
func poison(ctx context.Context, s *Storm, rng *rand.Rand) error {
	real, head, err := s.someEvent(ctx, rng)
	if err != nil {
		return err
	}
	subject := bus.LotSubject(real.GetProducer(), real.GetType())
	return s.Plant.Admin(ctx, func(ctx context.Context, js jetstream.JetStream) error {
		for _, payload := range poisons(real, head, rng) {
			if _, err := js.Publish(ctx, subject, payload); err != nil {
				return err
			}
		}
		// Others flow meanwhile: what is said now is taken in at once.
		began := time.Now()
		at, err := s.Plant.Number(ctx, "intake", `select `+placeOf+` from head`)
		if err != nil {
			return err
		}
		if !poll(ctx, 10*time.Second, func() bool {
			n, err := s.taken(ctx, "inventory", "intake")
			return err == nil && n >= at
		}) {
			return fmt.Errorf("events of intake up to %d are not taken in %v after the poison", at%epochStep, time.Since(began))
		}
		s.measure("after poison on the bus: what lay before it was taken in within %.2f s", time.Since(began).Seconds())
		return nil
	})
}

// someEvent is an event of intake, and where its head stands.
func (s *Storm) someEvent(ctx context.Context, rng *rand.Rand) (*eventv1.Envelope, int64, error) {
	place, err := s.Plant.Number(ctx, "intake", `select `+placeOf+` from head`)
	if err != nil {
		return nil, 0, err
	}
	epoch, head := place/epochStep, place%epochStep
	env, err := s.traders[0].Event(ctx, epoch, 1+rng.Int64N(max(1, head)))
	return env, head, err
}

func poisons(real *eventv1.Envelope, head int64, rng *rand.Rand) [][]byte {
	var out [][]byte
	put := func(change func(*eventv1.Envelope), rehash bool) {
		env, _ := proto.Clone(real).(*eventv1.Envelope)
		change(env)
		if rehash {
			env.Hash = lotwire.Hash(env)
		}
		if payload, err := lotwire.EnvelopeBytes(env); err == nil {
			out = append(out, payload)
		}
	}
	rubbish := make([]byte, 200)
	for i := range rubbish {
		rubbish[i] = byte(rng.Uint32())
	}
	whole, _ := lotwire.EnvelopeBytes(real)
	out = append(out, rubbish, nil, whole[:len(whole)/2])
	otherBody := func(env *eventv1.Envelope) {
		var e eventv1.Event
		if proto.Unmarshal(env.GetPayload(), &e) == nil {
			e.Actor, e.Lots = "nobody", []string{"LOT-OF-NOBODY"}
			env.Payload, _ = proto.Marshal(&e)
		}
	}
	put(otherBody, false)
	put(otherBody, true) // at its old position
	later := func(env *eventv1.Envelope) {
		env.Type, env.Payload = "event_of_a_later_version", []byte{0xfa, 0x7f, 0x02, 0x08, 0x01}
	}
	put(later, true)
	put(func(env *eventv1.Envelope) { later(env); env.Producer = "brewery" }, true)
	put(func(env *eventv1.Envelope) { otherBody(env); env.Position = head + 5 + rng.Int64N(50) }, true) // its place in the chain is another's
	put(func(env *eventv1.Envelope) { later(env); env.Position = head + 60 + rng.Int64N(50) }, true)
	put(func(env *eventv1.Envelope) { env.Epoch += 3 }, true)
	put(func(env *eventv1.Envelope) { env.Position = 1 << 62 }, true)
	return out
}
