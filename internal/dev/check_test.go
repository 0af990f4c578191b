package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// TestRunStepsGoesOn shows that a fault does not hide the ones behind it, and that words are shown for faults only.
func TestRunStepsGoesOn(t *testing.T) {
	t.Parallel()
	say := func(words string, err error) func(context.Context, workspace, io.Writer) error {
		return func(_ context.Context, _ workspace, out io.Writer) error {
			fmt.Fprintln(out, words)
			return err
		}
	}
	var out bytes.Buffer
	err := runSteps(t.Context(), workspace{stdout: &out}, []step{
		{"first", say("one is wrong", errors.New("1 wrong"))},
		{"second", say("nothing to say", nil)},
		{"third", say("three is wrong", errors.New("3 wrong"))},
	})
	if got, want := fmt.Sprint(err), "2 of 3 checks found faults: first, third"; got != want {
		t.Errorf("runSteps: got error %q, want %q", got, want)
	}
	for _, want := range []string{"    one is wrong\n    1 wrong\n", "second                 ok", "    three is wrong\n"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("runSteps: got\n%s\nwant %q in it", out.String(), want)
		}
	}
	if strings.Contains(out.String(), "nothing to say") {
		t.Errorf("runSteps: got\n%s\nwant no words of a step without fault", out.String())
	}
}

func TestRunStepsStops(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	stopping := step{"first", func(context.Context, workspace, io.Writer) error { cancel(); return nil }}
	never := step{"second", func(context.Context, workspace, io.Writer) error { t.Error("second ran after the stop"); return nil }}
	err := runSteps(ctx, workspace{stdout: io.Discard}, []step{stopping, never})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("runSteps after a stop: got %v, want %v", err, context.Canceled)
	}
}

func TestCompareGenerated(t *testing.T) {
	t.Parallel()
	fresh, kept := t.TempDir(), t.TempDir()
	write(t, fresh, map[string]string{"a/v1/same.pb.go": "1", "a/v1/new.pb.gw.go": "1", "a/v1/old.pb.go": "2", "all.swagger.json": "{}"})
	write(t, kept, map[string]string{
		"a/v1/same.pb.go": "1", "a/v1/old.pb.go": "1", "a/v1/left_grpc.pb.go": "1", "all.swagger.json": "{}",
		"a/v1/a.proto": "not generated", "a/v1/doc.go": "not generated",
	})
	got, err := compareGenerated(fresh, kept)
	require.NoError(t, err)
	want := []string{
		"a/v1/left_grpc.pb.go: no contract yields it any more",
		"a/v1/new.pb.gw.go: missing",
		"a/v1/old.pb.go: out of date",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("compareGenerated (-want +got):\n%s", diff)
	}
}

func TestCheckFormat(t *testing.T) {
	t.Parallel()
	root := t.TempDir()
	write(t, root, map[string]string{"good.go": "package x\n", "bad.go": "package  x\n", "made.pb.go": "package  x\n"})
	var out bytes.Buffer
	err := checkFormat(t.Context(), workspace{root: root}, &out)
	if err == nil || out.String() != "bad.go\n" {
		t.Errorf("checkFormat: got error %v and %q, want an error and %q", err, out.String(), "bad.go\n")
	}
}

func write(t *testing.T, dir string, files map[string]string) {
	t.Helper()
	for name, text := range files {
		path := filepath.Join(dir, filepath.FromSlash(name))
		require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
	}
}
