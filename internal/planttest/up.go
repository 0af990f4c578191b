package planttest

import (
	"os"
	"path/filepath"
	"testing"
)

// One is a plant in one process on a data folder.
type One struct {
	*Process
	Dir string
}

// UpConfig says where an up runs. Zero values take a new folder and free ports.
type UpConfig struct {
	Dir  string
	Args []string // more flags of up
}

// Up starts a plant in one process and waits until it is ready. What then runs of it is killed when the test ends.
func Up(t testing.TB, cfg UpConfig) *One {
	t.Helper()
	if cfg.Dir == "" {
		cfg.Dir = filepath.Join(t.TempDir(), "plant")
	}
	o := &One{Process: start(t, "up", append([]string{"up", "--data", cfg.Dir}, cfg.Args...), nil), Dir: cfg.Dir}
	t.Cleanup(func() { o.end() })
	return o
}

// Again starts the same plant on the same folder after it was stopped or killed; it is still taken away with the test that Up was called for.
func (o *One) Again(t testing.TB) {
	t.Helper()
	o.Process = start(t, "up", o.args, o.env)
}

// Call runs a client command on the plant.
func (o *One) Call(t testing.TB, args ...string) Result {
	t.Helper()
	return Call(t, append([]string{"--data", o.Dir, "--format", "json"}, args...)...)
}

// OK is Call for a command that has to succeed.
func (o *One) OK(t testing.TB, args ...string) string {
	t.Helper()
	return OK(t, append([]string{"--data", o.Dir, "--format", "json"}, args...)...)
}

// WriteFiles makes a folder of its own with the files given, for one a season folder.
func WriteFiles(t testing.TB, files map[string]string) string {
	t.Helper()
	dir := t.TempDir()
	for name, text := range files {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}
