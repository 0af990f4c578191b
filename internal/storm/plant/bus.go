package plant

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"huskline/internal/bus"
	"huskline/internal/bus/embedded"
)

// busChild is the first argument of this program where it is to be the plant's NATS.
const busChild = "storm-bus"

// Child is to be called first by whatever runs a plant: the NATS is a process of the same program, so that it can be killed alone. It returns true
// in that process, once it has ended.
func Child() bool {
	if len(os.Args) != 4 || os.Args[1] != busChild {
		return false
	}
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	logger := slog.New(slog.NewJSONHandler(os.Stderr, nil))
	server, err := embedded.Start(embedded.Config{StoreDir: os.Args[2], Listen: os.Args[3], Logger: logger})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	fmt.Printf("ready grpc=%s http=-\n", server.URL())
	server.Watch(ctx)
	server.Stop()
	return true
}

// busDir is where NATS stores.
func (p *Plant) busDir() string { return filepath.Join(p.Disk.Dir, "bus") }

// startBus starts NATS and waits until it takes connections.
func (p *Plant) startBus(ctx context.Context) error {
	self, err := os.Executable()
	if err != nil {
		return err
	}
	proc, err := launch(p.log("nats"), self, []string{busChild, p.busDir(), p.busAddr}, nil)
	if err != nil {
		return err
	}
	p.mu.Lock()
	p.bus = proc
	p.mu.Unlock()
	select {
	case <-proc.ready:
		return nil
	case <-proc.done:
		return fmt.Errorf("NATS ended while starting: %v", proc.err)
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// KillBus ends NATS as kill -9 does. It stays away until StartBus.
func (p *Plant) KillBus() { p.busProcess().kill() }

// StartBus starts a NATS that was killed.
func (p *Plant) StartBus(ctx context.Context) error {
	if b := p.busProcess(); b != nil && !b.ended() {
		return nil
	}
	return p.startBus(ctx)
}

// PauseBus stops NATS where it is until ResumeBus: its connections stay open and silent.
func (p *Plant) PauseBus() { p.busProcess().signal(syscall.SIGSTOP) }

// ResumeBus lets a paused NATS go on.
func (p *Plant) ResumeBus() { p.busProcess().signal(syscall.SIGCONT) }

func (p *Plant) busProcess() *process {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.bus
}

// BusProcesses is the process of NATS.
func (p *Plant) BusProcesses() []int {
	b := p.busProcess()
	if b == nil || b.ended() {
		return nil
	}
	return []int{b.cmd.Process.Pid}
}

// BusDir is where NATS stores; to be touched only while it is killed, or to see what it makes of that.
func (p *Plant) BusDir() string { return p.busDir() }

// Admin does on the bus what services may not, over a connection of its own that goes through no proxy.
func (p *Plant) Admin(ctx context.Context, do func(context.Context, jetstream.JetStream) error) error {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	nc, err := nats.Connect("nats://"+p.busAddr, nats.NoReconnect(), nats.Timeout(2*time.Second))
	if err != nil {
		return fmt.Errorf("administer the bus: %w", err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc)
	if err != nil {
		return err
	}
	return do(ctx, js)
}

// StreamMessages is how many messages the stream of lot events holds; 0 where there is none.
func (p *Plant) StreamMessages(ctx context.Context) (n uint64, err error) {
	err = p.Admin(ctx, func(ctx context.Context, js jetstream.JetStream) error {
		s, err := js.Stream(ctx, bus.Stream)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			return nil
		}
		if err == nil {
			n = s.CachedInfo().State.Msgs
		}
		return err
	})
	return n, err
}
