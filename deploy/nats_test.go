package deploy

import (
	"context"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"

	"huskline/internal/bus"
)

func services() []string { return []string{"intake", "inventory", "production"} }

// patience is how long a test waits for what must happen; what is refused is told at once or by silence.
const (
	patience = 10 * time.Second
	silence  = time.Second
)

// startNATS runs a real server on the configuration as it stands, but for the port and the folder. Passwords are the users' names.
func startNATS(t *testing.T) *server.Server {
	t.Helper()
	for env, user := range map[string]string{"NATS_INTAKE": "intake", "NATS_INVENTORY": "inventory", "NATS_PRODUCTION": "production"} {
		t.Setenv(env, user+"-password")
	}
	opts, err := server.ProcessConfigFile(filepath.Join("nats", "nats.conf"))
	require.NoError(t, err)
	require.Equal(t, 4222, opts.Port, "the port that docker-compose.yml names")
	require.Equal(t, "/data", opts.StoreDir, "the volume that docker-compose.yml mounts")
	opts.Host, opts.Port, opts.StoreDir, opts.NoSigs, opts.NoLog = "127.0.0.1", server.RANDOM_PORT, t.TempDir(), true, true
	s, err := server.NewServer(opts)
	require.NoError(t, err)
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	require.True(t, s.ReadyForConnections(patience), "the server takes connections")
	return s
}

func connect(t *testing.T, s *server.Server, name string) *bus.Conn {
	t.Helper()
	c, err := bus.Connect(bus.Config{URL: s.ClientURL(), Name: name, User: name, Password: name + "-password"})
	require.NoError(t, err)
	t.Cleanup(c.Close)
	require.Eventually(t, c.Connected, patience, 10*time.Millisecond)
	return c
}

// TestBusServesEveryService runs each service's own use of the bus under its own user: stream, events, consumer, heads. It catches a permission that
// the bus's code needs and the configuration lacks, which otherwise shows as a timeout only.
func TestBusServesEveryService(t *testing.T) {
	s := startNATS(t)
	ctx, cancel := context.WithTimeout(t.Context(), 4*patience)
	defer cancel()
	conns := map[string]*bus.Conn{}
	for _, name := range services() {
		conns[name] = connect(t, s, name)
	}
	require.NoError(t, conns["production"].EnsureStream(ctx), "any service may make the stream")
	events, heads := map[string]chan string{}, map[string]chan string{}
	for _, name := range services() {
		events[name], heads[name] = make(chan string, 100), make(chan string, 100)
		stop, err := conns[name].SubscribeHeads(func(producer string, _ []byte) { heads[name] <- producer })
		require.NoError(t, err)
		defer stop()
		working, end := context.WithCancel(ctx)
		done := make(chan error, 1)
		go func() {
			done <- conns[name].Consume(working, bus.Subscription{Durable: name}, func(_ context.Context, m bus.Msg) bus.Verdict {
				events[name] <- m.Subject
				return bus.Ack()
			})
		}()
		defer func() { end(); require.NoError(t, <-done) }()
	}
	for _, name := range services() {
		require.NoError(t, conns[name].Publish(ctx, bus.LotSubject(name, "made"), "id-"+name, []byte("x")), name)
	}
	for _, name := range services() {
		require.ElementsMatch(t, []string{"lots.intake.made", "lots.inventory.made", "lots.production.made"}, take(t, events[name], 3), "events that reach "+name)
	}
	for _, name := range services() {
		require.Eventually(t, func() bool { return conns[name].PublishCore(bus.HeadSubject(name), []byte("h")) == nil }, patience, 10*time.Millisecond)
	}
	for _, name := range services() {
		require.ElementsMatch(t, services(), take(t, heads[name], 3), "heads that reach "+name)
		require.Zero(t, conns[name].Stats().AsyncErrors, "alarms of "+name)
	}
}

func take(t *testing.T, from <-chan string, n int) []string {
	t.Helper()
	var got []string
	for limit := time.After(patience); len(got) < n; {
		select {
		case text := <-from:
			got = append(got, text)
		case <-limit:
			t.Fatalf("%v came, want %d", got, n)
		}
	}
	return got
}

// TestBusKeepsServicesApart tries under one service's user what only another may do, and what none may. It catches a wildcard that opens too much.
func TestBusKeepsServicesApart(t *testing.T) {
	s := startNATS(t)
	intake, inventory := raw(t, s, "intake"), raw(t, s, "inventory")
	owner := connect(t, s, "inventory")
	ctx, cancel := context.WithTimeout(t.Context(), 4*patience)
	defer cancel()
	require.NoError(t, owner.EnsureStream(ctx))
	require.NoError(t, owner.Publish(ctx, bus.LotSubject("inventory", "made"), "id-1", []byte("x")))
	js, err := jetstream.New(inventory.conn)
	require.NoError(t, err)
	_, err = js.CreateConsumer(ctx, bus.Stream, jetstream.ConsumerConfig{Durable: "inventory", AckPolicy: jetstream.AckExplicitPolicy})
	require.NoError(t, err)

	for _, subject := range []string{
		"lots.inventory.made", "heads.inventory", "$JS.API.STREAM.DELETE.LOTS", "$JS.API.STREAM.PURGE.LOTS", "$JS.API.STREAM.MSG.DELETE.LOTS",
		"$JS.API.STREAM.RESTORE.LOTS", "$JS.API.STREAM.SNAPSHOT.LOTS", "$JS.API.CONSUMER.DELETE.LOTS.inventory", "$JS.API.CONSUMER.MSG.NEXT.LOTS.inventory",
		"$JS.ACK.LOTS.inventory.1.1.1.1.0", "$JS.API.STREAM.CREATE.OTHER", "_INBOX_inventory.x",
	} {
		require.NoError(t, intake.conn.PublishRequest(subject, "_INBOX_intake.reply", []byte("{}")))
		intake.denied(t, "publish to "+subject)
	}
	for _, subject := range []string{">", "lots.>", "_INBOX.>", "_INBOX_inventory.>", "$JS.API.>"} {
		_, err := intake.conn.SubscribeSync(subject)
		require.NoError(t, err)
		intake.denied(t, "subscribe to "+subject)
	}
	stream, err := js.Stream(ctx, bus.Stream)
	require.NoError(t, err)
	require.EqualValues(t, 1, stream.CachedInfo().State.Msgs, "messages left in the stream")
	for _, login := range []nats.Option{nats.Name("nobody"), nats.UserInfo("intake", "wrong"), nats.UserInfo("intake", "inventory-password")} {
		if nc, err := nats.Connect(s.ClientURL(), login); err == nil {
			nc.Close()
			t.Error("a connection without the right password was let in")
		}
	}
}

// user is a plain connection as a service's user, with what the server tells it.
type user struct {
	conn *nats.Conn
	told chan error
}

func raw(t *testing.T, s *server.Server, name string) user {
	t.Helper()
	u := user{told: make(chan error, 100)}
	var err error
	u.conn, err = nats.Connect(s.ClientURL(), nats.UserInfo(name, name+"-password"), nats.CustomInboxPrefix("_INBOX_"+name),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { u.told <- err }))
	require.NoError(t, err)
	t.Cleanup(u.conn.Close)
	return u
}

// denied waits for the server's refusal of what was sent last. A reply on the user's inbox would be an answer and no refusal.
func (u user) denied(t *testing.T, what string) {
	t.Helper()
	require.NoError(t, u.conn.Flush())
	select {
	case err := <-u.told:
		require.ErrorIs(t, err, nats.ErrPermissionViolation, what)
	case <-time.After(silence):
		t.Errorf("%s: it was not refused", what)
	}
}
