package main

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"huskline/internal/planttest"
)

func TestMain(m *testing.M) { planttest.Main(m) }

// command is a command line run in this process: the same code as the program's, without the cost of a start.
func command(t *testing.T, args ...string) planttest.Result {
	t.Helper()
	return commandWith(t.Context(), "", args...)
}

func commandWith(ctx context.Context, in string, args ...string) planttest.Result {
	var out, errout bytes.Buffer
	code := run(ctx, args, streams{strings.NewReader(in), &out, &errout})
	return planttest.Result{Code: code, Out: out.String(), Err: errout.String()}
}

// mustPrint is command for one that has to succeed; it returns what was printed.
func mustPrint(t *testing.T, args ...string) string {
	t.Helper()
	r := command(t, args...)
	if r.Code != exitDone {
		t.Fatalf("huskline %s: exit %d, want 0\n%s", strings.Join(args, " "), r.Code, r.Err)
	}
	return r.Out
}
