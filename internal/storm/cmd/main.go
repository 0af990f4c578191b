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
	folder := *dir
	if folder == "" {
		var err error
		if folder, err = os.MkdirTemp("", "huskline-storm-"); err != nil {
			return err
		}
	} else if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	if err := os.Chmod(folder, 0o755); err != nil { // Postgres, which is not root, passes through it
		return err
	}
	fmt.Printf("storm with seed %d in %s\n", *seed, folder)
	err := storm.Run(ctx, storm.Config{
		Dir: folder, Program: *program, Seed: *seed, Length: time.Duration(*minutes * float64(time.Minute)), Traders: *traders, Quick: *quick, Faults: faults, Out: os.Stdout,
	})
	switch {
	case err != nil && !errors.Is(err, context.Canceled):
		again := fmt.Sprintf("--seed %d --minutes %v --traders %d --only %q --quick=%v", *seed, *minutes, *traders, *only, *quick)
		return fmt.Errorf("%w; what there was lies in %s; the same again: go run ./internal/dev storm %s", err, folder, again)
	case *dir == "":
		return errors.Join(err, os.RemoveAll(folder))
	}
	return err
}
