package device

import (
	"context"
	"fmt"
	"strings"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/weighfeed"
	"huskline/services/huskline/internal/weighqueue"
)

// TopicConfig subscribes to readings at an MQTT broker of the plant.
type TopicConfig struct {
	Broker   string // host:port
	User     string
	Password string
	Topic    string // may have + and #
	Client   string // the same at every start, so that the broker keeps what comes meanwhile
}

// Topic is a topic of an MQTT broker, as a Source. A message is acknowledged to the broker once the sink has it. Its payload is one JSON object, as a line of
// JSON lines; the scale may stand in a topic plant/scale/SCALE/weight instead. A sequence is asked for: a message that comes twice could not be told from
// another load of the same weight.
type Topic struct {
	cfg     TopicConfig
	letters chan mqtt.Message
	notices chan Notice
}

// NewTopic makes the source; nothing is opened before Run.
func NewTopic(cfg TopicConfig) *Topic {
	return &Topic{cfg: cfg, letters: make(chan mqtt.Message), notices: make(chan Notice, 16)}
}

// brokerLimit bounds the wait for a broker's answer.
const brokerLimit = 10 * time.Second

// Run takes messages until ctx ends.
func (s *Topic) Run(ctx context.Context, sink Sink) error {
	client := mqtt.NewClient(s.options(ctx))
	client.Connect() // goes on trying by itself
	defer client.Disconnect(250)
	for {
		select {
		case <-ctx.Done():
			return nil
		case n := <-s.notices:
			sink.Tell(n)
		case m := <-s.letters:
			if err := s.take(ctx, m, sink); err != nil {
				return err
			}
		}
	}
}

func (s *Topic) options(ctx context.Context) *mqtt.ClientOptions {
	return mqtt.NewClientOptions().AddBroker("tcp://" + s.cfg.Broker).SetClientID(s.cfg.Client).SetUsername(s.cfg.User).SetPassword(s.cfg.Password).
		SetCleanSession(false).SetAutoAckDisabled(true).SetConnectRetry(true).SetConnectRetryInterval(firstPause).SetMaxReconnectInterval(lastPause).SetConnectTimeout(brokerLimit).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) {
			s.notice(Notice{Reason: "broker_away", Message: fmt.Sprintf("broker %s: %v; tried again until it answers", s.cfg.Broker, err), Alarm: true})
		}).
		SetOnConnectHandler(func(c mqtt.Client) {
			t := c.Subscribe(s.cfg.Topic, 1, func(_ mqtt.Client, m mqtt.Message) {
				select {
				case s.letters <- m:
				case <-ctx.Done():
				}
			})
			go func() {
				if !t.WaitTimeout(brokerLimit) || t.Error() != nil {
					s.notice(Notice{Reason: "broker_refuses", Message: fmt.Sprintf("broker %s: topic %s cannot be subscribed to: %v", s.cfg.Broker, s.cfg.Topic, t.Error()), Alarm: true})
				}
			}()
		})
}

func (s *Topic) notice(n Notice) {
	select {
	case s.notices <- n:
	default: // the same is waiting to be told
	}
}

// take keeps one message and acknowledges it. Where there is no room it waits: the broker keeps those behind it.
func (s *Topic) take(ctx context.Context, m mqtt.Message, sink Sink) error {
	reading, err := readMessage(m.Topic(), string(m.Payload()))
	for said := ""; err == nil; {
		err = sink.Keep(weighqueue.Entry{Reading: reading})
		if k := fault.KindOf(err); err == nil || k != fault.KindPrecondition && k != fault.KindUnavailable {
			break
		}
		if reason := fault.ReasonOf(err); reason != said {
			said = reason
			sink.Tell(Notice{Reason: reason, Message: fmt.Sprintf("topic %s: %v; the broker keeps what comes until there is room", m.Topic(), err), Alarm: true})
		}
		if err = nil; !wait(ctx, time.Second) {
			return nil
		}
	}
	switch {
	case fault.KindOf(err) == fault.KindInvalid:
		sink.Tell(Notice{Reason: fault.ReasonOf(err), Message: fmt.Sprintf("topic %s: %v; not taken: %q", m.Topic(), err, shownPayload(m.Payload())), Alarm: true})
	case err != nil:
		return err
	}
	m.Ack()
	return nil
}

// shownPayload is a payload for a message; a reading is far shorter.
func shownPayload(payload []byte) []byte { return payload[:min(len(payload), 2<<10)] }

func readMessage(topic, payload string) (*intakev1.Reading, error) {
	if parts := strings.Split(topic, "/"); len(parts) == 4 && parts[0] == "plant" && parts[1] == "scale" && parts[3] == "weight" {
		return weighfeed.ReadObject(payload, parts[2])
	}
	return weighfeed.ReadObject(payload, "")
}
