package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// indicator is a scale on a socket that sends frames by itself: a load of its own weight comes, moves, stands still and goes, again and again.
type indicator struct {
	l     net.Listener
	mu    sync.Mutex
	shown string
}

func startIndicator(t *testing.T) *indicator {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	n := &indicator{l: l, shown: indicatorFrame("ZG ", 0)}
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				defer func() { _ = conn.Close() }()
				for {
					n.mu.Lock()
					shown := n.shown
					n.mu.Unlock()
					if _, err := io.WriteString(conn, shown); err != nil {
						return
					}
					time.Sleep(3 * time.Millisecond)
				}
			}()
		}
	}()
	t.Cleanup(func() { _ = l.Close() })
	return n
}

func indicatorFrame(state string, load int) string {
	return fmt.Sprintf("\n%s1%s%s %10dlb \r", state[0:1], state[1:2], state[2:3], load)
}

func (n *indicator) show(state string, load int) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.shown = indicatorFrame(state, load)
}

// weighLoads puts loads of 1001, 1002 … on the scale until stop is closed.
func (n *indicator) weighLoads(stop <-chan struct{}) {
	for load := 1001; ; load++ {
		for _, step := range []struct {
			state string
			load  int
			last  time.Duration
		}{{" GM", load - 9, 8}, {" G ", load, 60}, {" GM", 7, 8}, {"ZG ", 0, 25}} {
			n.show(step.state, step.load)
			select {
			case <-stop:
				return
			case <-time.After(step.last * time.Millisecond):
			}
		}
	}
}

// post is a `weigh --from` running as a process, and what it said it captured.
type post struct {
	cmd  *exec.Cmd
	errs strings.Builder
	done chan error
	mu   sync.Mutex
	said []weighEvent
}

func startPost(t *testing.T, args ...string) *post {
	t.Helper()
	p := &post{cmd: exec.Command(planttest.Program(t), append([]string{"--format", "json", "weigh"}, args...)...), done: make(chan error, 1)}
	p.cmd.Stderr = &p.errs
	out, err := p.cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, p.cmd.Start())
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var e weighEvent
			if json.Unmarshal(lines.Bytes(), &e) == nil {
				p.mu.Lock()
				p.said = append(p.said, e)
				p.mu.Unlock()
			}
		}
		p.done <- p.cmd.Wait()
	}()
	t.Cleanup(func() { _ = p.cmd.Process.Kill() })
	return p
}

func (p *post) events(name string) (out []weighEvent) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, e := range p.said {
		if e.Event == name {
			out = append(out, e)
		}
	}
	return out
}

func (p *post) end(t *testing.T, how os.Signal) int {
	t.Helper()
	_ = p.cmd.Process.Signal(how)
	select {
	case <-p.done:
	case <-time.After(commandLimit):
		t.Fatalf("weigh does not end after %v", how)
	}
	return p.cmd.ProcessState.ExitCode()
}

// readings is all that the plant has of a scale.
func readings(t *testing.T, up *planttest.One, scale string) []*intakev1.StoredReading {
	t.Helper()
	in := openPlant(t, up).intake
	var out []*intakev1.StoredReading
	for page := ""; ; {
		got, err := in.ListReadings(t.Context(), &intakev1.ListReadingsRequest{Scale: scale, PageSize: 1000, PageToken: page})
		require.NoError(t, err)
		out = append(out, got.GetReadings()...)
		if page = got.GetNextPageToken(); page == "" {
			return out
		}
	}
}

// TestKilledBesideTheScale kills what stands beside a scale by kill -9 at random moments, and the plant too, while loads come and go. Every load that was
// said to be captured is stored, once, with its number; no load is stored twice. It catches a number given twice, a batch sent again under another id, a
// reading told captured before it is on the disk, and a load captured again after a restart.
func TestKilledBesideTheScale(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{})
	scale := startIndicator(t)
	stop := make(chan struct{})
	go scale.weighLoads(stop)
	args := []string{"--data", up.Dir, "--from", "tcp://" + scale.l.Addr().String() + "?mode=continuous&stable=3", "--scale", "TRUCK-9", "--queue", filepath.Join(t.TempDir(), "q"), "--register"}
	seed := rand.Uint64()
	r := rand.New(rand.NewPCG(seed, 4))
	t.Logf("seed %d", seed)
	captured := map[int64]string{}
	note := func(p *post) {
		for _, e := range p.events("captured") {
			if was, twice := captured[e.Seq]; twice && was != e.Reading {
				t.Errorf("number %d was given to %s and to %s", e.Seq, was, e.Reading)
			}
			captured[e.Seq] = e.Reading
		}
	}
	for round := range 30 {
		p := startPost(t, args...)
		time.Sleep(time.Duration(100+r.IntN(600)) * time.Millisecond)
		if round%12 == 6 {
			up.Kill(t)
		}
		p.end(t, syscall.SIGKILL)
		note(p)
		if round%12 == 7 {
			up.Again(t)
		}
	}
	close(stop)
	scale.show("ZG ", 0)
	last := startPost(t, args...)
	time.AfterFunc(time.Second, func() { scale.show(" G ", 99_999) })
	require.Eventually(t, func() bool { return len(last.events("captured")) == 1 }, commandLimit, 20*time.Millisecond, "the load after all")
	note(last)
	require.Eventually(t, func() bool { return len(readings(t, up, "TRUCK-9")) >= len(captured) }, commandLimit, 200*time.Millisecond, "readings of the queue reach the plant")
	if code := last.end(t, syscall.SIGINT); code != exitDone {
		t.Errorf("exit %d after ctrl-C, want 0\n%s", code, last.errs.String())
	}
	if len(captured) < 30 {
		t.Fatalf("only %d loads were captured: the test proves nothing\n%s", len(captured), last.errs.String())
	}
	compareStored(t, captured, readings(t, up, "TRUCK-9"))
}

func compareStored(t *testing.T, captured map[int64]string, stored []*intakev1.StoredReading) {
	t.Helper()
	byNumber, byLoad := map[int64]string{}, map[string]int64{}
	for _, s := range stored {
		r := s.GetReading()
		if s.GetConflict() {
			t.Errorf("number %d is in conflict: %s", r.GetSequence(), r.GetDigits())
		}
		if other, twice := byLoad[r.GetDigits()]; twice {
			t.Errorf("load %s is stored as number %d and as number %d", r.GetDigits(), other, r.GetSequence())
		}
		byNumber[r.GetSequence()], byLoad[r.GetDigits()] = r.GetDigits(), r.GetSequence()
	}
	for seq, digits := range captured {
		if byNumber[seq] != digits {
			t.Errorf("number %d was captured as %s and is stored as %q", seq, digits, byNumber[seq])
		}
	}
	t.Logf("%d loads said to be captured, %d stored", len(captured), len(stored))
}

// TestWeighFrom stands beside scales of one plant.
func TestWeighFrom(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{Args: []string{"--grpc", planttest.FreePort(t)}})
	for name, check := range map[string]func(*testing.T, *planttest.One){
		"two devices claim one scale": claimedTwice, "a growing file": followedFile, "an unknown scale": unknownScale, "without the plant": withoutPlant,
	} {
		t.Run(name, func(t *testing.T) { check(t, up) })
	}
}

// claimedTwice: the one that comes second learns of it, sees both readings and ends with 2; nothing is replaced.
func claimedTwice(t *testing.T, up *planttest.One) {
	scale := startIndicator(t)
	address := "tcp://" + scale.l.Addr().String() + "?mode=continuous&stable=3"
	one := startPost(t, "--data", up.Dir, "--from", address, "--scale", "TWO", "--queue", filepath.Join(t.TempDir(), "q"), "--register")
	two := startPost(t, "--data", up.Dir, "--from", address, "--scale", "TWO", "--queue", filepath.Join(t.TempDir(), "q"), "--register", "--first", "1")
	scale.show(" G ", 500)
	either := func(event string) bool { return len(one.events(event)) > 0 || len(two.events(event)) > 0 }
	require.Eventually(t, func() bool { return either("conflict") }, commandLimit, 20*time.Millisecond)
	codes := []int{one.end(t, syscall.SIGINT), two.end(t, syscall.SIGINT)}
	said := one.errs.String() + two.errs.String()
	if codes[0]+codes[1] != exitRefused {
		t.Errorf("exit codes %v, want 0 and 2\n%s", codes, said)
	}
	for _, word := range []string{"ALARM", "ours:   TWO number 1: gross 500 LBR", "theirs: TWO number 1: gross 500 LBR", "another device"} {
		if !strings.Contains(said, word) {
			t.Errorf("%q is not told:\n%s", word, said)
		}
	}
	if got := readings(t, up, "TWO"); len(got) != 2 || got[0].GetConflict() == got[1].GetConflict() {
		t.Errorf("the plant has %v, want one stored and one in conflict", got)
	}
}

// followedFile: a file's lines are taken once, numbered where they have no number, and go on after a restart; two processes on one queue are refused.
func followedFile(t *testing.T, up *planttest.One) {
	dir := t.TempDir()
	path, queue := filepath.Join(dir, "scale.jsonl"), filepath.Join(dir, "q")
	args := []string{"--data", up.Dir, "--from", "file://" + path, "--queue", queue, "--register"}
	line := func(n int) string {
		return fmt.Sprintf(`{"scale":"LINE-1","time":"2026-01-05T08:00:%02dZ","reading":"%d.5","unit":"LBR","kind":"net"}`+"\n", n, n)
	}
	require.NoError(t, os.WriteFile(path, []byte(line(1)+"nonsense\n"+line(2)), 0o600))
	p := startPost(t, args...)
	require.Eventually(t, func() bool { return len(p.events("stored")) == 2 }, commandLimit, 20*time.Millisecond)
	r := command(t, append([]string{"weigh"}, args...)...)
	if r.Code != exitRefused || !strings.Contains(r.Err, "in use by process "+fmt.Sprint(p.cmd.Process.Pid)) {
		t.Errorf("a second process on the queue: exit %d, %s", r.Code, r.Err)
	}
	if code := p.end(t, syscall.SIGINT); code != exitDone || !strings.Contains(p.errs.String(), "line 2") {
		t.Errorf("exit %d: %s", code, p.errs.String())
	}
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(t, err)
	_, err = f.WriteString(line(3))
	require.NoError(t, err)
	require.NoError(t, f.Close())
	p = startPost(t, args...)
	require.Eventually(t, func() bool { return len(p.events("stored")) == 1 }, commandLimit, 20*time.Millisecond)
	p.end(t, syscall.SIGINT)
	var got []string
	for _, r := range readings(t, up, "LINE-1") {
		got = append(got, fmt.Sprintf("%d=%s", r.GetReading().GetSequence(), r.GetReading().GetDigits()))
	}
	require.Equal(t, []string{"1=1.5", "2=2.5", "3=3.5"}, got)
}

// unknownScale: without --register a misspelt scale holds its readings back, and says so; nothing is lost.
func unknownScale(t *testing.T, up *planttest.One) {
	scale, queue := startIndicator(t), filepath.Join(t.TempDir(), "q")
	args := []string{"--data", up.Dir, "--from", "tcp://" + scale.l.Addr().String() + "?mode=continuous&stable=3", "--scale", "MISSPELT", "--queue", queue}
	p := startPost(t, args...)
	scale.show(" G ", 700)
	require.Eventually(t, func() bool { return len(p.events("refused")) > 0 }, commandLimit, 20*time.Millisecond)
	if code := p.end(t, syscall.SIGINT); code != exitRefused || !strings.Contains(p.errs.String(), "MISSPELT: it is not registered") {
		t.Errorf("exit %d: %s", code, p.errs.String())
	}
	p = startPost(t, append(args, "--register")...)
	require.Eventually(t, func() bool { return len(p.events("stored")) > 0 }, commandLimit, 20*time.Millisecond)
	if code := p.end(t, syscall.SIGINT); code != exitDone {
		t.Errorf("exit %d: %s", code, p.errs.String())
	}
}

// withoutPlant: loads are captured while the plant is away, ctrl-C says what remains, and the next start brings it.
func withoutPlant(t *testing.T, _ *planttest.One) {
	up := planttest.Up(t, planttest.UpConfig{})
	up.Kill(t)
	scale, queue := startIndicator(t), filepath.Join(t.TempDir(), "q")
	args := []string{"--data", up.Dir, "--from", "tcp://" + scale.l.Addr().String() + "?mode=continuous&stable=3", "--scale", "FAR", "--queue", queue, "--register", "--first", "1"}
	p := startPost(t, args...)
	scale.show(" G ", 800)
	require.Eventually(t, func() bool { return len(p.events("captured")) == 1 }, commandLimit, 20*time.Millisecond)
	if code := p.end(t, syscall.SIGINT); code != exitFailed || !strings.Contains(p.errs.String(), "1 readings are not stored yet") {
		t.Errorf("exit %d: %s", code, p.errs.String())
	}
	require.NoError(t, os.Truncate(filepath.Join(queue, "queue"), 100))
	r := command(t, append([]string{"weigh"}, args...)...)
	if r.Code != exitRefused || !strings.Contains(r.Err, "its file is cut: it has 100 bytes") {
		t.Errorf("a queue that was cut: exit %d, %s", r.Code, r.Err)
	}
	up.Again(t)
	require.NoError(t, os.RemoveAll(queue))
	p = startPost(t, args[:len(args)-2]...)
	require.Eventually(t, func() bool { return len(p.events("stored")) == 1 }, commandLimit, 20*time.Millisecond)
	p.end(t, syscall.SIGINT)
}

// Catches: a command line that makes no sense and is taken for something else.
func TestWeighUsage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	for _, tt := range []struct {
		name string
		args []string
		says string
	}{
		{"file and from", []string{"weigh", "x.csv", "--from", "y.csv", "--queue", dir}, "either"},
		{"no queue", []string{"weigh", "--from", "y.csv"}, "--queue"},
		{"no scale", []string{"weigh", "--from", "tcp://127.0.0.1:1", "--queue", dir}, "--scale"},
		{"scale without from", []string{"weigh", "--scale", "X"}, "go with --from"},
		{"unknown scheme", []string{"weigh", "--from", "opc://x", "--queue", dir}, "none of tcp"},
		{"queue limit", []string{"weigh", "--from", "y.csv", "--queue", dir, "--queue-limit", "lots"}, "lots"},
		{"loss without a number", []string{"weigh", "--from", "y.csv", "--queue", dir, "--accept-loss"}, "--first"},
		{"no plant", []string{"weigh", "--from", "y.csv", "--queue", dir}, "which plant"},
	} {
		r := commandWith(context.Background(), "", tt.args...)
		if r.Code != exitUsage || !strings.Contains(r.Err, tt.says) {
			t.Errorf("%s: exit %d, %s; want 80 and %q", tt.name, r.Code, r.Err, tt.says)
		}
	}
}

// TestWeighRegistersWhereAsked: a code that the plant does not know becomes a scale with --register alone, but for a plant that knows none, which is told; one
// of doubtful time is counted in the summary.
func TestWeighRegistersWhereAsked(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{})
	line := func(scale string) string {
		return `{"scale":"` + scale + `","seq":1,"time":"2026-01-05T08:00:00Z","reading":"20500.0","unit":"LBR","kind":"gross"}` + "\n"
	}
	r := commandWith(t.Context(), line("TRUCK-1"), "--data", up.Dir, "weigh")
	if r.Code != exitDone || !strings.Contains(r.Err, "scale TRUCK-1 was not known: it is registered now") {
		t.Errorf("exit %d: %s", r.Code, r.Err)
	}
	r = commandWith(t.Context(), line("truck-1")+line("TRUCK-1"), "--data", up.Dir, "weigh")
	if r.Code != exitRefused || !strings.Contains(r.Err, "line 1: refused: scale truck-1: it is not known, TRUCK-1 is") {
		t.Errorf("exit %d: %s", r.Code, r.Err)
	}
	r = commandWith(t.Context(), line("TRUCK-2")+line("TRUCK-1"), "--data", up.Dir, "weigh")
	if r.Code != exitRefused || !strings.Contains(r.Err, "line 1: refused: scale TRUCK-2: it is not registered; --register") {
		t.Errorf("exit %d: %s", r.Code, r.Err)
	}
	r = commandWith(t.Context(), strings.ReplaceAll(line("TRUCK-1"), `"seq":1,"time":"2026`, `"seq":2,"time":"2099`), "--data", up.Dir, "--format", "json", "weigh")
	if r.Code != exitDone || !strings.Contains(strings.ReplaceAll(r.Out, " ", ""), `"time_doubtful":1`) || !strings.Contains(r.Err, "1 of them with a doubtful time") {
		t.Errorf("of the future: exit %d: %s %s", r.Code, r.Out, r.Err)
	}
	r = commandWith(t.Context(), line("truck-1"), "--data", up.Dir, "weigh", "--register")
	if r.Code != exitDone || r.Err != "" {
		t.Errorf("with --register: exit %d: %s", r.Code, r.Err)
	}
}
