package inbox

import (
	"context"
	"time"
)

// A pause after a failure starts short, since most pass at once, and stays under the 30 s within which every event must reach every
// consumer after a fault has ended.
const (
	firstPause = 50 * time.Millisecond
	lastPause  = 5 * time.Second
)

// backoff is the pause after repeated failures.
type backoff struct{ next time.Duration }

// sleep waits, longer each time. Past the first pause, wake ends it.
func (b *backoff) sleep(ctx context.Context, wake <-chan struct{}) {
	pause := max(b.next, firstPause)
	b.next = min(2*pause, lastPause)
	if wait(ctx, nil, firstPause) && pause > firstPause {
		wait(ctx, wake, pause-firstPause)
	}
}

func (b *backoff) reset() { b.next = 0 }

// wait tells whether the time passed; it ends early with ctx, or when woken.
func wait(ctx context.Context, wake <-chan struct{}, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-wake:
	case <-timer.C:
		return true
	}
	return false
}
