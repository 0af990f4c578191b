package bus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/fault"
)

// Msg is a message of the stream. Its id is the event's; it may come more than once and in any order.
type Msg struct {
	Subject    string
	ID         string
	Payload    []byte
	Deliveries int // how often it has been handed out, this time included
}

// Verdict is what is to happen with a message that was handled.
type Verdict struct {
	kind   int
	delay  time.Duration
	reason string
}

const (
	verdictNone = iota // a handler's slip: the message comes again after AckWait
	verdictAck
	verdictNak
	verdictTerm
)

// Ack says that the message has taken its effect, or needs none.
func Ack() Verdict { return Verdict{kind: verdictAck} }

// NakAfter asks for the message again after d.
func NakAfter(d time.Duration) Verdict { return Verdict{kind: verdictNak, delay: d} }

// Term says that the message can never be used: it was put aside elsewhere, for the reason given.
func Term(reason string) Verdict { return Verdict{kind: verdictTerm, reason: reason} }

// Subscription is a durable consumer of all lot events. Zero values take the defaults named.
type Subscription struct {
	Durable     string                    // its name: the same at every start, one for each service
	Batch       int                       // messages handed out at once: 1 to 256; 10
	AckWait     time.Duration             // a message neither answered nor in work for so long comes again: 30 s
	OnRecreated func(ctx context.Context) // the stream or the consumer was missing and was made, or is another than before: what it held may be gone. Must not block
}

const maxBatch = 256

// fetchWait is how long one request for messages stands; heartbeats tell within two of theirs that its server is gone.
const (
	fetchWait      = 5 * time.Second
	fetchHeartbeat = time.Second
	giveBack       = 100 * time.Millisecond // a message under way in one machine room arrives well within it
)

func (s Subscription) withDefaults() (Subscription, error) {
	if !tokenPattern.MatchString(s.Durable) {
		return s, fault.Invalid("bus_name", "consumer name %q: letters, digits, _ and - only", s.Durable)
	}
	if s.Batch < 0 || s.Batch > maxBatch {
		return s, fault.Invalid("bus_batch", "batch of %d messages: 1 to %d", s.Batch, maxBatch)
	}
	if s.Batch == 0 {
		s.Batch = 10
	}
	if s.AckWait == 0 {
		s.AckWait = 30 * time.Second
	}
	return s, nil
}

// Consume hands every lot event to fn, one call at a time, until ctx ends; it then returns nil. It outlives a server that is away, also at the start, and a
// stream or consumer that vanishes. While fn works the server is told so, so a slow call is not handed out twice.
func (c *Conn) Consume(ctx context.Context, s Subscription, fn func(ctx context.Context, m Msg) Verdict) error {
	return c.ConsumeBatches(ctx, s, func(ctx context.Context, batch []Msg) []Verdict {
		verdicts := make([]Verdict, len(batch))
		for i, m := range batch {
			if ctx.Err() != nil {
				break
			}
			verdicts[i] = fn(ctx, m)
		}
		return verdicts
	})
}

// ConsumeBatches is Consume for a handler that takes what has arrived, up to Subscription.Batch, in one go. It answers with one verdict for each message.
func (c *Conn) ConsumeBatches(ctx context.Context, s Subscription, fn func(ctx context.Context, batch []Msg) []Verdict) error {
	s, err := s.withDefaults()
	if err != nil {
		return err
	}
	w := &worker{conn: c, sub: s, handle: fn}
	for pause := retryFirst; ctx.Err() == nil; {
		err := w.run(ctx)
		if ctx.Err() != nil {
			return nil
		}
		c.cfg.Logger.WarnContext(ctx, "consumer interrupted", "consumer", s.Durable, "reason", err)
		if w.worked {
			pause, w.worked = retryFirst, false
		}
		select {
		case <-ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, retryLongest)
	}
	return nil
}

// Pauses before the stream is looked for again.
const (
	retryFirst   = 50 * time.Millisecond
	retryLongest = 2 * time.Second
)

// worker is one consumer's loop.
type worker struct {
	conn    *Conn
	sub     Subscription
	handle  func(context.Context, []Msg) []Verdict
	created time.Time // of the stream last used
	worked  bool      // since the last pause a request was answered
}

// run ensures stream and consumer and works until something fails.
func (w *worker) run(ctx context.Context) error {
	cons, fresh, err := w.ensure(ctx)
	if err != nil {
		return err
	}
	if fresh && w.sub.OnRecreated != nil {
		w.sub.OnRecreated(ctx)
	}
	for ctx.Err() == nil {
		if err := w.fetch(ctx, cons); err != nil {
			return err
		}
		w.worked = true
	}
	return nil
}

// ensure finds or makes the consumer. fresh is whether what the stream held for us may be lost.
func (w *worker) ensure(ctx context.Context) (cons jetstream.Consumer, fresh bool, err error) {
	stream, err := w.conn.ensureStream(ctx)
	if err != nil {
		return nil, false, fmt.Errorf("ensure stream %s: %w", Stream, err)
	}
	created := stream.CachedInfo().Created
	fresh = !w.created.IsZero() && !created.Equal(w.created)
	ctx, cancel := context.WithTimeout(ctx, 2*tryTimeout)
	defer cancel()
	if _, err := stream.Consumer(ctx, w.sub.Durable); errors.Is(err, jetstream.ErrConsumerNotFound) {
		fresh = true
		w.conn.stats.recreated.Add(1)
	} else if err != nil {
		return nil, false, fmt.Errorf("find consumer %s: %w", w.sub.Durable, err)
	}
	cons, err = stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{
		Durable:       w.sub.Durable,
		DeliverPolicy: jetstream.DeliverAllPolicy,
		// Where it stands is written to the disk with every acknowledgement otherwise; lost, it is handed the stream again and knows the repeats.
		MemoryStorage: true,
		AckPolicy:     jetstream.AckExplicitPolicy,
		AckWait:       w.sub.AckWait,
		// With a limit a message that passed it is silently never handed out again.
		MaxDeliver:    -1,
		MaxAckPending: 4 * maxBatch,
	})
	if err != nil {
		return nil, false, fmt.Errorf("make consumer %s: %w", w.sub.Durable, err)
	}
	w.created = created
	return cons, fresh, nil
}

// fetch asks once for messages and handles what comes.
func (w *worker) fetch(ctx context.Context, cons jetstream.Consumer) error {
	waiting, cancel := context.WithTimeout(context.WithoutCancel(ctx), fetchWait)
	defer cancel()
	// What is on its way when ctx ends is still taken, to be given back; else it would be nobody's until AckWait.
	defer context.AfterFunc(ctx, func() { time.AfterFunc(giveBack, cancel) })()
	got, err := cons.Fetch(w.sub.Batch, jetstream.FetchContext(waiting), jetstream.FetchHeartbeat(fetchHeartbeat))
	if err != nil {
		return fmt.Errorf("fetch for %s: %w", w.sub.Durable, err)
	}
	h := newHand()
	go h.hold(got.Messages(), w.sub.AckWait/3)
	for batch := h.take(); len(batch) > 0; batch = h.take() {
		w.work(ctx, batch)
	}
	h.release()
	if err := got.Error(); err != nil && !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, context.Canceled) && !errors.Is(err, nats.ErrTimeout) {
		return fmt.Errorf("fetch for %s: %w", w.sub.Durable, err)
	}
	return nil
}

// work hands a batch to the handler and answers the server. Failed answers are not reported: an ack only saves a repeat.
func (w *worker) work(ctx context.Context, batch []jetstream.Msg) {
	if ctx.Err() != nil {
		for _, m := range batch {
			m.Nak()
		}
		return
	}
	in := make([]Msg, len(batch))
	for i, m := range batch {
		in[i] = Msg{Subject: m.Subject(), ID: m.Headers().Get(jetstream.MsgIDHeader), Payload: m.Data()}
		if meta, err := m.Metadata(); err == nil {
			in[i].Deliveries = int(meta.NumDelivered)
		}
	}
	verdicts := w.handle(w.conn.extract(ctx, batch[0].Headers()), in)
	for i, m := range batch[:min(len(batch), len(verdicts))] {
		switch v := verdicts[i]; v.kind {
		case verdictAck:
			m.Ack()
		case verdictNak:
			m.NakWithDelay(v.delay)
		case verdictTerm:
			m.TermWithReason(v.reason)
		default:
			// Left over because we stop: whoever comes next need not wait for it.
			if ctx.Err() != nil {
				m.Nak()
			}
		}
	}
}
