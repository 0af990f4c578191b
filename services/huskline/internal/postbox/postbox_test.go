package postbox

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"huskline/internal/bus/embedded"
	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// intake keeps readings by number; with away set it does not answer, and it refuses what has no digits.
type intake struct {
	intakev1.IntakeServiceClient
	mu   sync.Mutex
	kept map[int64]string
	came int
	away bool
}

func (f *intake) PostReadings(_ context.Context, req *intakev1.PostReadingsRequest, _ ...grpc.CallOption) (*intakev1.PostReadingsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.away {
		return nil, fault.Unavailable("away", "away")
	}
	a := &intakev1.PostReadingsResponse{}
	for i, r := range req.GetReadings() {
		f.came++
		had, there := f.kept[r.GetSequence()]
		x := &intakev1.ReadingAnswer{Index: int32(i)}
		switch {
		case r.GetDigits() == "":
			x.Outcome, x.Reason = intakev1.ReadingOutcome_READING_OUTCOME_REFUSED, "number_empty"
		case !there:
			f.kept[r.GetSequence()] = r.GetDigits()
			continue
		case had == r.GetDigits():
			x.Outcome = intakev1.ReadingOutcome_READING_OUTCOME_REPEATED
		default:
			x.Outcome, x.Reason = intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT, "sequence_taken"
		}
		a.Exceptions = append(a.Exceptions, x)
	}
	return a, nil
}

func (f *intake) count() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return len(f.kept)
}

// office is a listener and a box on a folder, with who may post.
type office struct {
	server *embedded.Server
	mu     sync.Mutex
	known  []string
}

func openOffice(t *testing.T, dir string, f *intake) *office {
	t.Helper()
	o := &office{known: []string{"right"}}
	var err error
	o.server, err = embedded.Start(embedded.Config{StoreDir: filepath.Join(dir, "mqtt"), MQTT: &embedded.MQTT{Listen: "127.0.0.1:0", Admit: func(_ context.Context, secret string) (string, error) {
		o.mu.Lock()
		defer o.mu.Unlock()
		if !slices.Contains(o.known, secret) {
			return "", fault.Unauthenticated("token_refused", "not known")
		}
		return "scale.7@gate of " + secret, nil
	}}})
	require.NoError(t, err)
	t.Cleanup(o.server.Stop)
	o.run(t, dir, f)
	return o
}

// run opens a box and posts until the test ends, or until the function that it returns is called.
func (o *office) run(t *testing.T, dir string, f *intake) (stop func()) {
	t.Helper()
	box, err := Open(t.Context(), Config{Server: o.server, Intake: f, NewID: uuid.NewString, Quarantine: filepath.Join(dir, "quarantine"), Now: time.Now, Logger: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- box.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-ended)
		box.Close()
	})
	t.Cleanup(stop)
	return stop
}

func (o *office) connect(secret string) (mqtt.Client, error) {
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + o.server.MQTTAddr()).SetClientID(uuid.NewString()[:8]).SetUsername("x").SetPassword(secret).SetAutoReconnect(false))
	t := c.Connect()
	if !t.WaitTimeout(10 * time.Second) {
		return c, fault.Unavailable("no_answer", "no answer")
	}
	return c, t.Error()
}

func (o *office) device(t *testing.T) mqtt.Client {
	t.Helper()
	c, err := o.connect("right")
	require.NoError(t, err)
	t.Cleanup(func() { c.Disconnect(0) })
	return c
}

func put(t *testing.T, c mqtt.Client, qos byte, topic, payload string) {
	t.Helper()
	token := c.Publish(topic, qos, false, payload)
	require.True(t, token.WaitTimeout(10*time.Second))
	require.NoError(t, token.Error())
}

func object(n int, digits string) string {
	return fmt.Sprintf(`{"seq":%d,"time":"2026-01-05T08:00:00Z","reading":%q,"unit":"LBR","kind":"gross"}`, n, digits)
}

// Catches: a message that leaves the stream while intake is away, one stored twice, one of quality of service 0 or 2 that is left out, and a restart of the
// listener that loses what it acknowledged.
func TestAcknowledgedIsPosted(t *testing.T) {
	t.Parallel()
	dir, f := t.TempDir(), &intake{kept: map[int64]string{}, away: true}
	o := openOffice(t, dir, f)
	c := o.device(t)
	for n := range 300 {
		put(t, c, byte(n%3), "plant/scale/7.a/weight", object(n+1, "5"))
	}
	put(t, c, 1, "plant/scale/7.a/weight", object(1, "5"))
	o.server.Stop()
	require.NoError(t, o.server.Resume())
	f.mu.Lock()
	f.away = false
	f.mu.Unlock()
	require.Eventually(t, func() bool { return f.count() == 300 }, 60*time.Second, 20*time.Millisecond, "all are posted")
	c = o.device(t)
	put(t, c, 1, "plant/scale/7.a/weight", object(301, "5"))
	require.Eventually(t, func() bool { return f.count() == 301 }, 60*time.Second, 20*time.Millisecond, "the next is posted")
}

// Catches: a poisonous message that is lost, that holds up those behind it, or that comes back for ever.
func TestPoison(t *testing.T) {
	t.Parallel()
	dir, f := t.TempDir(), &intake{kept: map[int64]string{}}
	o := openOffice(t, dir, f)
	c := o.device(t)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "quarantine"), []byte(`{"half`), 0o600))
	for _, p := range [][2]string{
		{"plant/scale/7/weight", "nonsense"}, {"plant/scale/7/weight", "\xff"}, {"plant/scale/7/weigth", object(2, "5")}, {"plant/scale/7/weight", object(3, "")},
		{"plant/scale/7/weight", `{"scale":"8",` + object(4, "5")[1:]}, {"plant/scale/7/weight", `{"time":"2026-01-05T08:00:00Z","reading":"5","unit":"LBR","kind":"gross"}`},
		{"plant/scale/7/weight", strings.Replace(object(5, "5"), "Z", "", 1)}, {"anything", ""},
	} {
		put(t, c, 1, p[0], p[1])
	}
	put(t, c, 1, "plant/scale/7/weight", object(9, "5"))
	require.Eventually(t, func() bool {
		text, _ := os.ReadFile(filepath.Join(dir, "quarantine"))
		return f.count() == 1 && strings.Count(string(text), "\n") == 9
	}, 30*time.Second, 20*time.Millisecond)
	text, err := os.ReadFile(filepath.Join(dir, "quarantine"))
	require.NoError(t, err)
	for _, reason := range []string{"line_malformed", "topic_unknown", "number_empty", "scale_mismatch", "field_missing", "time_malformed"} {
		if !strings.Contains(string(text), `"reason":"`+reason+`"`) {
			t.Errorf("quarantine has no %s:\n%s", reason, text)
		}
	}
	info, err := o.box(t)
	require.NoError(t, err)
	if info != 0 {
		t.Errorf("%d messages are left in the stream", info)
	}
}

// box is how many messages the stream still has.
func (o *office) box(t *testing.T) (uint64, error) {
	t.Helper()
	b, err := Open(t.Context(), Config{Server: o.server, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return 0, err
	}
	defer b.Close()
	s, err := b.js.Stream(t.Context(), embedded.MQTTStream)
	if err != nil {
		return 0, err
	}
	return s.CachedInfo().State.Msgs, nil
}

// Catches: a device that is let in without a right, stays after it lost it, reads what others publish, or gives the server orders.
func TestWhoMayPublish(t *testing.T) {
	t.Parallel()
	dir, f := t.TempDir(), &intake{kept: map[int64]string{}}
	o := openOffice(t, dir, f)
	for _, secret := range []string{"", "wrong"} {
		if _, err := o.connect(secret); err == nil {
			t.Errorf("a device with password %q is let in", secret)
		}
	}
	c, other := o.device(t), o.device(t)
	heard := make(chan string, 10)
	listen := other.Subscribe("plant/#", 1, func(_ mqtt.Client, m mqtt.Message) { heard <- m.Topic() })
	listen.WaitTimeout(10 * time.Second)
	put(t, c, 1, "plant/scale/7/weight", object(1, "5"))
	put(t, c, 1, "$JS/API/STREAM/DELETE/$MQTT_msgs", "")
	put(t, c, 1, "plant/scale/7/weight", object(2, "5"))
	require.Eventually(t, func() bool { return f.count() == 2 }, 30*time.Second, 20*time.Millisecond)
	select {
	case topic := <-heard:
		t.Errorf("a device hears %s", topic)
	default:
	}
	o.server.Recheck(t.Context())
	require.True(t, c.IsConnected())
	o.mu.Lock()
	o.known = nil
	o.mu.Unlock()
	o.server.Recheck(t.Context())
	require.Eventually(t, func() bool { return !c.IsConnected() }, 30*time.Second, 20*time.Millisecond, "a device without a right any more is disconnected")
}

func TestConflictLeavesTheStream(t *testing.T) {
	t.Parallel()
	dir, f := t.TempDir(), &intake{kept: map[int64]string{1: "7"}}
	o := openOffice(t, dir, f)
	put(t, o.device(t), 1, "plant/scale/7/weight", object(1, "5"))
	require.Eventually(t, func() bool { n, err := o.box(t); return err == nil && n == 0 }, 30*time.Second, 50*time.Millisecond)
	if f.kept[1] != "7" {
		t.Errorf("number 1 has %s, want 7", f.kept[1])
	}
}
