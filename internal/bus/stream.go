package bus

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/fault"
)

// Stream is the name of the one stream.
const Stream = "LOTS"

const (
	lotSubjects  = "lots.*.*"
	headSubjects = "heads.*"
)

// LotSubject is where a producer's events of one type go. Both are single tokens.
func LotSubject(producer, eventType string) string { return "lots." + producer + "." + eventType }

// HeadSubject is where a producer says its head.
func HeadSubject(producer string) string { return "heads." + producer }

// definition is the stream as we make it. Its server flushes to the disk by its own habit: a loss is harmless, and flushing each message costs 17 to 53 times the throughput (measured).
func (c *Conn) definition() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:       Stream,
		Subjects:   []string{lotSubjects},
		Retention:  jetstream.LimitsPolicy,
		Storage:    jetstream.FileStorage,
		Discard:    jetstream.DiscardOld,
		MaxAge:     c.cfg.Stream.MaxAge,
		MaxBytes:   c.cfg.Stream.MaxBytes,
		Replicas:   c.cfg.Stream.Replicas,
		Duplicates: 2 * time.Minute,
	}
}

// EnsureStream makes the stream if it is missing, and fits limits that have changed. Where our user may not change streams, one that is there is good enough.
func (c *Conn) EnsureStream(ctx context.Context) error {
	_, err := c.ensureStream(ctx)
	if err != nil {
		return fault.Unavailable("bus_unavailable", "ensure stream %s: %w", Stream, err)
	}
	return nil
}

func (c *Conn) ensureStream(ctx context.Context) (jetstream.Stream, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*tryTimeout)
	defer cancel()
	want := c.definition()
	stream, err := c.js.Stream(ctx, Stream)
	if err == nil {
		have := stream.CachedInfo().Config
		if have.MaxAge == want.MaxAge && have.MaxBytes == want.MaxBytes {
			return stream, nil
		}
		have.MaxAge, have.MaxBytes = want.MaxAge, want.MaxBytes
		if changed, err := c.js.UpdateStream(ctx, have); err == nil {
			return changed, nil
		}
		c.cfg.Logger.WarnContext(ctx, "stream keeps other limits than ours", "stream", Stream)
		return stream, nil
	}
	if !errors.Is(err, jetstream.ErrStreamNotFound) {
		return nil, err
	}
	stream, err = c.js.CreateStream(ctx, want)
	if errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
		// Another service was quicker, with other limits.
		return c.js.Stream(ctx, Stream)
	}
	if err != nil {
		return nil, err
	}
	c.stats.recreated.Add(1)
	c.cfg.Logger.InfoContext(ctx, "stream made", "stream", Stream)
	return stream, nil
}

// Publish stores one message and waits for the server's word, two seconds at most for each try. When the stream is missing it is made and the message sent again.
// An error says nothing about whether the message is stored: the caller sends it again under the same id, and consumers know repeats by the event's id.
func (c *Conn) Publish(ctx context.Context, subject, msgID string, payload []byte) error {
	err := c.publish(ctx, subject, msgID, payload)
	if errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, jetstream.ErrStreamNotFound) {
		if _, err = c.ensureStream(ctx); err == nil {
			err = c.publish(ctx, subject, msgID, payload)
		}
	}
	switch {
	case err == nil:
		return nil
	case errors.Is(err, nats.ErrMaxPayload), errors.Is(err, nats.ErrBadSubject):
		return fault.Bug("publish %s to %s, %d bytes: %v", msgID, subject, len(payload), err)
	}
	return fault.Unavailable("bus_unavailable", "publish %s to %s: %w", msgID, subject, err)
}

func (c *Conn) publish(ctx context.Context, subject, msgID string, payload []byte) error {
	ctx, cancel := context.WithTimeout(ctx, tryTimeout)
	defer cancel()
	msg := &nats.Msg{Subject: subject, Data: payload, Header: nats.Header{}}
	c.inject(ctx, msg.Header)
	_, err := c.js.PublishMsg(ctx, msg, jetstream.WithMsgID(msgID), jetstream.WithExpectStream(Stream), jetstream.WithRetryAttempts(0))
	return err
}

// PublishCore sends a message that is not stored: whoever listens now may get it. With the server away it fails at once.
func (c *Conn) PublishCore(subject string, payload []byte) error {
	if err := c.nc.Publish(subject, payload); err != nil {
		return fault.Unavailable("bus_unavailable", "publish to %s: %w", subject, err)
	}
	return nil
}

// SubscribeHeads calls fn, one call at a time, with every head that is said from now on, until stop is called. It may be called while the server is away.
func (c *Conn) SubscribeHeads(fn func(producer string, payload []byte)) (stop func(), err error) {
	sub, err := c.nc.Subscribe(headSubjects, func(m *nats.Msg) {
		fn(strings.TrimPrefix(m.Subject, "heads."), m.Data)
	})
	if err != nil {
		return nil, fault.Unavailable("bus_unavailable", "subscribe to heads: %w", err)
	}
	return func() { sub.Unsubscribe() }, nil
}
