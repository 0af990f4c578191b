package plant

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// CanFail says why calls of running processes cannot be made to fail here; nil: they can.
func CanFail(ctx context.Context) error {
	strace, err := exec.LookPath("strace")
	if err != nil {
		return errors.New("there is no strace")
	}
	other := exec.CommandContext(ctx, "sleep", "5")
	if err := other.Start(); err != nil {
		return err
	}
	defer func() { _, _ = other.Process.Kill(), other.Wait() }()
	var said bytes.Buffer
	tracer := exec.CommandContext(ctx, strace, "-o", os.DevNull, "-p", strconv.Itoa(other.Process.Pid))
	tracer.Stderr = &said
	if err := tracer.Start(); err != nil {
		return err
	}
	time.AfterFunc(200*time.Millisecond, func() { _ = other.Process.Kill() })
	if err := tracer.Wait(); err != nil {
		return fmt.Errorf("other processes may not be traced: %s", strings.TrimSpace(said.String()))
	}
	return nil
}

// Failing makes system calls of running processes fail. It must be stopped.
type Failing struct {
	cmd  *exec.Cmd
	log  string
	done chan struct{}
}

// Fail has calls, such as "fdatasync,fsync", fail with an error, such as "EIO", in every process and those that they start: in each at first so many
// pass. It returns at once; the processes are slow meanwhile.
func (p *Plant) Fail(calls, with string, passing int, pids []int) (*Failing, error) {
	f := &Failing{log: filepath.Join(p.dir, "failing.log"), done: make(chan struct{})}
	args := []string{"-f", "-qq", "-o", f.log, "-e", "trace=" + calls, "-e", fmt.Sprintf("inject=%s:error=%s:when=%d+", calls, with, passing+1)}
	for _, pid := range pids {
		args = append(args, "-p", strconv.Itoa(pid))
	}
	f.cmd = exec.Command("strace", args...)
	dieWithParent(orNew(&f.cmd.SysProcAttr))
	started := make(chan error, 1)
	go func() {
		defer close(f.done)
		runtime.LockOSThread() // the kernel ends the child with the thread that started it
		err := f.cmd.Start()
		started <- err
		if err == nil {
			_ = f.cmd.Wait()
		}
	}()
	return f, <-started
}

func orNew(attr **syscall.SysProcAttr) *syscall.SysProcAttr {
	if *attr == nil {
		*attr = &syscall.SysProcAttr{}
	}
	return *attr
}

// Failed is how many calls have failed so far.
func (f *Failing) Failed() int {
	text, err := os.ReadFile(f.log)
	if err != nil {
		return 0
	}
	return bytes.Count(text, []byte("(INJECTED)"))
}

// Stop lets the processes alone; it may be called again.
func (f *Failing) Stop() {
	_ = f.cmd.Process.Signal(syscall.SIGINT) // strace lets go of them
	<-f.done
}
