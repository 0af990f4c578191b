package plant

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

// service is one of the three, started again whenever it ends.
type service struct {
	plant *Plant
	name  string
	grpc  string // its own address, behind the proxies
	flags []string

	mu     sync.Mutex
	proc   *process
	held   bool           // not to be started now
	other  string         // the program of the next starts; "": the plant's
	arm    []string       // environments of the next starts, one each; then none
	armed  string         // of the present process
	fired  map[string]int // how often a process killed itself at a place
	waits  time.Duration  // patience of the bus; 0: its own
	closed bool
	wake   chan struct{}
	done   chan struct{}

	twin *process
}

func newService(p *Plant, name, grpc string) *service {
	return &service{plant: p, name: name, grpc: grpc, fired: map[string]int{}, wake: make(chan struct{}, 1), done: make(chan struct{})}
}

func (s *service) begin() { go s.keep() }

// restartPause is what a supervisor waits before it starts again what has ended.
const restartPause = 100 * time.Millisecond

// keep is the supervisor.
func (s *service) keep() {
	defer close(s.done)
	for {
		proc := s.next()
		if proc == nil {
			return
		}
		<-proc.done
		if !s.note(proc) {
			time.Sleep(restartPause)
		}
	}
}

// next starts the process as soon as it may run; nil: never again.
func (s *service) next() *process {
	for {
		s.mu.Lock()
		if s.closed {
			s.mu.Unlock()
			return nil
		}
		if !s.held {
			proc, err := s.start()
			s.mu.Unlock()
			if err == nil {
				return proc
			}
			s.plant.endedBadly(fmt.Sprintf("%s does not start: %v", s.name, err))
			time.Sleep(time.Second)
			continue
		}
		s.mu.Unlock()
		<-s.wake
	}
}

// start is called with mu held.
func (s *service) start() (*process, error) {
	env := s.environment()
	s.armed = ""
	if len(s.arm) > 0 {
		s.armed, s.arm = s.arm[0], s.arm[1:]
		env = append(env, "HUSKLINE_FAILPOINT="+s.armed)
	}
	program := s.plant.program
	if s.other != "" {
		program = s.other
	}
	proc, err := launch(s.plant.log(s.name), program, append(slices.Clone(s.flags), "--grpc", s.grpc), env)
	if err != nil {
		return nil, err
	}
	s.proc = proc
	return proc, nil
}

func (s *service) environment() []string {
	env := []string{"HUSKLINE_CLOCK=" + s.plant.clockFile(s.name)}
	if s.waits > 0 {
		env = append(env, "HUSKLINE_ACKWAIT="+s.waits.String())
	}
	return env
}

// note remembers how a process ended, and tells whether it was at a named place: then the next may begin at once.
func (s *service) note(proc *process) (atPlace bool) {
	ours, killed, text := proc.end()
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case killed && s.armed != "":
		place, _, _ := strings.Cut(s.armed, ":")
		s.fired[place]++
		return true
	case ours:
	case !s.plant.PostgresAlive() || !isClosed(proc.ready):
		// Without its database a service that starts gives up, and is started again.
	default:
		s.plant.endedBadly(fmt.Sprintf("%s ended by itself: %s; armed %q", s.name, text, s.armed))
	}
	return false
}

func isClosed(c <-chan struct{}) bool {
	select {
	case <-c:
		return true
	default:
		return false
	}
}

func (s *service) process() *process {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.proc
}

func (s *service) awaitReady(ctx context.Context) error {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		if p := s.process(); p != nil && isClosed(p.ready) && !p.ended() {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s is not ready: %w", s.name, context.Cause(ctx))
		case <-tick.C:
		}
	}
}

func (s *service) hold(held bool) {
	s.mu.Lock()
	s.held = held
	s.mu.Unlock()
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// finish ends it for good.
func (s *service) finish() {
	s.mu.Lock()
	s.closed = true
	began := s.flags != nil && s.proc != nil
	twin := s.twin
	s.mu.Unlock()
	s.hold(false)
	twin.kill()
	if began {
		s.process().kill()
		<-s.done
	}
}

// Kill ends a service as kill -9 does; it is started again.
func (p *Plant) Kill(name string) {
	proc := p.services[name].process()
	proc.signal(syscall.SIGKILL)
	<-proc.done
}

// Hold kills a service and keeps it away until Release.
func (p *Plant) Hold(name string) {
	p.services[name].hold(true)
	p.Kill(name)
}

// Release lets a held service start.
func (p *Plant) Release(name string) { p.services[name].hold(false) }

// Arm has the next starts of a service kill themselves, each at one place ("NAME" or "NAME:N"), and kills it so that they begin.
func (p *Plant) Arm(name string, places ...string) {
	s := p.services[name]
	s.mu.Lock()
	s.arm = places
	s.mu.Unlock()
	p.Kill(name)
}

// Armed is the place at which a service's present process is to die, and how many more of its starts are armed; "" and 0: none.
func (p *Plant) Armed(name string) (place string, more int) {
	s := p.services[name]
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.armed, len(s.arm)
}

// Disarm takes what did not fire out of a service, killing it where need be.
func (p *Plant) Disarm(name string) {
	s := p.services[name]
	s.mu.Lock()
	s.arm = nil
	armed := s.armed
	s.mu.Unlock()
	if armed != "" {
		p.Kill(name)
	}
}

// Fired is how often processes of a service killed themselves, by place.
func (p *Plant) Fired(name string) map[string]int {
	s := p.services[name]
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]int{}
	for place, n := range s.fired {
		out[place] = n
	}
	return out
}

// SetAckWait makes the bus impatient with a service from its next start on, which is now; 0: as it is by itself.
func (p *Plant) SetAckWait(name string, d time.Duration) {
	s := p.services[name]
	s.mu.Lock()
	s.waits = d
	s.mu.Unlock()
	p.Kill(name)
}

// Pause stops a service where it is until Resume.
func (p *Plant) Pause(name string) { p.services[name].process().signal(syscall.SIGSTOP) }

// Resume lets a paused service go on.
func (p *Plant) Resume(name string) { p.services[name].process().signal(syscall.SIGCONT) }

// Terminate asks a service to stop and tells how long it took; it is started again.
func (p *Plant) Terminate(ctx context.Context, name string) (time.Duration, error) {
	proc := p.services[name].process()
	began := time.Now()
	proc.signal(syscall.SIGTERM)
	select {
	case <-proc.done:
		if ours, _, text := proc.end(); !ours {
			return time.Since(began), fmt.Errorf("%s stopped with %s, want exit 0", name, text)
		}
		return time.Since(began), nil
	case <-ctx.Done():
		return time.Since(began), context.Cause(ctx)
	}
}

// Use has a service run another program from its next start on, which is now; "": the plant's own again.
func (p *Plant) Use(name, program string) {
	s := p.services[name]
	s.mu.Lock()
	s.other = program
	s.mu.Unlock()
	p.Kill(name)
}

// StartTwin starts a second process of a service, of the plant's own program, on the same database, with a relay and a consumer of its own, and waits until it answers. Calls
// still go to the first; see UseTwin.
func (p *Plant) StartTwin(ctx context.Context, name string) error {
	s := p.services[name]
	s.mu.Lock()
	env := s.environment()
	s.mu.Unlock()
	proc, err := launch(p.log(name+"-twin"), p.program, append(slices.Clone(s.flags), "--grpc", "127.0.0.1:0"), env)
	if err != nil {
		return err
	}
	s.mu.Lock()
	s.twin = proc
	s.mu.Unlock()
	select {
	case <-proc.ready:
		return nil
	case <-proc.done:
		return fmt.Errorf("a second process of %s ended: %v", name, proc.err)
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// UseTwin sends new calls to the second process, or back to the first; open connections are cut.
func (p *Plant) UseTwin(name string, use bool) {
	s := p.services[name]
	s.mu.Lock()
	addr := s.grpc
	if use && s.twin != nil {
		addr = s.twin.grpc
	}
	s.mu.Unlock()
	p.Doors[name].Retarget(addr)
	p.Doors[name].Cut()
	for _, other := range Services() {
		if x, ok := p.Peers[other+">"+name]; ok {
			x.Retarget(addr)
			x.Cut()
		}
	}
}

// StopTwin kills the second process.
func (p *Plant) StopTwin(name string) {
	s := p.services[name]
	s.mu.Lock()
	twin := s.twin
	s.twin = nil
	s.mu.Unlock()
	twin.kill()
}

// GRPC is a service's own address, without its proxy.
func (p *Plant) GRPC(name string) string { return p.services[name].grpc }

// HTTP is the address of a service's JSON door, which has no proxy; empty while it does not run.
func (p *Plant) HTTP(name string) string {
	proc := p.services[name].process()
	if proc == nil || !isClosed(proc.ready) {
		return ""
	}
	return proc.http
}
