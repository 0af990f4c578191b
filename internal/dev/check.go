package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
	"time"
)

// testTimeout bounds one package's tests: the longest, which play a whole season, take under five minutes on two cores
// with the race detector.
const testTimeout = "15m"

// step is one thing that check looks at. Its words are shown only when it fails.
type step struct {
	name string
	run  func(ctx context.Context, ws workspace, out io.Writer) error
}

// quickSteps are in the order of the time they take to tell a fault.
func quickSteps() []step {
	return []step{
		{"format", checkFormat},
		{"vet", command("go", "vet", "./...")},
		{"structure", command("go", "test", "-count=1", "./internal/archtest")},
		{"staticcheck", func(ctx context.Context, ws workspace, out io.Writer) error {
			return ws.tool(ctx, out, "lint", "staticcheck", "./...")
		}},
		{"contracts: lint", func(ctx context.Context, ws workspace, out io.Writer) error {
			return ws.tool(ctx, out, "buf", "buf", "lint", "proto", "--config", bufConfig)
		}},
		{"contracts: breaking", func(ctx context.Context, ws workspace, out io.Writer) error {
			return ws.tool(ctx, out, "buf", "buf", "breaking", "proto", "--config", bufConfig, "--against", published)
		}},
		{"contracts: generated", checkGenerated},
	}
}

func testSteps() []step {
	return []step{{"tests", command("go", "test", "-race", "-timeout", testTimeout, "./...")}}
}

// command is a step that runs one program at the top of the tree.
func command(name string, args ...string) func(context.Context, workspace, io.Writer) error {
	return func(ctx context.Context, ws workspace, out io.Writer) error {
		return ws.exec(ctx, out, name, args...)
	}
}

// check runs every step, also after one has failed, and reports all that did.
func check(ctx context.Context, ws workspace, args []string) error {
	steps := quickSteps()
	switch {
	case len(args) == 0:
		steps = append(steps, testSteps()...)
	case len(args) > 1 || args[0] != "--quick":
		return fmt.Errorf("%w: check takes --quick and nothing else, got %q", errUsage, args)
	}
	return runSteps(ctx, ws, steps)
}

func runSteps(ctx context.Context, ws workspace, steps []step) error {
	var failed []string
	for _, s := range steps {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("stopped before %s: %w", s.name, err)
		}
		var words bytes.Buffer
		begun := time.Now()
		err := s.run(ctx, ws, &words)
		verdict := "ok"
		if err != nil {
			verdict = "FAULT"
			failed = append(failed, s.name)
		}
		fmt.Fprintf(ws.stdout, "%-22s %-5s %6.1f s\n", s.name, verdict, time.Since(begun).Seconds())
		if err != nil {
			fmt.Fprint(ws.stdout, indent(words.String()+err.Error()))
		}
	}
	if len(failed) > 0 {
		return fmt.Errorf("%d of %d checks found faults: %s", len(failed), len(steps), strings.Join(failed, ", "))
	}
	return nil
}

func indent(text string) string {
	return "    " + strings.ReplaceAll(strings.TrimRight(text, "\n"), "\n", "\n    ") + "\n"
}
