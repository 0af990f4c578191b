// Command bench measures the weigh door against what it could be compared with, in one run on one machine: a plant of three serve processes on a
// Postgres that flushes to the disk and a NATS of its own, called over TLS with a token, as a plant's systems do.
//
//	go run ./internal/dev bench door [--format json] [--runs 5]
//
// Every figure is the median of its runs; the two sides of a ratio take turns, so that what else the machine does meets both.
package main

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"syscall"
)

// sizes says how much is measured. The readings of one run are large against the cost of opening a stream, small against a disk.
type sizes struct {
	runs     int
	readings int // of a run of the stream, and of the loader
	singles  int // unary calls of a run
	small    int // readings around which the memory is first looked at, on a fresh plant
	large    int // readings before which it is looked at again
	commands int // deliveries of a run with or without the bus, and postings
	visible  int // deliveries watched for in the other service's live view
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s := sizes{runs: 5, readings: 100_000, singles: 2_000, small: 100_000, large: 2_000_000, commands: 400, visible: 200}
	format := flag.String("format", "table", "table or json")
	flag.IntVar(&s.runs, "runs", s.runs, "runs of each measurement; the median is printed")
	flag.IntVar(&s.large, "readings", s.large, "readings in the table when the memory is looked at for the last time")
	flag.Parse()
	if *format != "table" && *format != "json" || s.runs < 1 || s.large < 5*s.small || flag.NArg() > 0 {
		fmt.Fprintf(os.Stderr, "bench: --format table|json, --runs from 1, --readings from %d, nothing else\n", 5*s.small)
		os.Exit(2)
	}
	if err := measure(ctx, s, *format); err != nil {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// figures is what is printed: the ratios at the top, what they are made of below.
type figures struct {
	StreamVsLoader float64 `json:"stream_vs_loader"`
	StreamVsSingle float64 `json:"stream_vs_single"`
	MemoryFlat     float64 `json:"memory_flat"`
	WithoutBus     float64 `json:"without_bus"`

	Runs             int     `json:"runs"`
	StreamPerSecond  float64 `json:"stream_readings_per_second"`
	LoaderPerSecond  float64 `json:"loader_rows_per_second"`
	SinglePerSecond  float64 `json:"single_readings_per_second"`
	MemorySmallBytes int64   `json:"memory_small_bytes"`
	MemoryLargeBytes int64   `json:"memory_large_bytes"`
	ReadingsSmall    int     `json:"readings_small"`
	ReadingsLarge    int     `json:"readings_large"`
	WithBusPerSecond float64 `json:"commands_per_second_with_bus"`
	NoBusPerSecond   float64 `json:"commands_per_second_without_bus"`
	Visible50Millis  float64 `json:"acknowledged_to_visible_p50_ms"`
	Visible99Millis  float64 `json:"acknowledged_to_visible_p99_ms"`
	Post1PerSecond   float64 `json:"post_movement_per_second_1_writer"`
	Post8PerSecond   float64 `json:"post_movement_per_second_8_writers"`
}

func measure(ctx context.Context, s sizes, format string) (err error) {
	h := newHost(ctx)
	defer func() { err = h.close(recover(), err) }()
	p := newPlant(h)
	f := figures{Runs: s.runs, ReadingsSmall: s.small, ReadingsLarge: s.large}
	for _, step := range []struct {
		name string
		do   func(*plant, sizes, *figures)
	}{
		{"memory", measureMemory},
		{"stream, loader and single calls", measureFeed},
		{"commands with and without NATS", measureBus},
		{"acknowledged to visible", measureVisible},
		{"PostMovement", measurePosts},
	} {
		fmt.Fprintf(os.Stderr, "%s ...\n", step.name)
		step.do(p, s, &f)
	}
	return show(os.Stdout, f, format)
}

func show(out io.Writer, f figures, format string) error {
	if format == "json" {
		return json.NewEncoder(out).Encode(f)
	}
	for _, line := range []struct {
		name  string
		value float64
		note  string
	}{
		{"stream_vs_loader", f.StreamVsLoader, fmt.Sprintf("bar 0.75: %.0f readings/s by the stream, %.0f rows/s by the bare loader", f.StreamPerSecond, f.LoaderPerSecond)},
		{"stream_vs_single", f.StreamVsSingle, fmt.Sprintf("bar 40: %.0f readings/s by single calls, 32 in flight", f.SinglePerSecond)},
		{"memory_flat", f.MemoryFlat, fmt.Sprintf("bar 0.9: %d MiB at %d readings, %d MiB at %d", f.MemorySmallBytes>>20, f.ReadingsSmall, f.MemoryLargeBytes>>20, f.ReadingsLarge)},
		{"without_bus", f.WithoutBus, fmt.Sprintf("bar 0.9: %.0f commands/s with NATS, %.0f without", f.WithBusPerSecond, f.NoBusPerSecond)},
	} {
		fmt.Fprintf(out, "%-18s %7.2f   %s\n", line.name, line.value, line.note)
	}
	fmt.Fprintf(out, "acknowledged to visible in another service's live view: p50 %.1f ms, p99 %.1f ms\n", f.Visible50Millis, f.Visible99Millis)
	_, err := fmt.Fprintf(out, "PostMovement: %.0f commands/s with 1 writer, %.0f with 8\n", f.Post1PerSecond, f.Post8PerSecond)
	return err
}

// median is the middle of the values, the lower one of two.
func median(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[(len(sorted)-1)/2]
}

// quantile is the smallest value that at least a share of q of the values do not exceed.
func quantile(values []float64, q float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	at := int(q * float64(len(sorted)))
	return sorted[min(at, len(sorted)-1)]
}
