package plant

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
	"unsafe"
)

// Alone gives this process its mount namespace, by running the program once more in one, so that nothing that a storm mounts outlives it. It
// returns true in a process that is to end at once with the code: its twin has done the work.
func Alone() (done bool, code int) {
	const mark = "HUSKLINE_STORM_ALONE"
	if os.Getuid() != 0 || os.Getenv(mark) != "" {
		return false, 0
	}
	self, err := os.Executable()
	if err != nil {
		return false, 0
	}
	cmd := exec.Command(self, os.Args[1:]...)
	cmd.Env = append(os.Environ(), mark+"=1")
	cmd.Stdin, cmd.Stdout, cmd.Stderr = os.Stdin, os.Stdout, os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Unshareflags: syscall.CLONE_NEWNS, Pdeathsig: syscall.SIGTERM}
	if err := cmd.Start(); err != nil {
		return false, 0 // not allowed: the disk says so later
	}
	err = cmd.Wait()
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		return true, max(exit.ExitCode(), 1)
	case err != nil:
		return true, 1
	}
	return true, 0
}

func run(name string, args ...string) (string, error) {
	out, err := exec.Command(name, args...).CombinedOutput()
	text := strings.TrimSpace(string(out))
	if err != nil {
		return "", fmt.Errorf("%s %s: %w: %s", name, strings.Join(args, " "), err, text)
	}
	return text, nil
}

// format makes the image; only who is alone in a mount namespace may.
func (d *Disk) format() error {
	if os.Getenv("HUSKLINE_STORM_ALONE") == "" {
		return errors.New("no mount namespace of its own: that takes root")
	}
	f, err := os.Create(d.image)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Truncate(diskBytes), f.Close()); err != nil {
		return err
	}
	_, err = run("mkfs.ext4", "-q", "-F", "-m", "0", d.image)
	return err
}

// Mount mounts the image, which lets the file system recover from what was done to it.
func (d *Disk) Mount() error {
	loop, err := run("losetup", "--find", "--show", d.image)
	if err != nil {
		return err
	}
	if _, err := run("mount", "-t", "ext4", loop, d.Dir); err != nil {
		_, _ = run("losetup", "--detach", loop)
		return err
	}
	d.loop = loop
	return os.Chmod(d.Dir, 0o755)
}

// Unmount waits until nobody uses it any more.
func (d *Disk) Unmount() error {
	if d.loop == "" {
		return nil
	}
	var err error
	for range 200 {
		if err = syscall.Unmount(d.Dir, 0); err == nil {
			break
		}
		for _, pid := range d.users() { // children of a postmaster that was killed, which have not noticed yet
			_ = syscall.Kill(pid, syscall.SIGKILL)
		}
		time.Sleep(50 * time.Millisecond)
	}
	if err != nil {
		return fmt.Errorf("unmount %s: %w; still used by %v", d.Dir, err, d.users())
	}
	_, err = run("losetup", "--detach", d.loop)
	d.loop = ""
	return err
}

// users are the processes, but for this one, that work in a folder of the disk or have a file of it open.
func (d *Disk) users() (pids []int) {
	links, err := filepath.Glob("/proc/[0-9]*/cwd")
	if err != nil {
		return nil
	}
	open, err := filepath.Glob("/proc/[0-9]*/fd/*")
	if err != nil {
		return nil
	}
	for _, link := range append(links, open...) {
		target, err := os.Readlink(link)
		if err != nil || target != d.Dir && !strings.HasPrefix(target, d.Dir+"/") {
			continue
		}
		pid, err := strconv.Atoi(strings.Split(link, "/")[2])
		if err == nil && pid != os.Getpid() && !slices.Contains(pids, pid) {
			pids = append(pids, pid)
		}
	}
	return pids
}

// The ioctl that ends a file system as a power cut does: with this flag nothing is written any more that was not flushed.
const (
	shutdownIoctl   = 0x8004587d
	shutdownNoFlush = 2
)

// CutPower lets nothing more reach the disk; what then still runs on it gets errors. Unmount and Mount bring it back as it was flushed.
func (d *Disk) CutPower() error {
	if d.Absent != nil {
		return fmt.Errorf("cut the power: %w", errPlain)
	}
	f, err := os.Open(d.Dir)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	flag := uint32(shutdownNoFlush)
	if _, _, e := syscall.Syscall(syscall.SYS_IOCTL, f.Fd(), shutdownIoctl, uintptr(unsafe.Pointer(&flag))); e != 0 {
		return fmt.Errorf("cut the power: %w", e)
	}
	return nil
}

// fill takes all room that is left, in one file.
func (d *Disk) fill(path string) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }()
	var size int64
	for step := int64(512 << 20); step >= 4<<10; {
		err := syscall.Fallocate(int(f.Fd()), 0, size, step)
		switch {
		case err == nil:
			size += step
		case errors.Is(err, syscall.ENOSPC):
			step /= 2
		case errors.Is(err, syscall.EINTR):
		default:
			return fmt.Errorf("fill the disk: %w", err)
		}
	}
	return nil
}
