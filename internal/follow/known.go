package follow

import (
	"time"

	"huskline/internal/fault"
)

// KnownBy refuses a question about what is known at a time that is not there yet: its answer would change.
func KnownBy(at, now time.Time) error {
	if at.After(now) {
		return fault.Invalid("known_at_in_future", "known_at %s: it is after the service's clock, %s; nobody knows yet what will be known then",
			at.UTC().Format(time.RFC3339Nano), now.UTC().Format(time.RFC3339Nano))
	}
	return nil
}
