package embedded

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func start(t *testing.T, dir string) *Server {
	t.Helper()
	s, err := Start(Config{StoreDir: dir})
	require.NoError(t, err)
	t.Cleanup(s.Stop)
	return s
}

// A folder that cannot be used, here a file in its place, is put aside: what is stored may be lost, service may not.
func TestAFolderThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "bus")
	require.NoError(t, os.Mkdir(dir, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "jetstream"), []byte("not a folder"), 0o600))
	begun := time.Now()
	s := start(t, dir)
	require.NoError(t, s.Probe(t.Context()))
	if took := time.Since(begun); took > 3*time.Second {
		t.Errorf("ready after %v, want at once: the server said that it cannot", took)
	}
	if _, err := os.Stat(dir + ".broken"); err != nil {
		t.Errorf("the old folder is gone: %v", err)
	}
}

// Catches: a server that lost its folder, or met a full disk, and takes nothing until somebody restarts it.
func TestWatchRestartsAServerThatDoesNotStore(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "bus")
	s := start(t, dir)
	require.NoError(t, s.Probe(t.Context()))
	require.NoError(t, os.RemoveAll(dir))
	require.Error(t, s.Probe(t.Context()))
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.watch(ctx, 20*time.Millisecond)
	}()
	require.Eventually(t, func() bool { return s.Probe(context.Background()) == nil }, 10*time.Second, 20*time.Millisecond)
	cancel()
	<-ended
}

// Catches: a probe that looks at a stream of its own alone while the one that counts has met a full disk and refuses everything for good. A folder in the
// place of the stream's next file stands for the full disk.
func TestWatchRestartsAServerWithAStuckStream(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "bus")
	s := start(t, dir)
	nc, err := nats.Connect("", nats.InProcessServer(s), nats.MaxReconnects(-1), nats.ReconnectWait(10*time.Millisecond))
	require.NoError(t, err)
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	require.NoError(t, err)
	stream, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "LOTS", Subjects: []string{"lots"}})
	require.NoError(t, err)
	publish := func() error {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		_, err := js.Publish(ctx, "lots", []byte("x"), jetstream.WithRetryAttempts(0))
		return err
	}
	require.NoError(t, publish())
	inTheWay := filepath.Join(dir, "jetstream", "$G", "streams", "LOTS", "msgs", "2.blk")
	require.NoError(t, os.Mkdir(inTheWay, 0o700))
	_ = stream.Purge(t.Context()) // begins the next file
	require.Error(t, publish(), "there is room again only once the folder is gone")
	require.NoError(t, os.Remove(inTheWay))
	require.Error(t, publish(), "the server has recovered by itself: then nothing need watch over it")
	require.ErrorIs(t, s.Probe(t.Context()), errStuck)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.watch(ctx, 20*time.Millisecond)
	}()
	require.Eventually(t, func() bool { return publish() == nil }, 10*time.Second, 20*time.Millisecond)
	cancel()
	<-ended
	require.NoError(t, s.Probe(t.Context()))
}

func TestStopAndResume(t *testing.T) {
	t.Parallel()
	s := start(t, t.TempDir())
	s.Stop()
	s.Stop()
	if _, err := s.InProcessConn(); err == nil {
		t.Error("a stopped server gives a connection")
	}
	require.NoError(t, s.Resume())
	require.NoError(t, s.Resume())
	require.NoError(t, s.Probe(t.Context()))
}
