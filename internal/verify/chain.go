package verify

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/proto"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// chain is all a producer has said, with what it says of its own head.
type chain struct {
	producer  string
	head      *eventv1.Head
	earlier   []*eventv1.Head // heads at which earlier epochs ended, oldest first
	envelopes []*eventv1.Envelope
}

// fact is an event that is part of a chain.
type fact struct {
	producer string
	place    string // "producer/epoch/position"
	event    *eventv1.Event
}

func sources(s Services) []source {
	return []source{
		{"intake", func(ctx context.Context) (*eventv1.Head, []*eventv1.Head, error) {
			a, err := s.Intake.GetHead(ctx, &intakev1.GetHeadRequest{})
			return a.GetHead(), a.GetEarlier(), err
		}, func(ctx context.Context, epoch int64, each func([]*eventv1.Envelope)) error {
			stream, err := s.Intake.ReadEvents(ctx, &intakev1.ReadEventsRequest{Epoch: epoch})
			if err != nil {
				return err
			}
			return drain(func() ([]*eventv1.Envelope, error) { a, err := stream.Recv(); return a.GetEnvelopes(), err }, each)
		}},
		{"inventory", func(ctx context.Context) (*eventv1.Head, []*eventv1.Head, error) {
			a, err := s.Inventory.GetHead(ctx, &inventoryv1.GetHeadRequest{})
			return a.GetHead(), a.GetEarlier(), err
		}, func(ctx context.Context, epoch int64, each func([]*eventv1.Envelope)) error {
			stream, err := s.Inventory.ReadEvents(ctx, &inventoryv1.ReadEventsRequest{Epoch: epoch})
			if err != nil {
				return err
			}
			return drain(func() ([]*eventv1.Envelope, error) { a, err := stream.Recv(); return a.GetEnvelopes(), err }, each)
		}},
		{"production", func(ctx context.Context) (*eventv1.Head, []*eventv1.Head, error) {
			a, err := s.Production.GetHead(ctx, &productionv1.GetHeadRequest{})
			return a.GetHead(), a.GetEarlier(), err
		}, func(ctx context.Context, epoch int64, each func([]*eventv1.Envelope)) error {
			stream, err := s.Production.ReadEvents(ctx, &productionv1.ReadEventsRequest{Epoch: epoch})
			if err != nil {
				return err
			}
			return drain(func() ([]*eventv1.Envelope, error) { a, err := stream.Recv(); return a.GetEnvelopes(), err }, each)
		}},
	}
}

func drain(next func() ([]*eventv1.Envelope, error), each func([]*eventv1.Envelope)) error {
	for {
		page, err := next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		each(page)
	}
}

// load reads a producer's head, then all its epochs. Events beyond the head that was stated first are left for the next reading.
func (s source) load(ctx context.Context) (*chain, error) {
	head, earlier, err := s.head(ctx)
	if err != nil {
		return nil, fmt.Errorf("head of %s: %w", s.name, err)
	}
	c := &chain{producer: s.name, head: head, earlier: earlier}
	for epoch := int64(1); epoch <= head.GetAt().GetEpoch(); epoch++ {
		last := epoch == head.GetAt().GetEpoch()
		err := s.read(ctx, epoch, func(page []*eventv1.Envelope) {
			for _, e := range page {
				if !last || e.GetPosition() <= head.GetAt().GetPosition() || e.GetEpoch() != epoch {
					c.envelopes = append(c.envelopes, e)
				}
			}
		})
		if err != nil {
			return nil, fmt.Errorf("events of %s, epoch %d: %w", s.name, epoch, err)
		}
	}
	return c, nil
}

// check proves the chain link by link and gives the events that can be read, each id once: after a restore an event comes again under its old id.
// An event whose place is not the expected one is named by the expected place.
func (c *chain) check(r *Report) []fact {
	var facts []fact
	ids := map[string]bool{}
	previous, epoch, position, recorded := make([]byte, sha256.Size), int64(1), int64(0), int64(0)
	for _, e := range c.envelopes {
		if e.GetEpoch() == epoch+1 && e.GetPosition() == 1 && epoch < c.head.GetAt().GetEpoch() && c.endsAt(epoch, position) {
			epoch, position = epoch+1, 0
		}
		position++
		place := fmt.Sprintf("%s/%d/%d", c.producer, epoch, position)
		r.equal("chain", place+" producer", c.producer, e.GetProducer())
		r.equal("chain", place+" epoch", epoch, e.GetEpoch())
		r.equal("chain", place+" position", position, e.GetPosition())
		if e.GetRecordedMicros() < recorded {
			r.differ("chain", place+" recorded", fmt.Sprintf("at or after %d", recorded), e.GetRecordedMicros())
		}
		r.equal("chain", place+" previous hash", hexText(previous), hexText(e.GetPreviousHash()))
		own := link(e, epoch, position)
		r.equal("chain", place+" hash", hexText(own), hexText(e.GetHash()))
		previous, recorded = e.GetHash(), e.GetRecordedMicros()
		if f, ok := c.decode(e, place, r); ok && !ids[f.event.GetId()] {
			ids[f.event.GetId()] = true
			facts = append(facts, f)
		}
	}
	at := c.head.GetAt()
	if at.GetPosition() == 0 && at.GetEpoch() > epoch { // a new epoch that has said nothing yet
		epoch, position = at.GetEpoch(), 0
	}
	r.equal("chain", c.producer+" head", fmt.Sprintf("%d/%d %s", epoch, position, hexText(previous)),
		fmt.Sprintf("%d/%d %s", at.GetEpoch(), at.GetPosition(), hexText(c.head.GetHash())))
	r.count("events, with their links in the chain", len(c.envelopes))
	return facts
}

// endsAt tells whether an epoch is said to have ended at a position. Where nothing is said about it, any end is possible.
func (c *chain) endsAt(epoch, position int64) bool {
	for _, h := range c.earlier {
		if h.GetAt().GetEpoch() == epoch {
			return h.GetAt().GetPosition() == position
		}
	}
	return true
}

// link is the hash of an envelope as the contract describes it: SHA-256 over the previous hash, epoch, position and recorded time (8 bytes each,
// big endian) and the SHA-256 of the payload.
func link(e *eventv1.Envelope, epoch, position int64) []byte {
	return linkOf(e.GetPreviousHash(), [3]int64{epoch, position, e.GetRecordedMicros()}, sha256.Sum256(e.GetPayload()))
}

// linkOf is link by the parts: the numbers are epoch, position and recorded time.
func linkOf(previous []byte, numbers [3]int64, payload [sha256.Size]byte) []byte {
	text := bytes.Clone(previous)
	for _, n := range numbers {
		text = binary.BigEndian.AppendUint64(text, uint64(n))
	}
	sum := sha256.Sum256(append(text, payload[:]...))
	return sum[:]
}

func (c *chain) decode(e *eventv1.Envelope, place string, r *Report) (fact, bool) {
	event := &eventv1.Event{}
	if err := proto.Unmarshal(e.GetPayload(), event); err != nil {
		r.differ("chain", place+" payload", "an event", err)
		return fact{}, false
	}
	m := event.ProtoReflect()
	body := m.WhichOneof(m.Descriptor().Oneofs().ByName("body"))
	if body == nil {
		r.differ("chain", place+" payload", "an event with a body", "none that this program knows")
		return fact{}, false
	}
	r.equal("chain", place+" type", strings.ReplaceAll(string(body.Name()), "_", "-"), e.GetType())
	return fact{producer: c.producer, place: place, event: event}, true
}

func hexText(b []byte) string { return fmt.Sprintf("%x", b) }
