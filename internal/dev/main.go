// Command dev is the task runner of Huskline's developers: it generates code from the contracts, runs every check that
// a commit has to pass, and measures. Run it at the top of the tree: go run ./internal/dev check.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"
)

// Exit statuses, the same as the program's: 80 for wrong usage, so that scripts can tell it from a failed check.
const (
	exitFailed = 1
	exitUsage  = 80
)

// errUsage marks a command line that names no task or names one wrongly.
var errUsage = errors.New("wrong usage")

// task is one thing that dev can do.
type task struct {
	name string
	args string
	does string
	run  func(ctx context.Context, ws workspace, args []string) error
}

func tasks() []task {
	return []task{
		{"check", "[--quick]", "everything a commit has to pass; --quick leaves out the tests", check},
		{"generate", "", "make the Go code and the OpenAPI file from the contracts in proto/", generate},
		{"publish", "", "record the contracts as released: later changes are held against them", publish},
		{"storm", "[--minutes N] [--seed S] [--only TEXT,…]", "break a plant on purpose while it works, and check it after each fault", stormy},
		{"bench", "NAME", "run a measurement; without a name, list them", bench},
		{"sim", "[--seed S] [--seeds N] …", "run the deterministic simulation; --help lists the rest", simulate},
	}
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	switch {
	case errors.Is(err, errUsage):
		fmt.Fprintf(os.Stderr, "dev: %v\n%s", err, usage())
		os.Exit(exitUsage)
	case err != nil:
		fmt.Fprintf(os.Stderr, "dev: %v\n", err)
		os.Exit(exitFailed)
	}
}

func run(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	if len(args) == 0 {
		return fmt.Errorf("%w: no task named", errUsage)
	}
	for _, t := range tasks() {
		if t.name != args[0] {
			continue
		}
		root, err := findRoot(".")
		if err != nil {
			return err
		}
		return t.run(ctx, workspace{root: root, stdout: stdout, stderr: stderr}, args[1:])
	}
	return fmt.Errorf("%w: no task %q", errUsage, args[0])
}

func usage() string {
	var b strings.Builder
	b.WriteString("usage: go run ./internal/dev TASK\n")
	for _, t := range tasks() {
		fmt.Fprintf(&b, "  %-20s %s\n", strings.TrimSpace(t.name+" "+t.args), t.does)
	}
	return b.String()
}
