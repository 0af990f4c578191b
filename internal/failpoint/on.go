//go:build failpoint

package failpoint

import (
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
)

// Enabled tells whether this build can be made to fail on purpose.
const Enabled = true

var hits = new(atomic.Int64)

// Hit kills the process with SIGKILL, no deferred call run, when HUSKLINE_FAILPOINT is "NAME" or "NAME:N" and this is the N-th hit of NAME.
func Hit(name string) {
	want, nth, counted := strings.Cut(os.Getenv("HUSKLINE_FAILPOINT"), ":")
	if want != name {
		return
	}
	n := hits.Add(1)
	if counted {
		if limit, err := strconv.ParseInt(nth, 10, 64); err != nil || n != limit {
			return
		}
	}
	_ = syscall.Kill(syscall.Getpid(), syscall.SIGKILL)
	select {}
}
