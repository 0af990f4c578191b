package planttest

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"regexp"
	"runtime"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Process is the program serving, as up or as serve.
type Process struct {
	GRPC, HTTP string // addresses bound
	name       string
	args, env  []string
	cmd        *exec.Cmd
	log        *record
	done       chan struct{}
	err        error // of Wait; to be read once done is closed
}

// Limits of a start and a stop on a busy machine; a start is cold under 5 s and a stop drains for 10 s at most.
const (
	startLimit = 60 * time.Second
	stopLimit  = 40 * time.Second
)

var readyLine = regexp.MustCompile(`^ready grpc=(\S+) http=(\S+)$`)

// start runs the program and waits for its ready line. The caller sees to it that the process ends with the test that the plant belongs to, which
// may be the one around t.
func start(t testing.TB, name string, args, env []string) *Process {
	t.Helper()
	p := &Process{name: name, args: args, env: env, log: &record{}, done: make(chan struct{})}
	p.cmd = exec.Command(Program(t), args...)
	p.cmd.Env, p.cmd.Stderr = environment(env...), p.log
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	dieWithParent(p.cmd.SysProcAttr)
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	ready, started := make(chan []string, 1), make(chan error, 1)
	go p.run(out, started, ready)
	if err := <-started; err != nil {
		t.Fatalf("start %s: %v", name, err)
	}
	select {
	case bound := <-ready:
		p.GRPC, p.HTTP = bound[1], bound[2]
	case <-p.done:
		t.Fatalf("%s ended before it was ready: %v\n%s", name, p.err, p.Log())
	case <-time.After(startLimit):
		p.end()
		t.Fatalf("%s is not ready after %v\n%s", name, startLimit, p.Log())
	}
	return p
}

// run starts the process, looks for its ready line, reads on so that it is never held up, and notes its end. The kernel ends the child with the
// thread that started it, so this goroutine keeps its thread for as long as the child lives.
func (p *Process) run(out io.Reader, started chan<- error, ready chan<- []string) {
	runtime.LockOSThread()
	err := p.cmd.Start()
	started <- err
	if err != nil {
		return
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if m := readyLine.FindStringSubmatch(lines.Text()); m != nil {
			ready <- m
		}
	}
	p.err = p.cmd.Wait()
	close(p.done)
}

// Log is what the process has said on standard error so far, and how it ended if it has.
func (p *Process) Log() string {
	select {
	case <-p.done:
		return fmt.Sprintf("%s\nended: %v", p.log, p.err)
	default:
		return p.log.String()
	}
}

// PID is the process's own id.
func (p *Process) PID() int { return p.cmd.Process.Pid }

// Kill ends the process as kill -9 does and waits until it is gone.
func (p *Process) Kill(t testing.TB) {
	t.Helper()
	p.end()
}

func (p *Process) end() {
	select {
	case <-p.done:
		return
	default:
	}
	_ = p.cmd.Process.Kill()
	<-p.done
}

// Interrupt is ctrl-C at the process alone.
func (p *Process) Interrupt(t testing.TB) {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatalf("interrupt %s: %v", p.name, err)
	}
}

// Stop asks the process to stop (SIGTERM) and fails the test unless it does so cleanly.
func (p *Process) Stop(t testing.TB) {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatalf("stop %s: %v\n%s", p.name, err, p.Log())
	}
	select {
	case <-p.done:
	case <-time.After(stopLimit):
		p.end()
		t.Fatalf("%s does not stop within %v of SIGTERM\n%s", p.name, stopLimit, p.Log())
	}
	if p.err != nil {
		t.Fatalf("%s stopped with %v, want exit 0\n%s", p.name, p.err, p.Log())
	}
}

// Done is closed when the process has ended.
func (p *Process) Done() <-chan struct{} { return p.done }

// Ended waits for the end and gives the exit code, -1 where a signal ended it.
func (p *Process) Ended(t testing.TB) int {
	t.Helper()
	select {
	case <-p.done:
	case <-time.After(stopLimit):
		t.Fatalf("%s has not ended after %v\n%s", p.name, stopLimit, p.Log())
	}
	return p.cmd.ProcessState.ExitCode()
}

// Killed waits until the process has killed itself at its failpoint; any other end, or none, fails the test.
func (p *Process) Killed(t testing.TB) {
	t.Helper()
	select {
	case <-p.done:
	case <-time.After(startLimit):
		t.Fatalf("%s with %v was not killed within %v\n%s", p.name, p.env, startLimit, p.Log())
	}
	var exit *exec.ExitError
	if !errors.As(p.err, &exit) {
		t.Fatalf("%s ended with %v, want a kill at its failpoint", p.name, p.err)
	}
	if status, ok := exit.Sys().(syscall.WaitStatus); !ok || status.Signal() != syscall.SIGKILL {
		t.Fatalf("%s ended with %v, want a kill at its failpoint\n%s", p.name, p.err, p.Log())
	}
}

// record keeps the last part of what a process says.
type record struct {
	mu   sync.Mutex
	text bytes.Buffer
}

const recordBytes = 64 << 10

func (r *record) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.text.Write(b)
	if over := r.text.Len() - recordBytes; over > 0 {
		r.text.Next(over)
	}
	return len(b), nil
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.String()
}
