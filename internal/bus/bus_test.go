package bus_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/stretchr/testify/require"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"go.uber.org/goleak"

	"huskline/internal/bus"
	"huskline/internal/bus/embedded"
	"huskline/internal/bustest"
	"huskline/internal/fault"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const subject = "lots.intake.lot_received"

// inbox notes what a consumer got.
type inbox struct {
	mu        sync.Mutex
	seen      map[string]int
	recreated int
}

func newInbox() *inbox { return &inbox{seen: map[string]int{}} }

func (i *inbox) take(_ context.Context, m bus.Msg) bus.Verdict {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.seen[m.ID]++
	return bus.Ack()
}

func (i *inbox) count(id string) int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.seen[id]
}

func (i *inbox) renewed() int {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.recreated
}

func (i *inbox) subscription() bus.Subscription {
	return bus.Subscription{Durable: "inventory", OnRecreated: func(context.Context) {
		i.mu.Lock()
		defer i.mu.Unlock()
		i.recreated++
	}}
}

// consume runs a consumer until the test ends.
func consume(t *testing.T, c *bus.Conn, s bus.Subscription, fn func(context.Context, bus.Msg) bus.Verdict) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Consume(ctx, s, fn) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("consume: %v", err)
		}
	})
}

// publish sends until the server has the message.
func publish(t *testing.T, c *bus.Conn, id string) {
	t.Helper()
	require.Eventually(t, func() bool { return c.Publish(context.Background(), subject, id, []byte("x")) == nil }, 20*time.Second, 20*time.Millisecond)
}

func await(t *testing.T, what string, ok func() bool) {
	t.Helper()
	require.Eventually(t, ok, 20*time.Second, 5*time.Millisecond, what)
}

func TestPublishMakesTheStreamAndConsumersGetAll(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	got := make(chan bus.Msg, 1)
	require.NoError(t, b.Publish(t.Context(), subject, "e1", []byte("payload")))
	consume(t, b.Conn, bus.Subscription{Durable: "inventory"}, func(_ context.Context, m bus.Msg) bus.Verdict {
		got <- m
		return bus.Ack()
	})
	m := <-got
	if m.ID != "e1" || m.Subject != subject || string(m.Payload) != "payload" || m.Deliveries != 1 {
		t.Errorf("got %+v", m)
	}
	require.NoError(t, b.Publish(t.Context(), subject, "e1", []byte("payload")), "a repeat is no error")
	if n := b.StreamMessages(t); n != 1 {
		t.Errorf("the stream holds %d messages, want 1", n)
	}
}

// Catches: a consume loop that ends, or idles for ever, when its stream is deleted and made again.
func TestConsumersOutliveTheStream(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		hurt  func(*bustest.Bus, *testing.T)
		fresh bool
	}{
		{"deleted", func(b *bustest.Bus, t *testing.T) { b.DeleteStream(t) }, true},
		{"purged", func(b *bustest.Bus, t *testing.T) { b.PurgeStream(t) }, false},
		{"restarted", func(b *bustest.Bus, t *testing.T) { b.Restart(t) }, true}, // the consumer, kept in memory, is made again
		{"folder lost", func(b *bustest.Bus, t *testing.T) { b.LoseFolder(t) }, true},
		{"deleted, made by a publisher", func(b *bustest.Bus, t *testing.T) {
			b.DeleteStream(t)
			publish(t, b.Conn, "between")
		}, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			b := bustest.New(t)
			in := newInbox()
			consume(t, b.Connect(t, "inventory"), in.subscription(), in.take)
			publish(t, b.Conn, "before")
			await(t, "the message before", func() bool { return in.count("before") > 0 })
			was := in.renewed()
			tc.hurt(b, t)
			publish(t, b.Conn, "after")
			await(t, "the message after", func() bool { return in.count("after") > 0 })
			if tc.fresh {
				await(t, "word of the new stream", func() bool { return in.renewed() > was })
			} else if got := in.renewed(); got != was {
				t.Errorf("told %d times of a new stream, want none", got-was)
			}
		})
	}
}

func TestTheServerIsAwayAtTheStart(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	b.Stop()
	c := b.Connect(t, "inventory")
	in := newInbox()
	consume(t, c, in.subscription(), in.take)
	begun := time.Now()
	err := c.Publish(t.Context(), subject, "lost", nil)
	if got := fault.KindOf(err); got != fault.KindUnavailable {
		t.Errorf("got %v, want unavailable", err)
	}
	if err := c.PublishCore(bus.HeadSubject("intake"), nil); fault.KindOf(err) != fault.KindUnavailable {
		t.Errorf("got %v, want unavailable", err)
	}
	if took := time.Since(begun); took > 3*time.Second || c.Connected() {
		t.Errorf("failed after %v, connected %v", took, c.Connected())
	}
	b.Resume(t)
	await(t, "the connection", c.Connected)
	publish(t, c, "later")
	await(t, "the message", func() bool { return in.count("later") > 0 })
	// Catches: a reconnect buffer, which stores what the caller was told had failed.
	if got := in.count("lost"); got != 0 {
		t.Errorf("the failed publish was stored later")
	}
}

func TestVerdicts(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	var mu sync.Mutex
	deliveries := map[string]int{}
	consume(t, b.Conn, bus.Subscription{Durable: "inventory", AckWait: time.Second}, func(_ context.Context, m bus.Msg) bus.Verdict {
		mu.Lock()
		defer mu.Unlock()
		deliveries[m.ID]++
		switch m.ID {
		case "term":
			return bus.Term("no such version")
		case "nak":
			if m.Deliveries < 3 {
				return bus.NakAfter(20 * time.Millisecond)
			}
		}
		return bus.Ack()
	})
	for _, id := range []string{"term", "nak", "ack"} {
		require.NoError(t, b.Publish(t.Context(), subject, id, nil))
	}
	at := func(id string) int {
		mu.Lock()
		defer mu.Unlock()
		return deliveries[id]
	}
	await(t, "the third delivery", func() bool { return at("nak") == 3 })
	// Past the AckWait of all: a message sent after it has come, so a repeat of the others would have.
	require.NoError(t, b.Publish(t.Context(), subject, "last", nil))
	await(t, "the last", func() bool { return at("last") == 1 })
	if at("term") != 1 || at("ack") != 1 {
		t.Errorf("deliveries %v, want one of term and of ack", deliveries)
	}
}

// Catches: a slow handler whose message comes again while it works, or one that waits behind it and does.
func TestASlowHandlerIsLeftInPeace(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	ackWait := 300 * time.Millisecond
	in := newInbox()
	begun := make(chan struct{}, 2)
	consume(t, b.Conn, bus.Subscription{Durable: "inventory", AckWait: ackWait}, func(ctx context.Context, m bus.Msg) bus.Verdict {
		defer in.take(ctx, m)
		if m.ID == "slow" {
			begun <- struct{}{}
			work(ctx, 4*ackWait)
		}
		return bus.Ack()
	})
	require.NoError(t, b.Publish(t.Context(), subject, "slow", nil))
	<-begun
	require.NoError(t, b.Publish(t.Context(), subject, "next", nil))
	await(t, "both", func() bool { return in.count("slow") > 0 && in.count("next") > 0 })
	require.NoError(t, b.Publish(t.Context(), subject, "last", nil))
	await(t, "the last", func() bool { return in.count("last") > 0 })
	if in.count("slow") != 1 || in.count("next") != 1 {
		t.Errorf("slow came %d times, next %d times, want once each", in.count("slow"), in.count("next"))
	}
}

// work stands for a handler that takes d.
func work(ctx context.Context, d time.Duration) {
	ctx, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	<-ctx.Done()
}

func TestBatchesTakeWhatHasArrived(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	const n = 1000
	for i := range n {
		require.NoError(t, b.Publish(t.Context(), subject, fmt.Sprint(i), nil))
	}
	ctx, cancel := context.WithCancel(t.Context())
	seen, largest := map[string]bool{}, 0
	err := b.ConsumeBatches(ctx, bus.Subscription{Durable: "inventory", Batch: 256}, func(_ context.Context, batch []bus.Msg) []bus.Verdict {
		verdicts := make([]bus.Verdict, len(batch))
		for i, m := range batch {
			seen[m.ID] = true
			verdicts[i] = bus.Ack()
		}
		largest = max(largest, len(batch))
		if len(seen) == n {
			cancel()
		}
		return verdicts
	})
	require.NoError(t, err)
	if len(seen) != n || largest > 256 {
		t.Errorf("got %d of %d messages, the largest batch had %d", len(seen), n, largest)
	}
}

// What a stopping consumer leaves is there for the next at once, not after AckWait.
func TestAConsumerThatStopsGivesBack(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	for _, id := range []string{"a", "b", "c"} {
		require.NoError(t, b.Publish(t.Context(), subject, id, nil))
	}
	s := bus.Subscription{Durable: "inventory", AckWait: time.Hour}
	ctx, cancel := context.WithCancel(t.Context())
	require.NoError(t, b.Consume(ctx, s, func(context.Context, bus.Msg) bus.Verdict {
		cancel()
		return bus.Ack()
	}))
	in := newInbox()
	consume(t, b.Conn, s, in.take)
	await(t, "the two left", func() bool { return in.count("b") > 0 && in.count("c") > 0 })
	if got := in.count("a"); got != 0 {
		t.Errorf("the acknowledged one came again")
	}
}

func TestHeads(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	var mu sync.Mutex
	heads := map[string]string{}
	stop, err := b.SubscribeHeads(func(producer string, payload []byte) {
		mu.Lock()
		defer mu.Unlock()
		heads[producer] = string(payload)
	})
	require.NoError(t, err)
	defer stop()
	sender := b.Connect(t, "intake")
	head := func() string {
		mu.Lock()
		defer mu.Unlock()
		return heads["intake"]
	}
	for _, want := range []string{"1", "2"} {
		await(t, "head "+want, func() bool {
			sender.PublishCore(bus.HeadSubject("intake"), []byte(want))
			return head() == want
		})
		b.Restart(t)
	}
	if n := b.StreamMessages(t); n != 0 {
		t.Errorf("%d heads were stored", n)
	}
}

func TestLimitsFollowTheConfiguration(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	require.NoError(t, b.EnsureStream(t.Context()))
	small, err := bus.Connect(bus.Config{InProcess: b.Server, Name: "small", Stream: bus.StreamLimits{MaxBytes: 64 << 10}})
	require.NoError(t, err)
	t.Cleanup(small.Close)
	await(t, "the stream", func() bool { return small.EnsureStream(context.Background()) == nil })
	payload := make([]byte, 16<<10)
	for i := range 20 {
		require.NoError(t, small.Publish(t.Context(), subject, fmt.Sprint(i), payload), "a full stream drops its oldest, it refuses nothing")
	}
	if n := b.StreamMessages(t); n == 0 || n > 4 {
		t.Errorf("the stream holds %d messages of 16 KiB, its limit is 64 KiB", n)
	}
}

func TestBadConfigurations(t *testing.T) {
	t.Parallel()
	if _, err := bus.Connect(bus.Config{Name: "in take"}); fault.KindOf(err) != fault.KindInvalid {
		t.Errorf("name with a space: got %v", err)
	}
	b := bustest.New(t)
	for _, s := range []bus.Subscription{{Durable: "a.b"}, {Durable: ""}, {Durable: "a", Batch: 257}, {Durable: "a", Batch: -1}} {
		if err := b.Consume(t.Context(), s, newInbox().take); fault.KindOf(err) != fault.KindInvalid {
			t.Errorf("%+v: got %v, want invalid", s, err)
		}
	}
}

// A forbidden subject is no error to the publisher of an unstored message; only the connection's error handler hears of it.
// Catches: a connection without one.
func TestForbiddenSubjectsAreCounted(t *testing.T) {
	t.Parallel()
	srv, err := server.NewServer(&server.Options{
		DontListen: true, NoSigs: true, NoLog: true,
		Users: []*server.User{{Username: "intake", Password: "p", Permissions: &server.Permissions{
			Publish: &server.SubjectPermission{Deny: []string{"heads.inventory"}},
		}}},
	})
	require.NoError(t, err)
	srv.Start()
	t.Cleanup(func() {
		srv.Shutdown()
		srv.WaitForShutdown()
	})
	c, err := bus.Connect(bus.Config{InProcess: srv, Name: "intake", User: "intake", Password: "p"})
	require.NoError(t, err)
	t.Cleanup(c.Close)
	await(t, "the connection", c.Connected)
	require.NoError(t, c.PublishCore(bus.HeadSubject("intake"), nil))
	require.NoError(t, c.PublishCore(bus.HeadSubject("inventory"), nil))
	await(t, "the alarm", func() bool { return c.Stats().AsyncErrors == 1 })
}

// Catches: a trace that ends at the bus.
func TestTracesTravelWithMessages(t *testing.T) {
	t.Parallel()
	b := bustest.New(t)
	c, err := bus.Connect(bus.Config{InProcess: b.Server, Name: "traced", Propagator: propagation.TraceContext{}})
	require.NoError(t, err)
	t.Cleanup(c.Close)
	want := trace.NewSpanContext(trace.SpanContextConfig{TraceID: trace.TraceID{1}, SpanID: trace.SpanID{2}})
	await(t, "the message to be stored", func() bool {
		return c.Publish(trace.ContextWithSpanContext(context.Background(), want), subject, "e", nil) == nil
	})
	got := make(chan trace.TraceID, 1)
	consume(t, c, bus.Subscription{Durable: "inventory"}, func(ctx context.Context, _ bus.Msg) bus.Verdict {
		got <- trace.SpanContextFromContext(ctx).TraceID()
		return bus.Ack()
	})
	if id := <-got; id != want.TraceID() {
		t.Errorf("trace %s, want %s", id, want.TraceID())
	}
}

func TestAPortTakenIsAnError(t *testing.T) {
	t.Parallel()
	b := bustest.Listening(t)
	_, err := embedded.Start(embedded.Config{StoreDir: t.TempDir(), Listen: b.Server.URL()[len("nats://"):]})
	if got := fault.ReasonOf(err); got != "bus_address" {
		t.Errorf("got %v, want a refusal of the address", err)
	}
}
