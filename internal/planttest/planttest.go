// Package planttest runs the built program as a plant would: an up on a data folder, or three serve processes on one Postgres and one NATS with
// certificates between them, killed and started again by their own process ids.
//
//	func TestMain(m *testing.M) { planttest.Main(m) }
//
//	func TestDrill(t *testing.T) {
//		up := planttest.Up(t, planttest.UpConfig{})
//		up.JSON(t, &got, "drill", "D-00001")
//
// The program is built once for each test binary, with the failpoints in it, so that a process can be told to kill itself at a named place.
package planttest

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// built is the program of this test binary; its mutex makes it the one thing that tests share.
var built = &build{}

type build struct {
	once sync.Once
	dir  string
	path string
	err  error
}

// Main runs the tests and then removes the program, if a test built it. It is to be called from TestMain.
func Main(m *testing.M) {
	defer built.remove()
	m.Run()
}

func (b *build) remove() {
	if b.dir != "" {
		_ = os.RemoveAll(b.dir)
	}
}

// Program is the path of the built program. It is built by the first test that asks.
func Program(t testing.TB) string {
	t.Helper()
	built.once.Do(built.make)
	if built.err != nil {
		t.Fatalf("build the program: %v", built.err)
	}
	return built.path
}

func (b *build) make() {
	if b.dir, b.err = os.MkdirTemp("", "huskline-planttest-"); b.err != nil {
		return
	}
	b.path, b.err = Build(context.Background(), b.dir)
}

// Build builds the program into a folder, with the failpoints in it, and returns its path.
func Build(ctx context.Context, dir string) (string, error) {
	path := filepath.Join(dir, "huskline")
	cmd := exec.CommandContext(ctx, "go", "build", "-tags", "failpoint", "-o", path, "huskline/services/huskline")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0") // as the image's, and so that libraries are compiled once for both
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return path, nil
}

// Result is how a command ended.
type Result struct {
	Code     int // -1 where a signal ended it
	Out, Err string
}

// commandLimit is longer than any command of a test takes on a busy machine; one that hangs fails its test.
const commandLimit = 2 * time.Minute

// Call runs the program to its end with nothing of this process's environment but what a program needs to find its tools.
func Call(t testing.TB, args ...string) Result {
	t.Helper()
	return CallWith(t, nil, args...)
}

// CallWith is Call with more in the environment.
func CallWith(t testing.TB, env []string, args ...string) Result {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), commandLimit)
	defer cancel()
	cmd := exec.CommandContext(ctx, Program(t), args...)
	var out, errout bytes.Buffer
	cmd.Env, cmd.Stdout, cmd.Stderr = environment(env...), &out, &errout
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) || ctx.Err() != nil {
		t.Fatalf("huskline %s: %v, %v\n%s", strings.Join(args, " "), err, ctx.Err(), errout.String())
	}
	return Result{Code: cmd.ProcessState.ExitCode(), Out: out.String(), Err: errout.String()}
}

// environment is PATH and HOME alone: a variable of the program set in somebody's shell must not reach a test.
func environment(more ...string) []string {
	return append([]string{"PATH=" + os.Getenv("PATH"), "HOME=" + os.Getenv("HOME")}, more...)
}

// OK is Call for a command that has to succeed; it returns what was printed.
func OK(t testing.TB, args ...string) string {
	t.Helper()
	r := Call(t, args...)
	if r.Code != 0 {
		t.Fatalf("huskline %s: exit %d, want 0\n%s", strings.Join(args, " "), r.Code, r.Err)
	}
	return r.Out
}

// Decode reads the one JSON value that a command printed, numbers as they were written where v lets them.
func Decode(t testing.TB, text string, v any) {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(text))
	d.UseNumber()
	if err := d.Decode(v); err != nil {
		t.Fatalf("decode %q: %v", text, err)
	}
}
