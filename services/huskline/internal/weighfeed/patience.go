package weighfeed

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/rpc"
)

// Patience says how long a command that was not answered is repeated.
type Patience struct {
	Now  func() time.Time
	Call time.Duration // of one try
	All  time.Duration // of all tries of one command
}

// The pauses between tries.
const (
	firstPause = 50 * time.Millisecond
	lastPause  = 2 * time.Second
)

// Do calls until there is an answer, or All has passed. The caller sends the same message, and so the same id, each time. Only "unavailable" is no
// answer. The error is a fault where the service gave one, and the context's own once that is done.
func (p Patience) Do(ctx context.Context, call func(context.Context) error) error {
	return p.repeat(ctx, func() error { return p.try(ctx, call) })
}

// repeat is Do for what keeps its own time.
func (p Patience) repeat(ctx context.Context, call func() error) error {
	deadline := p.Now().Add(p.All)
	for pause := firstPause; ; pause = min(2*pause, lastPause) {
		err := call()
		if err != nil && ctx.Err() != nil {
			return ctx.Err()
		}
		if fault.KindOf(err) != fault.KindUnavailable || !p.Now().Before(deadline) {
			return err
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-timer.C:
		}
	}
}

// try is one call. Once its time has passed, whatever error comes back says no more than that.
func (p Patience) try(ctx context.Context, call func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, p.Call)
	defer cancel()
	err := call(ctx)
	if err != nil && ctx.Err() != nil {
		return fault.Unavailable("no_answer", "no answer within %s: %v", p.Call, err)
	}
	return rpc.FromStatus(err)
}
