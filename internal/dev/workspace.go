package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"
)

// stopGrace is how long an interrupted tool gets to clean up (go test stops the databases it started) before it is killed.
const stopGrace = 10 * time.Second

// workspace is the tree that a task works on and where its words go.
type workspace struct {
	root   string
	stdout io.Writer
	stderr io.Writer
}

// findRoot returns the absolute path of the nearest folder, from dir upward, that holds go.mod.
func findRoot(dir string) (string, error) {
	start, err := filepath.Abs(dir)
	if err != nil {
		return "", fmt.Errorf("find the top of the tree: %v", err)
	}
	for d := start; ; d = filepath.Dir(d) {
		if _, err := os.Stat(filepath.Join(d, "go.mod")); err == nil {
			return d, nil
		}
		if filepath.Dir(d) == d {
			return "", fmt.Errorf("no go.mod in %s or above it", start)
		}
	}
}

// path returns the absolute path of a slash-separated path below the top.
func (ws workspace) path(rel string) string {
	return filepath.Join(ws.root, filepath.FromSlash(rel))
}

// exec runs a tool at the top of the tree, its words going to out, and waits for it. When ctx ends it is asked to stop.
func (ws workspace) exec(ctx context.Context, out io.Writer, name string, args ...string) error {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir = ws.root
	cmd.Stdout, cmd.Stderr = out, out
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = stopGrace
	if err := cmd.Run(); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	return nil
}

// tool runs a pinned tool of internal/tools/MODULE, which go builds on first use.
func (ws workspace) tool(ctx context.Context, out io.Writer, module string, args ...string) error {
	all := append([]string{"tool", "-modfile=internal/tools/" + module + "/go.mod"}, args...)
	if err := ws.exec(ctx, out, "go", all...); err != nil {
		return fmt.Errorf("%s: %w", args[0], err)
	}
	return nil
}
