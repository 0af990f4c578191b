package scales

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"huskline/services/intake/internal/scale"
)

// register is scales as they stand in a list.
type register struct {
	Reads
	all []scale.State
}

func (r *register) ScaleStates(_ context.Context, after string, limit int) ([]scale.State, error) {
	var page []scale.State
	for _, s := range r.all {
		if s.Code > after && len(page) < limit {
			page = append(page, s)
		}
	}
	return page, nil
}

// 600 scales are worked with all week; each is an alarm after half an hour of silence. It catches a page that is left out, an alarm that is said at
// every look, and one that never ends.
func TestWatch(t *testing.T) {
	t.Parallel()
	now := time.Date(2025, 11, 3, 10, 0, 0, 0, time.UTC)
	reg := &register{}
	for i := range 600 {
		s := scale.State{Scale: scale.Scale{Code: fmt.Sprintf("W%03d", i), InService: true, Zone: "UTC", Silence: 30 * time.Minute}}
		for day := time.Sunday; day <= time.Saturday; day++ {
			s.Hours = append(s.Hours, scale.Hours{Day: day, Closes: 24 * time.Hour})
		}
		s.Heard = now
		reg.all = append(reg.all, s)
	}
	var log bytes.Buffer
	server := New(nil, reg, func() time.Time { return now })
	watch := server.NewWatch(slog.New(slog.NewTextHandler(&log, nil)))
	look := func() string {
		t.Helper()
		log.Reset()
		require.NoError(t, watch.Look(t.Context()))
		return log.String()
	}
	require.Empty(t, look())
	now = now.Add(31 * time.Minute)
	for i := range reg.all {
		if i != 599 {
			reg.all[i].Heard = now
		}
	}
	said := look()
	require.Equal(t, 1, strings.Count(said, "level=ERROR"), said)
	require.Contains(t, said, "scale=W599")
	require.Empty(t, look(), "said once")
	require.InDelta(t, 1, gauge(t, server, "huskline_scale_silent", "W599"), 0)
	reg.all[599].Heard = now
	require.Contains(t, look(), "scale is silent no more")
	require.InDelta(t, 0, gauge(t, server, "huskline_scale_silent", "W599"), 0)
}

// gauge is a metric of a scale.
func gauge(t *testing.T, server *Server, name, code string) float64 {
	t.Helper()
	reg := prometheus.NewPedanticRegistry()
	require.NoError(t, reg.Register(server.Gauges()))
	families, err := reg.Gather()
	require.NoError(t, err)
	for _, f := range families {
		for _, m := range f.GetMetric() {
			if f.GetName() == name && m.GetLabel()[0].GetValue() == code {
				return m.GetGauge().GetValue()
			}
		}
	}
	t.Fatalf("no %s of %s", name, code)
	return 0
}
