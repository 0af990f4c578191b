// Package telemetry sets up what a service tells about itself: structured logs, counters, and traces when an endpoint is given.
package telemetry

import (
	"context"
	"io"
	"log/slog"
	"time"

	"github.com/exaring/otelpgx"
	"github.com/jackc/pgx/v5"
	"github.com/lmittmann/tint"
	"github.com/prometheus/client_golang/prometheus"
	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"
	"go.opentelemetry.io/otel/trace"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/stats"

	"go.opentelemetry.io/otel/attribute"
)

// Logger writes JSON lines, or coloured lines where a person looks on.
func Logger(w io.Writer, person bool, level slog.Level) *slog.Logger {
	if person {
		return slog.New(tint.NewTextHandler(w, &tint.Options{Level: level, TimeFormat: time.TimeOnly}))
	}
	return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}))
}

// Calls counts and times calls by method and code. No lot, batch or grower is ever a label.
type Calls struct{ seconds *prometheus.HistogramVec }

// callBuckets are seconds: a command takes about a millisecond, a drill some tens, a deadline ten thousands.
var callBuckets = []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, 1, 2.5, 10}

// NewCalls registers the histogram of calls.
func NewCalls(reg prometheus.Registerer) (*Calls, error) {
	c := &Calls{seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
		Name: "huskline_call_seconds", Help: "Calls answered, by method and status code.", Buckets: callBuckets,
	}, []string{"method", "code"})}
	return c, reg.Register(c.seconds)
}

// Observe counts one call.
func (c *Calls) Observe(method string, code codes.Code, took time.Duration) {
	c.seconds.WithLabelValues(method, code.String()).Observe(took.Seconds())
}

// Tracing is the traces of one service; the zero value traces nothing.
type Tracing struct{ provider *sdktrace.TracerProvider }

// StartTracing sends traces to an OTLP endpoint ("collector:4317"); with an empty endpoint it traces nothing.
func StartTracing(ctx context.Context, endpoint, service string) (*Tracing, error) {
	if endpoint == "" {
		return &Tracing{}, nil
	}
	exporter, err := otlptracegrpc.New(ctx, otlptracegrpc.WithEndpoint(endpoint), otlptracegrpc.WithInsecure())
	if err != nil {
		return nil, err
	}
	return &Tracing{provider: sdktrace.NewTracerProvider(
		sdktrace.WithBatcher(exporter),
		sdktrace.WithResource(resource.NewSchemaless(attribute.String("service.name", "huskline-"+service))),
	)}, nil
}

// Provider is where tracers come from; nil where nothing is traced.
func (t *Tracing) Provider() trace.TracerProvider {
	if t.provider == nil {
		return nil
	}
	return t.provider
}

// Server is the gRPC stats handler of a server; nil where nothing is traced.
func (t *Tracing) Server() stats.Handler {
	if t.provider == nil {
		return nil
	}
	return otelgrpc.NewServerHandler(otelgrpc.WithTracerProvider(t.provider), otelgrpc.WithPropagators(propagation.TraceContext{}))
}

// Client is the gRPC stats handler of a connection; nil where nothing is traced.
func (t *Tracing) Client() stats.Handler {
	if t.provider == nil {
		return nil
	}
	return otelgrpc.NewClientHandler(otelgrpc.WithTracerProvider(t.provider), otelgrpc.WithPropagators(propagation.TraceContext{}))
}

// Database traces queries; nil where nothing is traced.
func (t *Tracing) Database() pgx.QueryTracer {
	if t.provider == nil {
		return nil
	}
	return otelpgx.NewTracer(otelpgx.WithTracerProvider(t.provider))
}

// Propagator carries traces in the headers of messages; nil where nothing is traced.
func (t *Tracing) Propagator() propagation.TextMapPropagator {
	if t.provider == nil {
		return nil
	}
	return propagation.TraceContext{}
}

// Stop sends what is left.
func (t *Tracing) Stop(ctx context.Context) error {
	if t.provider == nil {
		return nil
	}
	return t.provider.Shutdown(ctx)
}
