package device

import (
	"context"
	"fmt"
	"net"
	"strconv"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/stretchr/testify/require"
)

// broker is a plant's own MQTT broker.
func broker(t *testing.T) string {
	t.Helper()
	o := &server.Options{ServerName: "plant", DontListen: true, NoSigs: true, NoLog: true, JetStream: true, StoreDir: t.TempDir()}
	o.MQTT.Host, o.MQTT.Port, o.MQTT.AckWait = "127.0.0.1", server.RANDOM_PORT, time.Second
	s, err := server.NewServer(o)
	require.NoError(t, err)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	require.True(t, s.ReadyForConnections(20*time.Second))
	return net.JoinHostPort("127.0.0.1", strconv.Itoa(o.MQTT.Port))
}

// Catches: a message acknowledged to the broker before the queue has it, one lost while nobody listens, and a poisonous one that holds up the others.
func TestTopic(t *testing.T) {
	t.Parallel()
	addr, k := broker(t), &keeper{}
	cfg := TopicConfig{Broker: addr, Topic: "plant/scale/+/weight", Client: "reader"}
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID("scale"))
	require.True(t, c.Connect().WaitTimeout(20*time.Second))
	defer c.Disconnect(0)
	put := func(n int, payload string) {
		if payload == "" {
			payload = fmt.Sprintf(`{"seq":%d,"time":"2026-01-05T08:00:00Z","reading":"%d","unit":"LBR","kind":"net"}`, n, n)
		}
		token := c.Publish("plant/scale/7/weight", 1, false, payload)
		require.True(t, token.WaitTimeout(20*time.Second))
		require.NoError(t, token.Error())
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- NewTopic(cfg).Run(ctx, k) }()
	for n := 1; !k.has(1); n++ { // until it has subscribed
		put(n, "")
		time.Sleep(20 * time.Millisecond)
	}
	put(0, "nonsense")
	put(0, `{"time":"2026-01-05T08:00:00Z","reading":"5","unit":"LBR","kind":"net"}`)
	await(t, "poison is told", k, 1, "line_malformed", "field_missing")
	k.mu.Lock()
	before := len(k.kept)
	k.full = true
	k.mu.Unlock()
	put(1001, "")
	await(t, "no room", k, before, "queue_full")
	cancel()
	require.NoError(t, <-ended)
	put(1002, "")
	again := &keeper{}
	running(t, NewTopic(cfg), again)
	await(t, "what was not acknowledged, and what came meanwhile", again, 2)
}
