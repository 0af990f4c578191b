package main_test

import (
	"crypto/tls"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/access"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/planttest"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// TestDevicesByMQTTOverTLS: the intake that runs as its own process takes readings by MQTT under TLS alone, with the device's certificate or without, not with a
// foreign one, and says who weighed: the device's token, not the listener.
func TestDevicesByMQTTOverTLS(t *testing.T) {
	t.Parallel()
	g := newGatePlant(t)
	tokens := g.tokens(t)
	_, err := tokens.intake.RegisterScale(t.Context(), &intakev1.RegisterScaleRequest{CommandId: uuid.NewString(), Scale: &intakev1.Scale{Scale: "7.a", InService: true}})
	require.NoError(t, err)
	secret := tokens.issue(t, []string{string(access.WeighPost)}, time.Hour, false)
	connect := func(scheme, password string, secure *tls.Config) (mqtt.Client, error) {
		c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker(scheme + "://" + g.mqtt).SetClientID(uuid.NewString()[:8]).SetUsername("x").SetPassword(password).
			SetTLSConfig(secure).SetAutoReconnect(false).SetConnectTimeout(5 * time.Second))
		token := c.Connect()
		token.WaitTimeout(20 * time.Second)
		t.Cleanup(func() { c.Disconnect(0) })
		return c, token.Error()
	}
	own, ownKey := g.authority.Issue(t, "scale-7")
	foreign, foreignKey := planttest.NewAuthority(t).Issue(t, "scale-7")
	var n int
	for _, tt := range []struct {
		name, scheme, password string
		papers                 papers
		in                     bool
	}{
		{"a token alone", "ssl", secret, papers{}, true},
		{"a token and a certificate", "ssl", secret, papers{pair: load(t, own, ownKey)}, true},
		{"a foreign certificate", "ssl", secret, papers{pair: load(t, foreign, foreignKey)}, false},
		{"a token that is none", "ssl", "x", papers{pair: load(t, own, ownKey)}, false},
		{"no TLS", "tcp", secret, papers{}, false},
	} {
		c, err := connect(tt.scheme, tt.password, g.tls("intake", tt.papers))
		if (err == nil) != tt.in {
			t.Fatalf("%s: %v, let in: %v wanted", tt.name, err, tt.in)
		}
		if tt.in {
			n++
			token := c.Publish("plant/scale/7.a/weight", 1, false, mqttReading(n))
			require.True(t, token.WaitTimeout(20*time.Second))
			require.NoError(t, token.Error())
		}
	}
	peer, peerKey := g.authority.Issue(t, "inventory")
	events := intakev1.NewIntakeServiceClient(g.dial(t, "intake", papers{pair: load(t, peer, peerKey)}))
	stored := int64(0)
	require.Eventually(t, func() bool {
		stored = 0
		stream, err := events.ReadEvents(t.Context(), &intakev1.ReadEventsRequest{Epoch: 1})
		require.NoError(t, err)
		for {
			page, err := stream.Recv()
			if err != nil {
				return stored == int64(n)
			}
			for _, env := range page.GetEnvelopes() {
				e, err := lotwire.Unmarshal(env)
				require.NoError(t, err)
				if b, ok := e.Body.(lot.ReadingsStored); ok {
					require.Equal(t, "gate", e.Actor, "who weighed")
					stored += b.Stored
				}
			}
		}
	}, 60*time.Second, 100*time.Millisecond, "%d readings are told", n)
}

func mqttReading(n int) string {
	return `{"seq":` + string(rune('0'+n)) + `,"time":"2026-01-05T08:00:00Z","reading":"20500","unit":"LBR","kind":"gross"}`
}
