package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// isGenerated tells whether a file below proto/ is made by `generate`.
func isGenerated(name string) bool {
	return strings.HasSuffix(name, ".pb.go") || strings.HasSuffix(name, ".pb.gw.go") || strings.HasSuffix(name, ".swagger.json")
}

// checkGenerated makes the generated code anew in a temporary folder and names each file that is missing from the
// tree, left over in it, or different.
func checkGenerated(ctx context.Context, ws workspace, out io.Writer) error {
	dir, err := os.MkdirTemp("", "huskline-generated-")
	if err != nil {
		return fmt.Errorf("make a folder to generate into: %v", err)
	}
	defer os.RemoveAll(dir)
	if err := generateInto(ctx, ws, out, dir); err != nil {
		return err
	}
	faults, err := compareGenerated(filepath.Join(dir, "proto"), ws.path("proto"))
	if err != nil {
		return err
	}
	if len(faults) > 0 {
		fmt.Fprintln(out, strings.Join(faults, "\n"))
		return errors.New("generated code is not what the contracts yield: go run ./internal/dev generate")
	}
	return nil
}

// compareGenerated returns one line per generated file that differs between the two folders, sorted.
func compareGenerated(fresh, kept string) ([]string, error) {
	want, err := readGenerated(fresh)
	if err != nil {
		return nil, err
	}
	got, err := readGenerated(kept)
	if err != nil {
		return nil, err
	}
	var faults []string
	for name, text := range want {
		if old, ok := got[name]; !ok {
			faults = append(faults, name+": missing")
		} else if !bytes.Equal(old, text) {
			faults = append(faults, name+": out of date")
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			faults = append(faults, name+": no contract yields it any more")
		}
	}
	slices.Sort(faults)
	return faults, nil
}

// readGenerated returns the generated files below dir by their slash-separated path.
func readGenerated(dir string) (map[string][]byte, error) {
	files := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !isGenerated(path) {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		files[filepath.ToSlash(rel)], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read generated code: %w", err)
	}
	return files, nil
}
