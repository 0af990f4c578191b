package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// ruleBreak is a deliberate fault in the code of a service or of what they share: a piece of a file with what stands in its place.
type ruleBreak struct {
	name, what, file string
	old, new         string
}

// breaksDir holds them, one to a file, told from the top of the tree.
const breaksDir = "internal/sim/testdata/breaks"

// readBreak reads a file of the form: what it does, "file PATH", then between <<<<, ==== and >>>> the old text and the new.
func readBreak(path string) (ruleBreak, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return ruleBreak{}, err
	}
	what, rest, _ := strings.Cut(string(text), "\nfile ")
	file, rest, _ := strings.Cut(rest, "\n<<<<\n")
	old, rest, _ := strings.Cut(rest, "\n====\n")
	fresh, _, ok := strings.Cut(rest, "\n>>>>")
	if !ok {
		return ruleBreak{}, fmt.Errorf("%s: it is not of the form of a break", path)
	}
	return ruleBreak{strings.TrimSuffix(filepath.Base(path), ".txt"), what, file, old, fresh}, nil
}

// overlay writes the broken file and the list that lets the compiler take it in place of the sound one. The tree stays as it is.
func (b ruleBreak) overlay(root, dir string) (string, error) {
	sound, err := filepath.Abs(filepath.Join(root, filepath.FromSlash(b.file)))
	if err != nil {
		return "", err
	}
	text, err := os.ReadFile(sound)
	if err != nil {
		return "", err
	}
	if n := strings.Count(string(text), b.old); n != 1 {
		return "", fmt.Errorf("break %s: what it replaces stands %d times in %s, it must stand once", b.name, n, b.file)
	}
	broken := filepath.Join(dir, "broken.go")
	if err := os.WriteFile(broken, []byte(strings.Replace(string(text), b.old, b.new, 1)), 0o600); err != nil {
		return "", err
	}
	list, err := json.Marshal(map[string]map[string]string{"Replace": {sound: broken}})
	if err != nil {
		return "", err
	}
	at := filepath.Join(dir, "overlay.json")
	return at, os.WriteFile(at, list, 0o600)
}

// found builds the simulation with a break and runs it until it finds something, for at most limit. It tells what, and how long that took.
func (b ruleBreak) found(ctx context.Context, root string, limit time.Duration) (said string, took time.Duration, err error) {
	dir, err := os.MkdirTemp("", "huskline-break-")
	if err != nil {
		return "", 0, err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	list, err := b.overlay(root, dir)
	if err != nil {
		return "", 0, err
	}
	program := filepath.Join(dir, "run")
	build := exec.CommandContext(ctx, "go", "build", "-overlay", list, "-o", program, "./internal/sim/run")
	build.Dir = root
	if text, err := build.CombinedOutput(); err != nil {
		return "", 0, fmt.Errorf("break %s does not compile: %w\n%s", b.name, err, text)
	}
	begun := time.Now()
	text, err := exec.CommandContext(ctx, program, "--seeds", "1000000", "--failures", "1", "--limit", limit.String()).CombinedOutput()
	for line := range strings.Lines(string(text)) {
		if strings.Contains(line, "FAILED") {
			return strings.TrimSpace(line), time.Since(begun), nil
		}
	}
	if err != nil {
		return "", 0, fmt.Errorf("break %s: %w\n%s", b.name, err, text)
	}
	return "", time.Since(begun), nil
}

// readBreaks reads all breaks of a tree, by name.
func readBreaks(root string) ([]ruleBreak, error) {
	files, err := filepath.Glob(filepath.Join(root, filepath.FromSlash(breaksDir), "*.txt"))
	if err != nil || len(files) == 0 {
		return nil, fmt.Errorf("no breaks in %s: run it at the top of the tree (%v)", breaksDir, err)
	}
	var all []ruleBreak
	for _, f := range files {
		b, err := readBreak(f)
		if err != nil {
			return nil, err
		}
		all = append(all, b)
	}
	return all, nil
}

// runBreaks tries the breaks of which a name is given, or all, and prints who found each. It tells whether all were found.
func runBreaks(ctx context.Context, out io.Writer, names []string, limit time.Duration) (bool, error) {
	breaks, err := readBreaks(".")
	if err != nil {
		return false, err
	}
	all := true
	for _, b := range breaks {
		if len(names) > 0 && !slices.Contains(names, b.name) {
			continue
		}
		said, took, err := b.found(ctx, ".", limit)
		switch {
		case ctx.Err() != nil:
			return false, ctx.Err()
		case err != nil:
			all, said = false, err.Error()
		case said == "":
			all, said = false, "NOT FOUND"
		}
		if _, err := fmt.Fprintf(out, "%-22s %5.1f s  %s\n%24s%s\n", b.name, took.Seconds(), b.what, "", said); err != nil {
			return false, err
		}
	}
	return all, nil
}
