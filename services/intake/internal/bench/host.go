package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"testing"
)

// host stands in for a test, so that the plant of the tests can be measured by a program: it owns what is to be taken away at the end, and turns
// a fatal failure into an error.
type host struct {
	testing.TB // for the method that only the testing package can write; no other of it is called
	ctx        context.Context
	cleanups   []func()
	dirs       []string
}

// failure is a fatal failure on its way up.
type failure struct{ error }

func newHost(ctx context.Context) *host { return &host{ctx: ctx} }

// close takes away what was made, and returns the failure that ended the run, if one did; recovered is what the caller recovered.
func (h *host) close(recovered any, err error) error {
	switch p := recovered.(type) {
	case nil:
	case failure:
		err = p.error
	default:
		defer panic(p)
	}
	for i := len(h.cleanups) - 1; i >= 0; i-- {
		h.cleanups[i]()
	}
	for _, dir := range h.dirs {
		err = errors.Join(err, os.RemoveAll(dir))
	}
	return err
}

// Helper marks nothing.
func (h *host) Helper() {}

// Name names the run.
func (h *host) Name() string { return "bench" }

// Context ends with the program.
func (h *host) Context() context.Context { return h.ctx }

// Cleanup keeps what is to be done at the end, last first.
func (h *host) Cleanup(f func()) { h.cleanups = append(h.cleanups, f) }

// TempDir makes a folder that is removed at the end.
func (h *host) TempDir() string {
	dir, err := os.MkdirTemp("", "huskline-bench-")
	if err != nil {
		h.Fatal(err)
	}
	h.dirs = append(h.dirs, dir)
	return dir
}

// Fatal ends the run.
func (h *host) Fatal(args ...any) { panic(failure{errors.New(fmt.Sprint(args...))}) }

// Fatalf ends the run.
func (h *host) Fatalf(format string, args ...any) { panic(failure{fmt.Errorf(format, args...)}) }

// Logf says something on standard error.
func (h *host) Logf(format string, args ...any) { fmt.Fprintf(os.Stderr, format+"\n", args...) }

// must is for what cannot be measured once it fails.
func (h *host) must(err error) {
	if err != nil {
		h.Fatal(err)
	}
}
