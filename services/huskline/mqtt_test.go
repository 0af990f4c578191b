package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// scaleOverMQTT is a device's connection, without any repeating of its own.
func scaleOverMQTT(addr, id, secret string) (mqtt.Client, error) {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + addr).SetClientID(id).SetUsername(id).SetPassword(secret).SetAutoReconnect(false).SetConnectTimeout(10 * time.Second))
	t := c.Connect()
	t.WaitTimeout(20 * time.Second)
	return c, t.Error()
}

func connected(t *testing.T, addr, id, secret string) mqtt.Client {
	t.Helper()
	var c mqtt.Client
	require.Eventually(t, func() (ok bool) {
		var err error
		c, err = scaleOverMQTT(addr, id, secret)
		return err == nil
	}, commandLimit, 50*time.Millisecond, "connect to %s", addr)
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

// publish is true where the listener acknowledged the message.
func publish(c mqtt.Client, topic string, qos byte, payload string) bool {
	t := c.Publish(topic, qos, false, payload)
	return t.WaitTimeout(5*time.Second) && t.Error() == nil && c.IsConnected()
}

func mqttPayload(n int, digits string) string {
	return fmt.Sprintf(`{"seq":%d,"time":"2026-01-05T08:00:00Z","reading":%q,"unit":"LBR","kind":"gross"}`, n, digits)
}

// TestDevicesByMQTT publishes as devices do: once, twice, at the moment when the plant is killed, nonsense, and without the right. Every acknowledged reading
// is stored once after the plant is up again, and what is no reading stands in the quarantine file. It catches an acknowledgement before the disk has the
// message, a message that leaves the stream before intake has it, and a poisonous one that is lost or holds up those behind it.
func TestDevicesByMQTT(t *testing.T) {
	t.Parallel()
	addr := planttest.FreePort(t)
	up := planttest.Up(t, planttest.UpConfig{Args: []string{"--mqtt", addr, "--grpc", planttest.FreePort(t)}})
	_, err := openPlant(t, up).intake.RegisterScale(t.Context(), &intakev1.RegisterScaleRequest{CommandId: uuid.NewString(), Scale: &intakev1.Scale{Scale: "7.a", InService: true}})
	require.NoError(t, err)
	var token struct {
		ID    string `json:"token_id"`
		Token string `json:"token"`
	}
	planttest.Decode(t, up.OK(t, "token", "make", "scale-7", "--roles", "weigh-post"), &token)
	for name, secret := range map[string]string{"no password": "", "a wrong one": strings.Repeat("0", 64), "one without the role": roleToken(t, up, "auditor")} {
		if _, err := scaleOverMQTT(addr, "x", secret); err == nil {
			t.Errorf("a device with %s is let in", name)
		}
	}
	c := connected(t, addr, "scale-7", token.Token)
	acknowledged := map[string]bool{}
	send := func(n int) {
		digits := fmt.Sprint(1000 + n)
		if publish(c, "plant/scale/7.a/weight", 1, mqttPayload(n, digits)) {
			acknowledged[digits] = true
		}
	}
	for n := range 50 {
		send(n + 1)
	}
	require.Len(t, acknowledged, 50)
	for _, poison := range [][2]string{
		{"plant/scale/7.a/weight", "nonsense"}, {"plant/scale/7.a/weight", "\xff\xfe"}, {"plant/scale/7.a/weigth", mqttPayload(900, "1")}, {"plant/scale/8/weight", mqttPayload(901, "1")},
		{"plant/scale/7.a/weight", mqttPayload(0, "1")}, {"plant/scale/7.a/weight", mqttPayload(902, "1,5")}, {"elsewhere", "{}"},
	} {
		require.True(t, publish(c, poison[0], 1, poison[1]))
	}
	if publish(c, "$JS/API/STREAM/DELETE/$MQTT_msgs", 0, "") {
		t.Log("a device's order to the server is taken without a word; that it has no effect is seen below")
	}
	for n := range 20 { // the same again: harmless
		send(n + 1)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for n := 50; c.IsConnected() && n < 5000; n++ {
			send(n + 1)
		}
	}()
	time.Sleep(150 * time.Millisecond)
	up.Kill(t)
	<-ended
	up.Again(t)
	c = connected(t, addr, "scale-7", token.Token)
	require.True(t, publish(c, "plant/scale/7.a/weight", 0, mqttPayload(6000, "1")), "quality of service 0")
	require.Eventually(t, func() bool {
		got := readings(t, up, "7.a")
		return len(got) > len(acknowledged) && got[len(got)-1].GetReading().GetSequence() == 6000
	}, commandLimit, 100*time.Millisecond, "what was acknowledged is stored")
	stored := map[string]int{}
	for _, r := range readings(t, up, "7.a") {
		stored[r.GetReading().GetDigits()]++
	}
	for digits := range acknowledged {
		if stored[digits] != 1 {
			t.Errorf("reading %s was acknowledged and is stored %d times", digits, stored[digits])
		}
	}
	t.Logf("%d acknowledged", len(acknowledged))
	wantQuarantine(t, up)
	up.OK(t, "token", "revoke", token.ID)
	require.Eventually(t, func() bool { return !c.IsConnected() }, 60*time.Second, 100*time.Millisecond, "a revoked device is disconnected")
}

func roleToken(t *testing.T, up *planttest.One, role string) string {
	t.Helper()
	var token struct {
		Token string `json:"token"`
	}
	planttest.Decode(t, up.OK(t, "token", "make", "some-"+role, "--roles", role), &token)
	return token.Token
}

// wantQuarantine waits for what was on its way when the plant was killed: it comes again when the listener has waited for its answer.
func wantQuarantine(t *testing.T, up *planttest.One) {
	t.Helper()
	var text []byte
	missing := func() (out []string) {
		text, _ = os.ReadFile(filepath.Join(up.Dir, "mqtt-quarantine.jsonl"))
		for reason, times := range map[string]int{"line_malformed": 1, "not_utf8": 1, "topic_unknown": 2, "scale_unknown": 1, "sequence_below_one": 1, "number_malformed": 1} {
			if strings.Count(string(text), `"reason":"`+reason+`"`) < times {
				out = append(out, reason)
			}
		}
		return out
	}
	for limit := time.Now().Add(commandLimit); len(missing()) > 0; time.Sleep(200 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatalf("quarantine has not enough of %q:\n%s", missing(), text)
		}
	}
}
