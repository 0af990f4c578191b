package scales

import (
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/services/intake/internal/scale"
)

// healthColumns is what the driver gives of a feed in other types than its own.
type healthColumns struct {
	newest, heard, hour *time.Time
	late, offset        *int64
	times               []time.Time
	sequences           []int64
	reasons, messages   []string
}

func (c *healthColumns) into(h *scale.Health) []any {
	return []any{
		&h.Highest, &c.newest, &c.heard, &c.late, &c.offset, &h.Refused, &c.hour, &h.InHour, &h.HourBefore, &c.times, &c.sequences, &c.reasons, &c.messages,
	}
}

func (c *healthColumns) give(h *scale.Health) {
	h.Newest, h.Heard, h.Hour = given(c.newest), given(c.heard), given(c.hour)
	if c.late != nil {
		h.Late = time.Duration(*c.late) * time.Microsecond
	}
	if c.offset != nil {
		h.Offset = new(time.Duration(*c.offset) * time.Microsecond)
	}
	for i, at := range c.times {
		h.Faults = append(h.Faults, scale.Fault{At: at.UTC(), Sequence: c.sequences[i], Reason: c.reasons[i], Message: c.messages[i]})
	}
}

// QueueFaults puts faults, newest first, before those that are kept of a scale; the oldest fall out.
func QueueFaults(b *pgx.Batch, scaleID int32, faults []scale.Fault) {
	const keep = `insert into scale_faults as f (scale_id, times, sequences, reasons, messages) values ($1, $2, $3, $4, $5)
		on conflict (scale_id) do update set times = (excluded.times || f.times)[1:$6], sequences = (excluded.sequences || f.sequences)[1:$6],
		reasons = (excluded.reasons || f.reasons)[1:$6], messages = (excluded.messages || f.messages)[1:$6]`
	n := len(faults)
	times, sequences, reasons, messages := make([]time.Time, n), make([]int64, n), make([]string, n), make([]string, n)
	for i, f := range faults {
		times[i], sequences[i], reasons[i], messages[i] = f.At, f.Sequence, f.Reason, f.Message
	}
	b.Queue(keep, scaleID, times, sequences, reasons, messages, scale.MaxFaults)
}
