package rpc

import (
	"context"
	"time"

	"google.golang.org/grpc/metadata"

	"huskline/internal/fault"
)

// ClockHeader is the metadata key of what the sender's clock says when it sends, in RFC 3339 with a zone: so a late reading and a wrong clock can be
// told apart. It is no part of the message, since the same message may be sent again later.
const ClockHeader = "huskline-clock"

// ClockOf is what the sender's clock said; the zero time where it did not tell.
func ClockOf(ctx context.Context) (time.Time, error) {
	md, _ := metadata.FromIncomingContext(ctx)
	texts := md.Get(ClockHeader)
	if len(texts) == 0 {
		return time.Time{}, nil
	}
	at, err := time.Parse(time.RFC3339Nano, texts[0])
	if err != nil {
		return time.Time{}, fault.Invalid("clock_malformed", "%s %q: it reads like 2025-11-25T08:00:00.25Z, with a zone", ClockHeader, texts[0])
	}
	return at, nil
}

// WithClock makes an outgoing call tell the sender's clock.
func WithClock(ctx context.Context, now time.Time) context.Context {
	return metadata.AppendToOutgoingContext(ctx, ClockHeader, now.UTC().Format(time.RFC3339Nano))
}
