package pgserver

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"strconv"
	"syscall"
	"time"

	"huskline/internal/fault"
)

// place is the folder postgres/ and the user that works in it.
type place struct {
	dir    string
	cred   *syscall.Credential // nil: as ourselves
	handle *os.File            // nil: the child reaches dir by its path
}

// openPlace makes and opens postgres/ under dir for the user that Postgres will run as.
func openPlace(dir string) (place, error) {
	p := place{dir: filepath.Join(dir, "postgres")}
	if err := os.MkdirAll(p.dir, 0o700); err != nil {
		return p, fault.Precondition("data_folder_unusable", "make folder for postgres: %w", err)
	}
	if os.Geteuid() != 0 {
		return p, nil
	}
	var err error
	if p.cred, err = runUser(p.dir); err != nil {
		return p, err
	}
	if err := os.Chown(p.dir, int(p.cred.Uid), int(p.cred.Gid)); err != nil {
		return p, fault.Precondition("data_folder_unusable", "give folder to the user of postgres: %w", err)
	}
	if p.mayEnter(filepath.Dir(p.dir)) {
		return p, nil
	}
	if runtime.GOOS != "linux" {
		return p, fault.Precondition("data_folder_unusable", "user %d, as whom postgres runs, may not enter %s: choose another data folder, or do not run as root", p.cred.Uid, dir)
	}
	p.handle, err = os.Open(p.dir)
	return p, err
}

func (p place) close() {
	if p.handle != nil {
		p.handle.Close()
	}
}

// runUser is the user that Postgres becomes when we are root: the owner of a folder used before, else postgres, else nobody.
func runUser(dir string) (*syscall.Credential, error) {
	if info, err := os.Stat(dir); err == nil {
		if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Uid != 0 {
			return &syscall.Credential{Uid: st.Uid, Gid: st.Gid}, nil
		}
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, uidErr := strconv.ParseUint(u.Uid, 10, 32)
		gid, gidErr := strconv.ParseUint(u.Gid, 10, 32)
		if uidErr == nil && gidErr == nil && uid != 0 {
			return &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}, nil
		}
	}
	return nil, fault.Precondition("no_user_for_postgres", "postgres may not run as root and there is no user postgres or nobody: run as an ordinary user")
}

// mayEnter tells whether the user of Postgres may go through dir and every folder above it, by the permission bits.
func (p place) mayEnter(dir string) bool {
	if p.cred == nil {
		return true
	}
	for {
		info, err := os.Stat(dir)
		if err != nil {
			return false
		}
		st, ok := info.Sys().(*syscall.Stat_t)
		if !ok {
			return false
		}
		bit := os.FileMode(0o001)
		switch {
		case st.Uid == p.cred.Uid:
			bit = 0o100
		case st.Gid == p.cred.Gid:
			bit = 0o010
		}
		if info.Mode().Perm()&bit == 0 {
			return false
		}
		up := filepath.Dir(dir)
		if up == dir {
			return true
		}
		dir = up
	}
}

// inner is the name under which the child knows a file of the place.
func (p place) inner(name string) string {
	if p.handle != nil {
		return filepath.Join("/proc/self/fd/3", name)
	}
	return filepath.Join(p.dir, name)
}

// command prepares a program that works in the place as its user. Nothing of our own environment reaches it: a PGDATA or PGOPTIONS there would.
func (p place) command(ctx context.Context, path string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Dir = "/"
	cmd.Env = []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LC_ALL=C", "TZ=UTC"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: p.cred}
	if p.handle != nil {
		cmd.ExtraFiles = []*os.File{p.handle}
	}
	return cmd
}

// child is a started process. done is closed, and err set, when it has been waited for.
type child struct {
	cmd  *exec.Cmd
	done chan struct{}
	err  error
}

// startChild starts cmd so that the kernel sends it death when we die. The signal comes when the starting thread ends, not the process, so one thread is kept for it.
func startChild(cmd *exec.Cmd, death syscall.Signal) (*child, error) {
	onParentDeath(cmd.SysProcAttr, death)
	c := &child{cmd: cmd, done: make(chan struct{})}
	started := make(chan error, 1)
	go func() {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		c.err = cmd.Wait()
		close(c.done)
	}()
	if err := <-started; err != nil {
		return nil, err
	}
	return c, nil
}

func (c *child) pid() int { return c.cmd.Process.Pid }

// stop ends a postmaster: fast, then at once when ctx or the limit ends, then by force.
func (c *child) stop(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, fastStopLimit)
	defer cancel()
	select {
	case <-c.done:
		return fmt.Errorf("postgres had ended by itself: %v", c.err)
	default:
	}
	c.cmd.Process.Signal(syscall.SIGINT)
	select {
	case <-c.done:
		return nil
	case <-ctx.Done():
	}
	for _, sig := range []syscall.Signal{syscall.SIGQUIT, syscall.SIGKILL} {
		c.cmd.Process.Signal(sig)
		select {
		case <-c.done:
			return nil
		case <-time.After(hardStopLimit):
		}
	}
	return fmt.Errorf("postgres %d does not end", c.pid())
}
