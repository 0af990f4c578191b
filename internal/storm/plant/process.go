package plant

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"runtime"
	"sync"
	"syscall"
	"time"
)

// process is a program that runs, or has ended.
type process struct {
	cmd        *exec.Cmd
	grpc, http string
	ready      chan struct{} // closed when it says so
	done       chan struct{} // closed when it has ended
	err        error         // of Wait, once done

	mu  sync.Mutex
	ask syscall.Signal // the last signal that we sent to end it; 0: none
}

var readyLine = regexp.MustCompile(`^ready grpc=(\S+) http=(\S+)$`)

// launch starts a program with nothing of our environment but PATH and HOME; what it says on standard error goes to the end of a file.
func launch(logFile, path string, args, env []string) (*process, error) {
	log, err := os.OpenFile(logFile, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	defer func() { _ = log.Close() }()
	fmt.Fprintf(log, "---- started %s %v\n", time.Now().UTC().Format(time.RFC3339Nano), env)
	p := &process{ready: make(chan struct{}), done: make(chan struct{})}
	p.cmd = exec.Command(path, args...)
	p.cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), "HOME=" + os.Getenv("HOME")}, env...)
	p.cmd.Stderr = log
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	dieWithParent(p.cmd.SysProcAttr)
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	started := make(chan error, 1)
	go p.run(out, started)
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start %s: %w", path, err)
	}
	return p, nil
}

// run keeps its thread for as long as the child lives: the kernel ends the child with the thread that started it.
func (p *process) run(out io.Reader, started chan<- error) {
	runtime.LockOSThread()
	err := p.cmd.Start()
	started <- err
	if err != nil {
		return
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if m := readyLine.FindStringSubmatch(lines.Text()); m != nil && p.grpc == "" {
			p.grpc, p.http = m[1], m[2]
			close(p.ready)
		}
	}
	p.err = p.cmd.Wait()
	close(p.done)
}

func (p *process) ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// signal sends a signal; one that ends is remembered, so that the end is known to be ours.
func (p *process) signal(s syscall.Signal) {
	if p == nil || p.ended() {
		return
	}
	if s == syscall.SIGKILL || s == syscall.SIGTERM {
		p.mu.Lock()
		p.ask = s
		p.mu.Unlock()
	}
	_ = p.cmd.Process.Signal(s)
}

// kill ends it as kill -9 does and waits until it is gone.
func (p *process) kill() {
	if p == nil {
		return
	}
	p.signal(syscall.SIGKILL)
	<-p.done
}

// end says how it ended: by our signal, killed by itself as at a failpoint, or otherwise.
func (p *process) end() (ours, killed bool, text string) {
	p.mu.Lock()
	asked := p.ask
	p.mu.Unlock()
	var exit *exec.ExitError
	if errors.As(p.err, &exit) {
		if status, ok := exit.Sys().(syscall.WaitStatus); ok && status.Signaled() && status.Signal() == syscall.SIGKILL {
			return asked == syscall.SIGKILL, asked != syscall.SIGKILL, "killed"
		}
		return false, false, exit.String()
	}
	return asked == syscall.SIGTERM, false, "exit 0"
}
