package pgserver

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"huskline/internal/fault"
)

// oldest is the oldest major version accepted: older ones get no corrections any more.
const oldest = 14

// install is what a person is told to do when there is no Postgres.
const install = "install PostgreSQL 14 or newer (on Debian or Ubuntu: apt-get install postgresql; on macOS: brew install postgresql)"

var (
	errNotInstalled = errors.New("no usable PostgreSQL is installed")
	versionPattern  = regexp.MustCompile(`\(PostgreSQL\) ([0-9]+)`)
)

// binaries is a folder that holds initdb and postgres, and their major version.
type binaries struct {
	dir   string
	major int
}

func (b binaries) initdb() string   { return filepath.Join(b.dir, "initdb") }
func (b binaries) postgres() string { return filepath.Join(b.dir, "postgres") }

// find looks for binaries: in dirs if given, else where initdb on the PATH really lives, where pg_config says, and in the folders packages use, newest first.
// A cluster that exists, made by major version want, needs that very version.
func find(ctx context.Context, dirs []string, want string) (binaries, error) {
	if dirs == nil {
		dirs = installed(ctx)
	}
	var seen []string
	for _, dir := range dirs {
		b, err := inspect(ctx, dir)
		switch {
		case err != nil || b.major < oldest:
		case want == "" || want == strconv.Itoa(b.major):
			return b, nil
		default:
			seen = append(seen, strconv.Itoa(b.major))
		}
	}
	if len(seen) > 0 {
		return binaries{}, fault.Precondition("postgres_version", "the data folder was made by PostgreSQL %s and only %s is installed: install version %s", want, strings.Join(seen, ", "), want)
	}
	return binaries{}, fault.Precondition("postgres_missing", "%w: %s", errNotInstalled, install)
}

func installed(ctx context.Context) []string {
	var dirs []string
	if path, err := exec.LookPath("initdb"); err == nil {
		if path, err = filepath.EvalSymlinks(path); err == nil {
			dirs = append(dirs, filepath.Dir(path))
		}
	}
	if out, err := exec.CommandContext(ctx, "pg_config", "--bindir").Output(); err == nil {
		dirs = append(dirs, strings.TrimSpace(string(out)))
	}
	for _, pattern := range []string{
		"/usr/lib/postgresql/*/bin", "/usr/pgsql-*/bin", "/usr/local/pgsql/bin",
		"/opt/homebrew/opt/postgresql@*/bin", "/usr/local/opt/postgresql@*/bin", "/Applications/Postgres.app/Contents/Versions/*/bin",
	} {
		found, err := filepath.Glob(pattern)
		if err != nil {
			continue
		}
		slices.SortFunc(found, func(a, b string) int { return cmp.Compare(number(b), number(a)) })
		dirs = append(dirs, found...)
	}
	return dirs
}

var numberPattern = regexp.MustCompile(`[0-9]+`)

// number is the first number of a path, the version in the folders above.
func number(path string) int {
	n, err := strconv.Atoi(numberPattern.FindString(path))
	if err != nil {
		return 0
	}
	return n
}

// inspect accepts a folder that holds both programs, neither a script: wrappers (of version managers, of distributions) pick another version by the environment, which the child does not get.
func inspect(ctx context.Context, dir string) (binaries, error) {
	b := binaries{dir: dir}
	for _, path := range []string{b.initdb(), b.postgres()} {
		if err := isProgram(path); err != nil {
			return b, err
		}
	}
	out, err := exec.CommandContext(ctx, b.postgres(), "--version").Output()
	if err != nil {
		return b, fmt.Errorf("ask %s for its version: %w", b.postgres(), err)
	}
	m := versionPattern.FindSubmatch(out)
	if m == nil {
		return b, fmt.Errorf("%s names no version: %q", b.postgres(), out)
	}
	b.major, err = strconv.Atoi(string(m[1]))
	return b, err
}

func isProgram(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 2)
	if _, err := f.Read(head); err != nil {
		return err
	}
	if bytes.Equal(head, []byte("#!")) {
		return fmt.Errorf("%s is a script", path)
	}
	return nil
}
