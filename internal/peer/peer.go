// Package peer is another service as this one calls it, whichever of the three it is: its events, its head, and what it kept of this one's
// events.
package peer

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"

	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Peer is another service.
type Peer struct {
	producer lot.Producer
	client   client
}

// New makes a Peer that is called over a connection.
func New(producer lot.Producer, conn grpc.ClientConnInterface) Peer {
	return Peer{producer, clientOf(producer, conn)}
}

// page is one answer of ReadEvents, of whichever service.
type page interface{ GetEnvelopes() []*eventv1.Envelope }

// standing is an answer of GetHead, of whichever service.
type standing interface {
	GetHead() *eventv1.Head
	GetApplied() []*eventv1.Receipt
	GetEarlier() []*eventv1.Head
}

// Source is the service as an inbox takes its events.
func (p Peer) Source() inbox.Source {
	return inbox.Source{
		Producer: p.producer,
		Read: func(ctx context.Context, epoch, after int64, fn func([]*eventv1.Envelope) error) error {
			ctx, cancel := context.WithCancel(ctx)
			defer cancel()
			receive, err := p.client.read(ctx, epoch, after)
			for err == nil {
				var events page
				if events, err = receive(); err == nil {
					if err := fn(events.GetEnvelopes()); err != nil {
						return err
					}
				}
			}
			if errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("read events of %s: %w", p.producer, rpc.FromStatus(err))
		},
		Head: func(ctx context.Context) (inbox.Standing, error) {
			s, err := p.client.head(ctx)
			if err != nil {
				return inbox.Standing{}, fmt.Errorf("head of %s: %w", p.producer, rpc.FromStatus(err))
			}
			if s.GetHead() == nil {
				return inbox.Standing{}, fault.Unavailable("head_missing", "head of %s: the answer has none", p.producer)
			}
			return inbox.Standing{Head: s.GetHead(), Earlier: s.GetEarlier(), Applied: lotwire.ParseReceipts(s.GetApplied())}, nil
		},
	}
}

// Kept asks the service for a page of what it kept of a producer's own events of an epoch after a position; none after the last.
func (p Peer) Kept(of lot.Producer) func(ctx context.Context, epoch, after int64) ([]*eventv1.Envelope, error) {
	return func(ctx context.Context, epoch, after int64) ([]*eventv1.Envelope, error) {
		ctx, cancel := context.WithCancel(ctx) // ends the stream, of which only the first page is taken
		defer cancel()
		receive, err := p.client.kept(ctx, of, epoch, after)
		var events page
		if err == nil {
			events, err = receive()
		}
		if errors.Is(err, io.EOF) {
			return nil, nil
		}
		if err != nil {
			return nil, fmt.Errorf("read what %s kept: %w", p.producer, rpc.FromStatus(err))
		}
		return events.GetEnvelopes(), nil
	}
}
