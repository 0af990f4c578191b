package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestWrongUsage(t *testing.T) {
	t.Parallel()
	tests := [][]string{
		nil, {"chekc"}, {"check", "--fast"}, {"check", "--quick", "more"}, {"generate", "now"}, {"publish", "now"}, {"bench", "nothing"},
	}
	for _, args := range tests {
		t.Run(strings.Join(args, " "), func(t *testing.T) {
			t.Parallel()
			if err := run(t.Context(), args, io.Discard, io.Discard); !errors.Is(err, errUsage) {
				t.Errorf("run(%q): got %v, want %v", args, err, errUsage)
			}
		})
	}
}

func TestUsageNamesEveryTask(t *testing.T) {
	t.Parallel()
	text := usage()
	for _, task := range tasks() {
		if !strings.Contains(text, task.name) || !strings.Contains(text, task.does) {
			t.Errorf("usage: got\n%s\nwant task %s with what it does", text, task.name)
		}
	}
}

func TestFindRoot(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	write(t, top, map[string]string{"go.mod": "module x\n", "a/b/x.txt": ""})
	got, err := findRoot(filepath.Join(top, "a", "b"))
	if err != nil || got != top {
		t.Errorf("findRoot below a go.mod: got %q, %v; want %q", got, err, top)
	}
	if got, err := findRoot(t.TempDir()); err == nil {
		t.Errorf("findRoot without a go.mod: got %q, want an error", got)
	}
}

// TestBenches shows that each measurement named is a folder of the tree.
func TestBenches(t *testing.T) {
	t.Parallel()
	root, err := findRoot(".")
	require.NoError(t, err)
	for name, pkg := range benches() {
		if _, err := os.Stat(filepath.Join(root, filepath.FromSlash(pkg))); err != nil {
			t.Errorf("bench %s: %v", name, err)
		}
	}
	var out bytes.Buffer
	require.NoError(t, bench(t.Context(), workspace{stdout: &out}, nil))
	if got, want := strings.Count(out.String(), "\n"), len(benches()); got != want {
		t.Errorf("bench without a name: got %d lines, want %d", got, want)
	}
}
