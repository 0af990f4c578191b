// Command cmd lets it storm: go run ./internal/dev storm --minutes N --seed S.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"huskline/internal/storm"
	"huskline/internal/storm/plant"
)

func main() {
	if plant.Child() {
		return
	}
	if done, code := plant.Alone(); done {
		os.Exit(code)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:])
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "storm:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("storm", flag.ContinueOnError)
	fresh := flags.Float64("fresh", 0, "minutes after which a new plant is begun, with the next seed: what a plant holds makes each start and check of it longer; 0: never")
	minutes := flags.Float64("minutes", 0, "how long it storms; 0: each fault once")
	seed := flags.Uint64("seed", 0, "which storm; 0: a new one")
	traders := flags.Int("traders", 4, "how many trade meanwhile")
	only := flags.String("only", "", "faults whose name contains one of these texts, separated by commas")
	dir := flags.String("dir", "", "where the plant lies, kept in any case; empty: a folder of its own, kept where something is found")
	program := flags.String("program", "", "the program, built with failpoints; empty: it is built")
	quick := flags.Bool("quick", false, "the quick set, as in the tests")
	list := flags.Bool("list", false, "print the faults and what must hold, and do nothing")
	if err := flags.Parse(args); err != nil {
		return err
	}
	var texts []string
	if *only != "" {
		texts = strings.Split(*only, ",")
	}
	faults := storm.Select(storm.Faults(), texts)
	if *quick {
		faults = storm.Select(storm.Quick(), texts)
	}
	if *list {
		for _, f := range faults {
			fmt.Printf("%-50s %s\n", f.Name, f.Holds)
		}
		return nil
	}
	if len(faults) == 0 {
		return fmt.Errorf("no fault is named like %q", *only)
	}
	if *seed == 0 {
		*seed = rand.Uint64() >> 32
	}
	cfg := storm.Config{Program: *program, Traders: *traders, Quick: *quick, Faults: faults, Out: os.Stdout, Hits: storm.Hits{}}
	again := fmt.Sprintf("--traders %d --only %q --quick=%v", *traders, *only, *quick)
	end := time.Now().Add(time.Duration(*minutes * float64(time.Minute)))
	for {
		cfg.Seed, cfg.Length = *seed, max(0, time.Until(end))
		if *fresh > 0 {
			cfg.Length = min(cfg.Length, time.Duration(*fresh*float64(time.Minute)))
		}
		folder := *dir
		if folder != "" && *fresh > 0 {
			folder = filepath.Join(folder, fmt.Sprint(*seed))
		}
		if err := one(ctx, cfg, folder, again); err != nil {
			return err
		}
		if *fresh <= 0 || !time.Now().Before(end) || ctx.Err() != nil {
			break
		}
		*seed++
	}
	if *fresh > 0 {
		fmt.Print("of all plants, ")
		cfg.Hits.Write(os.Stdout)
	}
	return nil
}

// one lets it storm on one plant, in a folder that is kept where something is found or where it was named.
func one(ctx context.Context, cfg storm.Config, dir, again string) error {
	cfg.Dir = dir
	if dir == "" {
		var err error
		if cfg.Dir, err = os.MkdirTemp("", "huskline-storm-"); err != nil {
			return err
		}
	} else if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := os.Chmod(cfg.Dir, 0o755); err != nil { // Postgres, which is not root, passes through it
		return err
	}
	fmt.Printf("storm with seed %d in %s\n", cfg.Seed, cfg.Dir)
	err := storm.Run(ctx, cfg)
	switch {
	case err != nil && !errors.Is(err, context.Canceled):
		return fmt.Errorf("%w; what there was lies in %s; the same again: go run ./internal/dev storm --seed %d --minutes %.1f %s", err, cfg.Dir, cfg.Seed, cfg.Length.Minutes(), again)
	case dir == "":
		return errors.Join(err, os.RemoveAll(cfg.Dir))
	}
	return err
}
