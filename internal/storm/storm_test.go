package storm_test

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"huskline/internal/storm"
	"huskline/internal/storm/plant"
)

func TestMain(m *testing.M) {
	if plant.Child() {
		return
	}
	if done, code := plant.Alone(); done {
		os.Exit(code)
	}
	os.Exit(m.Run())
}

// TestStorm makes faults of every family once, small, and checks everything after each. It catches a fault that cannot be made any more, and what breaks at the
// first blow; the long storm catches the rest. On a failure the plant is kept.
func TestStorm(t *testing.T) {
	if testing.Short() {
		t.Skip("it starts whole plants")
	}
	t.Parallel()
	dir, err := os.MkdirTemp("", "huskline-storm-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	program, err := plant.Build(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	out, err := os.Create(filepath.Join(dir, "out.txt"))
	if err != nil {
		t.Fatal(err)
	}
	const seed = 1
	began := time.Now()
	err = storm.Run(t.Context(), storm.Config{Dir: dir, Program: program, Seed: seed, Traders: 3, Quick: true, Faults: storm.Quick(), Out: out})
	text, _ := os.ReadFile(out.Name())
	t.Logf("%v\n%s", time.Since(began), text)
	if err != nil {
		t.Fatalf("%v; what there was lies in %s", err, dir)
	}
	if err := os.RemoveAll(dir); err != nil {
		t.Error(fmt.Errorf("clean up: %w", err))
	}
}
