// Command run runs the deterministic simulation over many seeds and prints what it found. A single seed that fails prints its schedule.
package main

import (
	"context"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/signal"
	"runtime"
	"runtime/debug"
	"slices"
	"syscall"
	"time"

	"huskline/internal/sim"
)

func main() {
	first := flag.Uint64("seed", 1, "the first seed")
	seeds := flag.Int("seeds", 1000, "how many seeds, one after the other; 1: its schedule is printed where it fails")
	commands := flag.Int("commands", 0, "commands of each seed; 0: as many as usual")
	broken := flag.String("break", "", "a deliberate break of the simulation's own protocol")
	limit := flag.Duration("limit", time.Hour, "the longest that it may take")
	workers := flag.Int("workers", runtime.GOMAXPROCS(0), "seeds side by side")
	reasons := flag.Bool("reasons", false, "print why commands were refused, too")
	failures := flag.Int("failures", 3, "stop after so many seeds that find something")
	breaks := flag.Bool("breaks", false, "break rules of the services on purpose, those named or all, and see each found within the limit, at most a minute")
	flag.Parse()
	debug.SetGCPercent(400) // seeds are small and many
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	ctx, cancel := context.WithTimeout(ctx, *limit)
	if *breaks {
		found, err := runBreaks(ctx, os.Stdout, flag.Args(), min(*limit, time.Minute))
		if err != nil {
			fmt.Fprintf(os.Stderr, "sim: %v\n", err)
		}
		cancel()
		stop()
		if !found {
			os.Exit(1)
		}
		return
	}
	v := sim.RunMany(sim.Batch{
		Failures: *failures,
		First:    *first, Seeds: *seeds, Commands: *commands, Break: sim.Break(*broken), Workers: *workers, Now: time.Now,
		Until: func() bool { return ctx.Err() != nil },
	})
	cancel()
	stop()
	if *seeds == 1 && len(v.Failed) > 0 {
		for _, line := range sim.Run(sim.Options{Seed: *first, Commands: *commands, Break: sim.Break(*broken), Trace: true}).Schedule {
			fmt.Println(line)
		}
	}
	if *reasons {
		for _, r := range slices.Sorted(maps.Keys(v.Refused)) {
			fmt.Printf("%9d  refused: %s\n", v.Refused[r], r)
		}
	}
	fmt.Printf("from seed %d: ", *first)
	if err := v.Write(os.Stdout); err != nil || len(v.Failed) > 0 {
		os.Exit(1)
	}
}
