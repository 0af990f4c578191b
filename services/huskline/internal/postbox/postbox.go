// Package postbox takes the readings that devices publish by MQTT from the listener's stream and posts them to intake.
//
//	topic    plant/scale/SCALE/weight
//	payload  {"seq":17,"time":"2026-01-05T08:00:00Z","reading":"20500.0","unit":"LBR","kind":"gross","reference":""}
//
// The listener has told the device that a message is kept, so it leaves the stream only once intake has answered its reading, or once it is in the
// quarantine file: a message that is no reading, or a reading that intake refuses, is written there with its reason, one JSON object a line, and told. A
// message that comes twice is the same reading twice and is stored once.
package postbox

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/bus/embedded"
	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/weighfeed"
)

// Config is what a postbox is made of.
type Config struct {
	Server     *embedded.Server // with the listener
	Intake     intakev1.IntakeServiceClient
	As         func(ctx context.Context, name string) context.Context // makes a call that of a sender; nil: all are the client's own
	NewID      func() string
	Quarantine string // file; made if absent
	Now        func() time.Time
	Logger     *slog.Logger
}

// The bounds of the stream and of a batch. At its limit the stream takes nothing more: the listener then gives no acknowledgement and the device keeps.
const (
	streamBytes = 256 << 20
	batchSize   = 200
	batchWait   = 200 * time.Millisecond
	ackWait     = 30 * time.Second // longer than a call
	callLimit   = 20 * time.Second
	firstPause  = 100 * time.Millisecond
	lastPause   = 10 * time.Second
	consumer    = "intake"
	// fleeting is the header value of a message of quality of service 0, which the listener does not keep by itself.
	flagHeader = "Nmqtt-Pub"
	fleeting   = "0"
)

// Box is a postbox. It must be closed.
type Box struct {
	cfg      Config
	conn     *nats.Conn
	js       jetstream.JetStream
	consumer jetstream.Consumer
}

// Open makes the stream and its consumer ready. Devices may be let in only after it returned: what they publish before has nowhere to stay.
func Open(ctx context.Context, cfg Config) (*Box, error) {
	conn, err := nats.Connect("", nats.InProcessServer(cfg.Server), nats.Name("huskline postbox"), nats.MaxReconnects(-1), nats.ReconnectWait(firstPause),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { cfg.Logger.Warn("postbox", "reason", err) }))
	if err != nil {
		return nil, fmt.Errorf("open postbox: %w", err)
	}
	b := &Box{cfg: cfg, conn: conn}
	if b.js, err = jetstream.New(conn); err == nil {
		err = b.ready(ctx)
	}
	if err != nil {
		conn.Close()
		return nil, fmt.Errorf("open postbox: %w", err)
	}
	return b, nil
}

// ready makes stream and consumer where they are not there. A message stays until it is acknowledged, whoever looks at it.
func (b *Box) ready(ctx context.Context) error {
	stream, err := b.js.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: embedded.MQTTStream, Subjects: []string{embedded.MQTTSubjectPrefix + ">"}, Storage: jetstream.FileStorage, Retention: jetstream.WorkQueuePolicy,
		Discard: jetstream.DiscardNew, MaxBytes: streamBytes,
	})
	if err != nil {
		return err
	}
	if b.consumer, err = stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{
		Durable: consumer, AckPolicy: jetstream.AckExplicitPolicy, AckWait: ackWait, MaxAckPending: 2 * batchSize,
	}); err != nil {
		return err
	}
	_, err = b.conn.Subscribe(embedded.MQTTSubjects, b.keep)
	return err
}

// keep puts a message that the listener passes on without keeping it, since its sender asked for no more, into the stream with the others.
func (b *Box) keep(m *nats.Msg) {
	if !strings.HasPrefix(m.Header.Get(flagHeader), fleeting) {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), callLimit)
	defer cancel()
	if _, err := b.js.Publish(ctx, embedded.MQTTSubjectPrefix+m.Subject, m.Data); err != nil {
		b.cfg.Logger.Error("message of quality of service 0 is lost", "topic", embedded.Topic(m.Subject), "reason", err)
	}
}

// Close ends the connection.
func (b *Box) Close() { b.conn.Close() }

// Run posts until ctx ends.
func (b *Box) Run(ctx context.Context) error {
	recheck := time.NewTicker(15 * time.Second)
	defer recheck.Stop()
	for pause := firstPause; ctx.Err() == nil; {
		select {
		case <-recheck.C:
			b.cfg.Server.Recheck(ctx)
		default:
		}
		err := b.once(ctx)
		if err == nil {
			pause = firstPause
			continue
		}
		if ctx.Err() == nil {
			b.cfg.Logger.ErrorContext(ctx, "readings of devices wait in the postbox", "reason", err)
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
		case <-timer.C:
		}
		timer.Stop()
		pause = min(2*pause, lastPause)
	}
	return nil
}

// once takes what is there and answers it.
func (b *Box) once(ctx context.Context) error {
	got, err := b.consumer.Fetch(batchSize, jetstream.FetchMaxWait(batchWait))
	if err != nil {
		return err
	}
	var letters []letter
	for m := range got.Messages() {
		l := letter{msg: m}
		l.sender, l.topic = embedded.Signer(embedded.Topic(strings.TrimPrefix(m.Subject(), embedded.MQTTSubjectPrefix)))
		if l.reading, err = read(l.topic, m.Data()); err != nil {
			if err := b.quarantine(ctx, l, err); err != nil {
				return err
			}
			continue
		}
		letters = append(letters, l)
	}
	if err := got.Error(); err != nil && !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, nats.ErrTimeout) {
		return err
	}
	if len(letters) == 0 {
		return nil
	}
	if err := b.bySender(ctx, letters); err != nil {
		for _, l := range letters {
			_ = l.msg.NakWithDelay(time.Second) // so that it does not wait for the listener to wonder; one that was taken off stays off
		}
		return err
	}
	return nil
}

// bySender posts each sender's readings in that sender's name, those of one sender in the order in which they came.
func (b *Box) bySender(ctx context.Context, letters []letter) error {
	slices.SortStableFunc(letters, func(a, b letter) int { return cmp.Compare(a.sender, b.sender) })
	for len(letters) > 0 {
		n := slices.IndexFunc(letters, func(l letter) bool { return l.sender != letters[0].sender })
		if n < 0 {
			n = len(letters)
		}
		if err := b.post(ctx, letters[:n]); err != nil {
			return err
		}
		letters = letters[n:]
	}
	return nil
}

// letter is a message on its way.
type letter struct {
	msg     jetstream.Msg
	topic   string
	sender  string // the name of its token; empty where it was kept by a version that did not tell
	reading *intakev1.Reading
}

// read turns a message into a reading.
func read(topic string, payload []byte) (*intakev1.Reading, error) {
	parts := strings.Split(topic, "/")
	if len(parts) != 4 || parts[0] != "plant" || parts[1] != "scale" || parts[3] != "weight" || parts[2] == "" {
		return nil, fault.Invalid("topic_unknown", "topic %q: readings come as plant/scale/SCALE/weight", topic)
	}
	return weighfeed.ReadObject(string(payload), parts[2])
}

// post sends readings of one sender under one id and takes those that were answered off the stream.
func (b *Box) post(ctx context.Context, letters []letter) error {
	req := &intakev1.PostReadingsRequest{CommandId: b.cfg.NewID()}
	for _, l := range letters {
		req.Readings = append(req.Readings, l.reading)
	}
	call, cancel := context.WithTimeout(ctx, callLimit)
	defer cancel()
	if b.cfg.As != nil {
		call = b.cfg.As(call, letters[0].sender)
	}
	answer, err := b.cfg.Intake.PostReadings(call, req)
	err = rpc.FromStatus(err)
	switch k := fault.KindOf(err); {
	case err == nil:
	case k == fault.KindDenied || k == fault.KindUnauthenticated || !fault.Refused(err):
		return err
	case len(letters) == 1:
		return b.quarantine(ctx, letters[0], err)
	default: // as a whole: one by one finds the one to blame
		for i := range letters {
			if err := b.post(ctx, letters[i:i+1]); err != nil {
				return err
			}
		}
		return nil
	}
	return b.settle(ctx, letters, answer)
}

func (b *Box) settle(ctx context.Context, letters []letter, answer *intakev1.PostReadingsResponse) error {
	refused := map[int]error{}
	for _, x := range answer.GetExceptions() {
		i := int(x.GetIndex())
		if i < 0 || i >= len(letters) {
			return fault.Bug("batch of %d readings: answer %v names none of them", len(letters), x)
		}
		switch x.GetOutcome() {
		case intakev1.ReadingOutcome_READING_OUTCOME_REFUSED:
			refused[i] = fault.Invalid(x.GetReason(), "%s", x.GetMessage())
		case intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT:
			b.cfg.Logger.ErrorContext(ctx, "device's reading is in conflict: kept apart and not counted", "topic", letters[i].topic, "sequence", letters[i].reading.GetSequence(),
				"reason", x.GetReason())
		}
	}
	for i, l := range letters {
		err := refused[i]
		if err != nil {
			err = b.quarantine(ctx, l, err)
		} else {
			err = l.msg.DoubleAck(ctx)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
