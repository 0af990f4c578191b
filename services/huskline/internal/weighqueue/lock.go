package weighqueue

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"huskline/internal/fault"
)

// lockFolder takes the folder for this process. The lock is the kernel's (flock), so that it ends with the process, also after kill -9; the pid in the
// file is for people.
func lockFolder(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		owner, _ := io.ReadAll(io.LimitReader(f, 32))
		return nil, errors.Join(fault.Precondition("queue_in_use", "it is in use by process %s: one queue serves one process", strings.TrimSpace(string(owner))), f.Close())
	}
	if err == nil {
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	if err != nil {
		return nil, errors.Join(err, f.Close())
	}
	return f, nil
}
