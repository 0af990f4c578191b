//go:build failpoint

package failpoint

import (
	"os"
	"strings"
	"sync"
	"time"
)

// clockEvery is how often the file of a clock that is off is read again.
const clockEvery = 50 * time.Millisecond

// Clock is now, off by what the file named by HUSKLINE_CLOCK says; a file that cannot be read leaves the clock as it was.
func Clock(now func() time.Time) func() time.Time {
	path := os.Getenv("HUSKLINE_CLOCK")
	if path == "" {
		return now
	}
	var mu sync.Mutex
	var off time.Duration
	var next time.Time
	return func() time.Time {
		real := now()
		mu.Lock()
		defer mu.Unlock()
		if !real.Before(next) {
			next = real.Add(clockEvery)
			if text, err := os.ReadFile(path); err == nil {
				if d, err := time.ParseDuration(strings.TrimSpace(string(text))); err == nil {
					off = d
				}
			}
		}
		return real.Add(off)
	}
}

// AckWait is what HUSKLINE_ACKWAIT says; 0 where it says nothing.
func AckWait() time.Duration {
	d, err := time.ParseDuration(os.Getenv("HUSKLINE_ACKWAIT"))
	if err != nil {
		return 0
	}
	return d
}
