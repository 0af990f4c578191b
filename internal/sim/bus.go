package sim

import (
	"bytes"
	"context"

	"github.com/jackc/pgx/v5"

	"google.golang.org/protobuf/proto"

	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// message is an envelope or a head on its way to a service. Messages keep no order.
type message struct {
	to   lot.Producer
	env  *eventv1.Envelope
	head bool
	at   lot.Receipt
	hash [32]byte
}

// maxBus bounds what is on its way; what is above it is lost.
const maxBus = 400

// send puts a message on its way, or loses it, or sends it twice.
func (w *World) send(m message) {
	if len(w.bus) >= maxBus || w.hit(MessageLost) {
		return
	}
	w.bus = append(w.bus, m)
	if w.hit(MessageTwice) {
		w.bus = append(w.bus, m)
	}
	if m.env != nil && w.hit(MessageForged) {
		forged := proto.CloneOf(m.env)
		switch w.rng.IntN(3) {
		case 0:
			forged.PreviousHash = bytes.Repeat([]byte{7}, 32)
		case 1:
			forged.Payload = append(forged.GetPayload(), 0)
		case 2:
			forged.Position += 1000
		}
		m.env = forged
		w.bus = append(w.bus, m)
	}
}

// deliver hands one message over.
func (w *World) deliver(i int) {
	m := w.bus[i]
	last := len(w.bus) - 1
	w.bus[i] = w.bus[last]
	w.bus = w.bus[:last]
	s := w.service(m.to)
	if !s.up {
		return
	}
	if m.head {
		s.feed.Head(m.at, m.hash)
		return
	}
	w.note("deliver %s/%d to %s", m.env.GetProducer(), m.env.GetPosition(), s.name)
	if w.broken == SkipGap {
		s.skipTo(m.env)
	}
	s.offer(m.env)
}

// storm sends all that was ever said once more.
func (w *World) storm() {
	for _, s := range w.services {
		for _, env := range s.db.Events(0) {
			for _, to := range s.others() {
				w.send(message{to: to, env: env})
			}
		}
	}
}

// relay publishes what was recorded and moves its cursor behind it.
func (s *service) relay() {
	w := s.w
	if w.busy(s.name, "relay") >= 2 {
		return
	}
	w.spawn(s.name, "relay", func() {
		from := s.db.Relayed()
		envs := s.db.Events(from)
		if len(envs) > 8 {
			envs = envs[:8]
		}
		for _, env := range envs {
			w.pause()
			for _, to := range s.others() {
				w.send(message{to: to, env: env})
			}
		}
		if len(envs) == 0 {
			return
		}
		_ = s.db.InReplayableTx(context.Background(), func(context.Context, pgx.Tx) error {
			s.db.Relay(from + int64(len(envs)))
			return nil
		})
	})
}

// sendHead tells the others where the events stand.
func (s *service) sendHead() {
	h := s.db.Head()
	for _, to := range s.others() {
		s.w.send(message{to: to, head: true, at: lot.Receipt{Producer: s.name, Epoch: h.Epoch, Position: h.Position}, hash: h.Hash})
	}
}
