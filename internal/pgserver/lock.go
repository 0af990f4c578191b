package pgserver

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

// lockFolder takes the folder for this process. The lock is the kernel's (flock), so it ends with the process, also after kill -9; the pid in the file is for people.
// The file is never removed: two starts would then lock two files of one name.
func lockFolder(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fault.Precondition("data_folder_unusable", "lock data folder %s: %w", dir, err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		owner, _ := io.ReadAll(io.LimitReader(f, 32))
		f.Close()
		return nil, fault.Precondition("data_folder_in_use", "data folder %s is in use by process %s", dir, strings.TrimSpace(string(owner)))
	}
	if err == nil {
		err = f.Truncate(0)
	}
	if err == nil {
		_, err = f.WriteAt(fmt.Appendf(nil, "%d\n", os.Getpid()), 0)
	}
	if err != nil {
		f.Close()
		return nil, fault.Precondition("data_folder_unusable", "lock data folder %s: %w", dir, err)
	}
	return f, nil
}
