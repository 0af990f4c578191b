package scales

import (
	"context"
	"log/slog"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"huskline/services/intake/internal/scale"
)

// pageOfStates is how many scales are read at once.
const pageOfStates = 500

// states are all scales.
func (s *Server) states(ctx context.Context) (all []scale.State, err error) {
	for after := ""; ; {
		page, err := s.reads.ScaleStates(ctx, after, pageOfStates)
		if err != nil {
			return nil, err
		}
		all = append(all, page...)
		if len(page) < pageOfStates {
			return all, nil
		}
		after = page[len(page)-1].Code
	}
}

// Watch raises the alarm when a scale falls silent inside its hours, and says when it is heard again, until ctx ends.
type Watch struct {
	server *Server
	logger *slog.Logger
	silent map[string]bool
}

// NewWatch makes a watch that knows of no silence yet.
func (s *Server) NewWatch(logger *slog.Logger) *Watch { return &Watch{s, logger, map[string]bool{}} }

// lookEvery is how often the watch looks: often against half an hour of silence, seldom against what a look costs.
const lookEvery = 15 * time.Second

// Run looks again and again, until ctx ends.
func (w *Watch) Run(ctx context.Context) {
	ticks := time.NewTicker(lookEvery)
	defer ticks.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticks.C:
			if err := w.Look(ctx); err != nil && ctx.Err() == nil {
				w.logger.WarnContext(ctx, "scales were not looked at", slog.String("error", err.Error()))
			}
		}
	}
}

// Look looks once. Each silence and its end is said once.
func (w *Watch) Look(ctx context.Context) error {
	states, err := w.server.states(ctx)
	if err != nil {
		return err
	}
	now := w.server.now()
	for _, s := range states {
		since, silent := s.Silent(now)
		switch {
		case silent && !w.silent[s.Code]:
			w.logger.ErrorContext(ctx, "scale is silent inside its hours", slog.String("scale", s.Code), slog.Time("since", since), slog.Duration("limit", s.Silence))
		case !silent && w.silent[s.Code]:
			w.logger.InfoContext(ctx, "scale is silent no more", slog.String("scale", s.Code), slog.Time("heard", s.Heard))
		}
		w.silent[s.Code] = silent
	}
	return nil
}

// gauges measures every scale when somebody asks. There are as many of each as scales are registered.
type gauges struct{ server *Server }

// Gauges are the scales as metrics.
func (s *Server) Gauges() prometheus.Collector { return gauges{s} }

// measure is one metric of a scale.
type measure struct {
	desc  *prometheus.Desc
	kind  prometheus.ValueType
	value func(s scale.State, now time.Time) (float64, bool)
}

func desc(name, help string) *prometheus.Desc {
	return prometheus.NewDesc("huskline_scale_"+name, help, []string{"scale"}, nil)
}

func always(value float64) (float64, bool) { return value, true }

func truth(is bool) (float64, bool) {
	if is {
		return 1, true
	}
	return 0, true
}

var measures = []measure{
	{desc("watermark", "Highest sequence answered without gap."), prometheus.GaugeValue, func(s scale.State, _ time.Time) (float64, bool) { return always(float64(s.Watermark)) }},
	{desc("missing", "Sequence numbers below the highest that are not stored."), prometheus.GaugeValue, func(s scale.State, _ time.Time) (float64, bool) { return always(float64(s.Missing())) }},
	{desc("lateness_seconds", "How long the newest live reading of the last batch had waited."), prometheus.GaugeValue, func(s scale.State, _ time.Time) (float64, bool) { return s.Late.Seconds(), !s.Newest.IsZero() }},
	{desc("clock_offset_seconds", "What the sender's clock was ahead when it last told."), prometheus.GaugeValue, func(s scale.State, _ time.Time) (float64, bool) {
		if s.Offset == nil {
			return 0, false
		}
		return always(s.Offset.Seconds())
	}},
	{desc("readings_per_hour", "Live readings stored in the last sixty minutes."), prometheus.GaugeValue, func(s scale.State, now time.Time) (float64, bool) { return always(float64(s.Rate(now))) }},
	{desc("stored_total", "Readings stored."), prometheus.CounterValue, func(s scale.State, _ time.Time) (float64, bool) { return always(float64(s.Stored)) }},
	{desc("refused_total", "Readings refused."), prometheus.CounterValue, func(s scale.State, _ time.Time) (float64, bool) { return always(float64(s.Refused)) }},
	{desc("conflicts_total", "Readings kept apart because their sequence was taken by another content."), prometheus.CounterValue, func(s scale.State, _ time.Time) (float64, bool) { return always(float64(s.Conflicts)) }},
	{desc("silent", "1 while the scale is silent inside its hours: an alarm."), prometheus.GaugeValue, func(s scale.State, now time.Time) (float64, bool) {
		_, silent := s.Silent(now)
		return truth(silent)
	}},
	{desc("in_service", "1 while the scale is in service."), prometheus.GaugeValue, func(s scale.State, _ time.Time) (float64, bool) { return truth(s.InService) }},
	{desc("check_failed", "1 while its latest check with test weights stands failed."), prometheus.GaugeValue, func(s scale.State, _ time.Time) (float64, bool) { return truth(s.Failed) }},
}

// Describe names what is measured.
func (g gauges) Describe(ch chan<- *prometheus.Desc) {
	for _, m := range measures {
		ch <- m.desc
	}
}

// Collect measures. Where the scales cannot be read now nothing is said, which is itself to be seen.
func (g gauges) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	states, err := g.server.states(ctx)
	if err != nil {
		return
	}
	now := g.server.now()
	for _, s := range states {
		for _, m := range measures {
			if value, known := m.value(s, now); known {
				ch <- prometheus.MustNewConstMetric(m.desc, m.kind, value, s.Code)
			}
		}
	}
}
