package link

import (
	"context"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

var (
	backlogDesc    = prometheus.NewDesc("huskline_outbox_backlog", "Events recorded and not yet published.", nil, nil)
	backlogAgeDesc = prometheus.NewDesc("huskline_outbox_oldest_seconds", "Age of the oldest event not yet published.", nil, nil)
	behindDesc     = prometheus.NewDesc("huskline_inbox_behind", "Events of another service known to be there and not settled.", []string{"producer"}, nil)
	quarantineDesc = prometheus.NewDesc("huskline_inbox_quarantine", "Events of another service in quarantine.", []string{"producer"}, nil)
	busDesc        = prometheus.NewDesc("huskline_bus_connected", "1 while the bus is there.", nil, nil)
	writesDesc     = prometheus.NewDesc("huskline_writes_open", "1 once the service knows that its past is complete and lets writes through.", nil, nil)
	busErrorsDesc  = prometheus.NewDesc("huskline_bus_errors_total", "Errors the bus reported by itself: each is an alarm.", nil, nil)
)

// gauges measures the link when somebody asks.
type gauges struct{ link *Link }

// Describe names what is measured.
func (g *gauges) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{backlogDesc, backlogAgeDesc, behindDesc, quarantineDesc, busDesc, writesDesc, busErrorsDesc} {
		ch <- d
	}
}

// Collect measures. What cannot be read now is left out, which is itself to be seen.
func (g *gauges) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	if count, age, err := g.link.relay.Backlog(ctx); err == nil {
		gauge(backlogDesc, float64(count))
		gauge(backlogAgeDesc, age.Seconds())
	}
	for _, lag := range g.link.inbox.Lags() {
		gauge(behindDesc, float64(lag.Behind), string(lag.Applied.Producer))
		gauge(quarantineDesc, float64(lag.Quarantine), string(lag.Applied.Producer))
	}
	gauge(busDesc, truth(!g.link.Degraded()))
	gauge(writesDesc, truth(g.link.recovery.Open()))
	if b := g.link.cfg.Bus; b != nil {
		ch <- prometheus.MustNewConstMetric(busErrorsDesc, prometheus.CounterValue, float64(b.Stats().AsyncErrors))
	}
}

func truth(is bool) float64 {
	if is {
		return 1
	}
	return 0
}
