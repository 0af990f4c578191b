package follow

import (
	"testing"
	"time"

	"huskline/internal/fault"
)

// What is not known yet cannot be asked for: the deliberate break it catches is an answer of now for a time to come, which changes.
func TestKnownByRefusesTheFuture(t *testing.T) {
	t.Parallel()
	now := time.Date(2025, 11, 3, 12, 0, 0, 0, time.UTC)
	for _, row := range []struct {
		ahead time.Duration
		want  string
	}{{-time.Hour, ""}, {0, ""}, {time.Microsecond, "known_at_in_future"}} {
		if err := KnownBy(now.Add(row.ahead), now); fault.ReasonOf(err) != row.want {
			t.Errorf("%v ahead: %v, want reason %q", row.ahead, err, row.want)
		}
	}
}
