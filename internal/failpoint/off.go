//go:build !failpoint

package failpoint

import "time"

// Enabled tells whether this build can be made to fail on purpose.
const Enabled = false

// Hit marks a place in the code; it does nothing in this build.
func Hit(string) {}

// Clock is the clock of the program: now itself in this build.
func Clock(now func() time.Time) func() time.Time { return now }

// AckWait is the patience of the bus that was asked for: none in this build, 0.
func AckWait() time.Duration { return 0 }
