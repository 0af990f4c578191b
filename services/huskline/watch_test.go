package main

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// watching is a `huskline watch` in this process.
type watching struct {
	t      *testing.T
	lines  chan string
	cancel context.CancelFunc
	ended  chan int
	errout *strings.Builder
}

func startWatch(t *testing.T, args ...string) *watching {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	r, w := io.Pipe()
	x := &watching{t: t, lines: make(chan string, 1000), cancel: cancel, ended: make(chan int, 1), errout: &strings.Builder{}}
	go func() {
		code := run(ctx, args, streams{strings.NewReader(""), w, x.errout})
		_ = w.Close()
		x.ended <- code
	}()
	go func() {
		defer close(x.lines)
		in := bufio.NewScanner(r)
		in.Buffer(nil, 4<<20) // a line has up to 1,000 readings
		for in.Scan() {
			x.lines <- in.Text()
		}
	}()
	t.Cleanup(cancel)
	return x
}

// next is the next message.
func (x *watching) next() watchObject {
	x.t.Helper()
	select {
	case line, ok := <-x.lines:
		require.True(x.t, ok, "the view ended: %s", x.errout)
		var o watchObject
		require.NoError(x.t, json.Unmarshal([]byte(line), &o), line)
		return o
	case <-time.After(commandLimit):
		x.t.Fatal("no message came")
		return watchObject{}
	}
}

// stop is ctrl-C; it gives the exit code.
func (x *watching) stop() int {
	x.t.Helper()
	x.cancel()
	select {
	case code := <-x.ended:
		return code
	case <-time.After(commandLimit):
		x.t.Fatal("watch does not end")
		return -1
	}
}

// TestWatchOverARestart: views go on by themselves when the plant is started again, with every delivery told once; open views do not keep the plant
// from stopping; a view that was left goes on from where it was. The deliberate breaks it catches: a door that waits for open views until its drain
// time is over, and a message told again after it.
func TestWatchOverARestart(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{Args: []string{"--grpc", planttest.FreePort(t)}})
	tr := openTrade(t, up.GRPC, readToken(t, up.Dir), "")
	flags := []string{"--data", up.Dir, "--format", "json", "watch"}
	const start = "inventory/1/0,intake/1/0,production/1/0,0"
	balances := startWatch(t, append(flags, "balances", "--after", start)...)
	runs := startWatch(t, append(flags, "runs", "--after", start)...)
	done(t, tr.intake.RecordDelivery, tr.delivery("W-1", 1_000, 1_000_000, 1))
	first := balances.next()
	require.Equal(t, "lot-received", first.Type)
	require.Len(t, first.Changes, 1)
	require.Equal(t, changeObject{"W-1", "NUT", "", "", "lb", "1000.0", "1000.0"}, first.Changes[0])

	begun := time.Now()
	up.Stop(t)
	if took := time.Since(begun); took > 10*time.Second { // with two open views; the drain time alone would be that long
		t.Errorf("stopping took %s", took)
	}
	up.Again(t)
	done(t, tr.intake.RecordDelivery, tr.delivery("W-2", 500, 1_000_000, 1))
	second := balances.next()
	require.Equal(t, "W-2", second.Changes[0].Lot)
	done(t, tr.production.RecordRun, tr.pass("W-R", "shell", 2, 0, input("W-1", 400), output("W-K", "HALVES", 200)))
	third := balances.next()
	require.Equal(t, "run-posted", third.Type)
	require.Len(t, third.Changes, 2)
	var what []string
	for len(what) < 3 {
		for _, r := range runs.next().Runs {
			require.Equal(t, "W-R", r.Run)
			what = append(what, r.What)
		}
	}
	require.ElementsMatch(t, []string{"opened", "posted", "completed"}, what)
	require.Equal(t, exitDone, balances.stop())
	require.Contains(t, balances.errout.String(), "go on with --after "+third.Resume)
	require.Equal(t, exitDone, runs.stop())

	again := startWatch(t, append(flags, "balances", "--lot", "W-1", "--after", first.Resume)...)
	require.Equal(t, third.At, again.next().At)
	require.Equal(t, exitDone, again.stop())
	t.Run("JSON door", func(t *testing.T) { watchOverHTTP(t, up, first.Resume, second.At) })
}

// watchOverHTTP reads a view as JSON objects, one per line.
func watchOverHTTP(t *testing.T, up *planttest.One, after, wantAt string) {
	ctx, cancel := context.WithTimeout(t.Context(), commandLimit)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+up.HTTP+"/v1/inventory/live/balances?after="+after, http.NoBody)
	require.NoError(t, err)
	req.Header.Set("Authorization", "Bearer "+readToken(t, up.Dir))
	resp, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer func() { _ = resp.Body.Close() }()
	require.Equal(t, http.StatusOK, resp.StatusCode)
	in := bufio.NewScanner(resp.Body)
	var m struct {
		Result struct {
			At struct{ Producer, Position string }
		}
	}
	for m.Result.At.Producer == "" { // the first message tells the position alone
		require.True(t, in.Scan())
		require.NoError(t, json.Unmarshal(in.Bytes(), &m), in.Text())
	}
	require.Equal(t, wantAt, m.Result.At.Producer+"/1/"+m.Result.At.Position)
}

// TestWatchReadings: every reading that is posted comes once, however the batches are cut.
func TestWatchReadings(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{})
	flags := []string{"--data", up.Dir, "--format", "json"}
	view := startWatch(t, append(flags, "watch", "readings", "--after", "intake/1/0,inventory/1/0,production/1/0,0")...)
	var lines strings.Builder
	lines.WriteString("scale,seq,time,reading,unit,kind,reference\n")
	const n = 2500
	for i := range n {
		lines.WriteString("W-S," + itoa(int64(i+1)) + ",2025-01-02T08:00:00Z,1000,LBR,gross,R\n")
	}
	r := commandWith(t.Context(), lines.String(), append(flags, "weigh", "-")...)
	require.Equal(t, exitDone, r.Code, r.Err)
	seen := map[int64]bool{}
	for len(seen) < n {
		for _, d := range view.next().Readings {
			require.False(t, seen[d.Seq], "reading %d came twice", d.Seq)
			seen[d.Seq] = true
		}
	}
	require.Equal(t, exitDone, view.stop())
}
