// Package bustest gives each test a bus of its own, a real server in this process, and ways to break it.
package bustest

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/bus"
	"huskline/internal/bus/embedded"
)

// Bus is a server and a first connection to it.
type Bus struct {
	*bus.Conn
	Server *embedded.Server
	dir    string
}

// New starts a server without a port. Everything is taken away when the test ends.
func New(t testing.TB) *Bus {
	t.Helper()
	return start(t, "")
}

// Listening is New with a port on the loopback, for other processes: Server.URL names it.
func Listening(t testing.TB) *Bus {
	t.Helper()
	return start(t, "127.0.0.1:0")
}

func start(t testing.TB, listen string) *Bus {
	t.Helper()
	b := &Bus{dir: filepath.Join(t.TempDir(), "bus")}
	var err error
	b.Server, err = embedded.Start(embedded.Config{StoreDir: b.dir, Listen: listen})
	if err != nil {
		t.Fatalf("start bus for tests: %v", err)
	}
	t.Cleanup(b.Server.Stop)
	b.Conn = b.Connect(t, "test")
	return b
}

// Connect is another connection, closed when the test ends.
func (b *Bus) Connect(t testing.TB, name string) *bus.Conn {
	t.Helper()
	c, err := bus.Connect(bus.Config{InProcess: b.Server, Name: name})
	if err != nil {
		t.Fatalf("connect to test bus: %v", err)
	}
	t.Cleanup(c.Close)
	return c
}

// Restart stops the server and starts it again on what it stored.
func (b *Bus) Restart(t testing.TB) {
	t.Helper()
	b.Server.Stop()
	b.Resume(t)
}

// Stop takes the server away until Resume.
func (b *Bus) Stop() { b.Server.Stop() }

// Resume brings a stopped server back.
func (b *Bus) Resume(t testing.TB) {
	t.Helper()
	if err := b.Server.Resume(); err != nil {
		t.Fatalf("start test bus again: %v", err)
	}
}

// LoseFolder restarts the server with all that it stored gone.
func (b *Bus) LoseFolder(t testing.TB) {
	t.Helper()
	b.Server.Stop()
	if err := os.RemoveAll(b.dir); err != nil {
		t.Fatal(err)
	}
	b.Resume(t)
}

// DeleteStream removes the stream with its consumers, as an operator's slip would.
func (b *Bus) DeleteStream(t testing.TB) {
	t.Helper()
	b.admin(t, func(ctx context.Context, js jetstream.JetStream) error { return js.DeleteStream(ctx, bus.Stream) })
}

// PurgeStream empties the stream and leaves its consumers.
func (b *Bus) PurgeStream(t testing.TB) {
	t.Helper()
	b.admin(t, func(ctx context.Context, js jetstream.JetStream) error {
		s, err := js.Stream(ctx, bus.Stream)
		if err != nil {
			return err
		}
		return s.Purge(ctx)
	})
}

// StreamMessages is how many messages the stream holds; 0 when there is no stream.
func (b *Bus) StreamMessages(t testing.TB) (n uint64) {
	t.Helper()
	b.admin(t, func(ctx context.Context, js jetstream.JetStream) error {
		s, err := js.Stream(ctx, bus.Stream)
		if err != nil {
			return nil
		}
		n = s.CachedInfo().State.Msgs
		return nil
	})
	return n
}

// admin does what services may not, over a connection of its own.
func (b *Bus) admin(t testing.TB, do func(context.Context, jetstream.JetStream) error) {
	t.Helper()
	nc, err := nats.Connect("", nats.InProcessServer(b.Server))
	if err != nil {
		t.Fatalf("administer test bus: %v", err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatalf("administer test bus: %v", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := do(ctx, js); err != nil {
		t.Fatalf("administer test bus: %v", err)
	}
}
