package weighqueue

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

const scaleA = "TRUCK-1"

// load is a reading without a number.
func load(digits string) Entry {
	return Entry{Load: true, Reading: &intakev1.Reading{
		Scale: scaleA, Time: &timestamppb.Timestamp{Seconds: 1_700_000_000}, Digits: digits, Unit: "LBR", Kind: intakev1.ReadingKind_READING_KIND_GROSS,
	}}
}

func opened(t *testing.T, cfg Config) *Queue {
	t.Helper()
	q, _, err := Open(cfg)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, q.Close()) })
	return q
}

func reopened(t *testing.T, q *Queue) *Queue {
	t.Helper()
	require.NoError(t, q.Close())
	return opened(t, q.cfg)
}

// begun is a queue with loads numbered from 1.
func begun(t *testing.T, loads int) *Queue {
	t.Helper()
	q := opened(t, Config{Dir: filepath.Join(t.TempDir(), "q")})
	require.NoError(t, q.Number(scaleA, 1))
	for i := range loads {
		require.NoError(t, q.Add(load(fmt.Sprintf("%d.5", 1000+i))))
	}
	return q
}

// content is sequence and digits of what the queue would send, in order.
func content(t *testing.T, q *Queue) []string {
	t.Helper()
	q.mu.Lock()
	defer q.mu.Unlock()
	var out []string
	for _, b := range q.state.open {
		for _, e := range b.entries {
			out = append(out, fmt.Sprintf("%d=%s batch %s", e.reading.GetSequence(), e.reading.GetDigits(), b.id))
		}
	}
	for _, e := range q.state.waiting {
		out = append(out, fmt.Sprintf("%d=%s alone %t", e.reading.GetSequence(), e.reading.GetDigits(), e.alone))
	}
	for _, e := range q.state.aside {
		out = append(out, fmt.Sprintf("%d=%s aside %s", e.reading.GetSequence(), e.reading.GetDigits(), e.reason))
	}
	for code, at := range q.state.scales {
		out = append(out, fmt.Sprintf("%s next %d loaded %t last %s", code, at.next, at.loaded, at.last.GetDigits()))
	}
	return append(out, "origin "+q.state.origin)
}

// Catches: numbers that begin anew after a restart, and a queue that forgets that a load is still on the scale.
func TestNumbersGoOnAfterARestart(t *testing.T) {
	t.Parallel()
	q := begun(t, 2)
	q = reopened(t, q)
	if got := q.Scale(scaleA); got.Next != 3 || got.Armed || got.Last.GetDigits() != "1001.5" {
		t.Errorf("after a restart: %+v; want next 3, not armed, last load 1001.5", got)
	}
	require.NoError(t, q.Rearmed(scaleA))
	q = reopened(t, q)
	if got := q.Scale(scaleA); !got.Armed {
		t.Errorf("after the scale was empty and a restart: %+v; want armed", got)
	}
	e := load("7")
	require.NoError(t, q.Add(e))
	if e.Reading.GetSequence() != 3 {
		t.Errorf("the third load has number %d", e.Reading.GetSequence())
	}
	require.NoError(t, q.Number(scaleA, 2))
	if got := q.Scale(scaleA).Next; got != 4 {
		t.Errorf("next number %d after a lower one was set, want 4", got)
	}
}

func TestUnnumbered(t *testing.T) {
	t.Parallel()
	q := opened(t, Config{Dir: t.TempDir()})
	err := q.Add(load("1"))
	if fault.ReasonOf(err) != "queue_unnumbered" {
		t.Errorf("%v, want queue_unnumbered", err)
	}
}

// files copies a queue's folder and lets change have the bytes of its file.
func files(t *testing.T, q *Queue, change func([]byte) []byte) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{"queue", "mark"} {
		data, err := os.ReadFile(q.path(name))
		require.NoError(t, err)
		if name == "queue" {
			data = change(append([]byte(nil), data...))
		}
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o600))
	}
	return dir
}

// Catches: a torn end that stops the program, or takes a whole reading with it.
func TestTornEndIsCutAndTold(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	want := content(t, q)
	extra, err := encode(record{Kind: kindReading, Entry: 4, Reading: []byte("half")})
	require.NoError(t, err)
	for n := 1; n < len(extra); n += 3 {
		dir := files(t, q, func(b []byte) []byte { return append(b, extra[:n]...) })
		again, o, err := Open(Config{Dir: dir})
		require.NoError(t, err)
		if o.Torn != int64(n) || o.Remaining != 3 {
			t.Errorf("%d torn bytes: opened says %+v", n, o)
		}
		if diff := cmp.Diff(want, content(t, again)); diff != "" {
			t.Errorf("%d torn bytes: %s", n, diff)
		}
		require.NoError(t, again.Close())
	}
}

// Catches: a file cut short that is taken for a torn end, so that readings that counted are gone without a word and their numbers given again.
func TestACutFileIsRefused(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	size := int(q.size)
	for n := range size {
		dir := files(t, q, func(b []byte) []byte { return b[:n] })
		_, _, err := Open(Config{Dir: dir})
		reason := fault.ReasonOf(err)
		if reason != "queue_cut" && (reason != "queue_version" || n >= len(head(version))) {
			t.Fatalf("cut to %d of %d bytes: %v; want queue_cut", n, size, err)
		}
		if reason == "queue_cut" && !strings.Contains(err.Error(), fmt.Sprintf("%d bytes, and %d counted", n, size)) {
			t.Errorf("cut to %d of %d bytes: the refusal does not say so: %v", n, size, err)
		}
	}
	dir := files(t, q, func(b []byte) []byte { return b[:size-1] })
	again, o, err := Open(Config{Dir: dir, AcceptLoss: true})
	require.NoError(t, err)
	if o.Remaining != 2 || fault.ReasonOf(o.Lost) != "queue_cut" {
		t.Errorf("with loss accepted: %+v", o)
	}
	require.NoError(t, again.Close())
}

// Catches: a byte that rots in the middle and is not noticed, or cuts off all that follows as if it were a torn end.
func TestADamagedFileIsRefused(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	for at := range int(q.size) {
		dir := files(t, q, func(b []byte) []byte { b[at] ^= 0x10; return b })
		_, _, err := Open(Config{Dir: dir})
		if r := fault.ReasonOf(err); r != "queue_damaged" && r != "queue_version" {
			t.Fatalf("byte %d changed: %v; want queue_damaged or queue_version", at, err)
		}
	}
}

func TestOtherVersionsOldCopiesAndLostMarks(t *testing.T) {
	t.Parallel()
	q := begun(t, 1)
	for _, tt := range []struct {
		name   string
		change func(dir string, data []byte) error
		reason string
		says   string
	}{
		{"a newer version", func(dir string, data []byte) error {
			return os.WriteFile(filepath.Join(dir, "queue"), append([]byte(head(2)), data[len(head(1)):]...), 0o600)
		}, "queue_version", `version "2"`},
		{"another file", func(dir string, _ []byte) error {
			return os.WriteFile(filepath.Join(dir, "queue"), []byte("scale,seq\n"), 0o600)
		}, "queue_version", "no queue"},
		{"the mark is gone", func(dir string, _ []byte) error { return os.Remove(filepath.Join(dir, "mark")) }, "queue_damaged", "mark is gone"},
		{"the file is gone", func(dir string, _ []byte) error { return os.Remove(filepath.Join(dir, "queue")) }, "queue_cut", "is gone"},
		{"a kind of record that only a newer program knows", func(dir string, data []byte) error {
			more, err := encode(record{Kind: "dream"})
			if err != nil {
				return err
			}
			return os.WriteFile(filepath.Join(dir, "queue"), append(data, more...), 0o600)
		}, "queue_version", "newer"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			dir := files(t, q, func(b []byte) []byte { return b })
			data, err := os.ReadFile(filepath.Join(dir, "queue"))
			require.NoError(t, err)
			require.NoError(t, tt.change(dir, data))
			_, _, err = Open(Config{Dir: dir})
			if fault.ReasonOf(err) != tt.reason || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("%v; want %s that says %q", err, tt.reason, tt.says)
			}
		})
	}
	t.Run("an old copy put back", func(t *testing.T) {
		t.Parallel()
		old := begun(t, 1)
		data, err := os.ReadFile(old.path("queue"))
		require.NoError(t, err)
		for range 2 {
			old.answered = 1
			require.NoError(t, old.squeeze())
		}
		require.NoError(t, old.Close())
		require.NoError(t, os.WriteFile(old.path("queue"), data, 0o600))
		_, _, err = Open(old.cfg)
		if fault.ReasonOf(err) != "queue_cut" || !strings.Contains(err.Error(), "old copy") {
			t.Errorf("%v; want queue_cut that says an old copy", err)
		}
	})
}

func TestOneProcessPerQueue(t *testing.T) {
	t.Parallel()
	q := begun(t, 0)
	_, _, err := Open(q.cfg)
	if fault.ReasonOf(err) != "queue_in_use" || !strings.Contains(err.Error(), fmt.Sprint(os.Getpid())) {
		t.Errorf("a second opening: %v; want queue_in_use with the process", err)
	}
}

// Catches: a full queue that drops, or that stays full after the plant has stored what was in it.
func TestFullQueueTakesNothingMoreAndDropsNothing(t *testing.T) {
	t.Parallel()
	q := opened(t, Config{Dir: t.TempDir(), Limit: 4 << 10})
	require.NoError(t, q.Number(scaleA, 1))
	taken := 0
	var err error
	for ; err == nil; taken++ {
		err = q.Add(load("20500.0"))
	}
	taken--
	if fault.ReasonOf(err) != "queue_full" || taken < 5 {
		t.Fatalf("after %d readings: %v; want queue_full", taken, err)
	}
	if got := q.Totals(); got.Waiting != taken {
		t.Errorf("%d waiting, want %d", got.Waiting, taken)
	}
	e := load("1")
	if err := q.Add(e); fault.ReasonOf(err) != "queue_full" || e.Reading.GetSequence() != 0 {
		t.Errorf("one more: %v, number %d; want queue_full and no number", err, e.Reading.GetSequence())
	}
	b, err := q.Next("b", false)
	require.NoError(t, err)
	require.Len(t, b.Readings, taken)
	require.NoError(t, q.Answered("b"))
	require.NoError(t, q.Add(e))
	if got := e.Reading.GetSequence(); got != int64(taken)+1 {
		t.Errorf("the reading that was too much has number %d, want %d", got, taken+1)
	}
}

// Catches: a full disk that leaves half a record in the middle. It needs the right to mount a small disk, and is
// not parallel: a child between fork and exec holds the locks of other tests' queues.
func TestFullDisk(t *testing.T) {
	disk := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=64k", "huskline-test", disk).CombinedOutput(); err != nil {
		t.Skipf("no right to mount a small disk: %s", out)
	}
	t.Cleanup(func() { _ = exec.Command("umount", "-l", disk).Run() })
	q := opened(t, Config{Dir: filepath.Join(disk, "q")})
	require.NoError(t, q.Number(scaleA, 1))
	taken := 0
	var err error
	for ; err == nil; taken++ {
		err = q.Add(load("20500.0"))
	}
	taken--
	if fault.ReasonOf(err) != "queue_disk_full" {
		t.Fatalf("after %d readings: %v; want queue_disk_full", taken, err)
	}
	for range 3 {
		require.Error(t, q.Add(load("20500.0")))
	}
	q = reopened(t, q)
	if got := q.Totals().Waiting; got != taken {
		t.Errorf("%d waiting, want %d", got, taken)
	}
}

// Catches: a command id that changes over a restart, and a refused reading that is lost or sent for ever with those behind it.
func TestBatches(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	first, err := q.Next("one", false)
	require.NoError(t, err)
	require.NoError(t, q.Add(load("9")))
	q = reopened(t, q)
	again, err := q.Next("two", false)
	require.NoError(t, err)
	if again.ID != "one" || len(again.Readings) != 3 || len(first.Readings) != 3 {
		t.Fatalf("after a restart batch %s of %d, want one of 3", again.ID, len(again.Readings))
	}
	require.NoError(t, q.Split("one"))
	q = reopened(t, q)
	for i, want := range []int{1, 1, 1, 1} {
		id := fmt.Sprint("alone-", i)
		b, err := q.Next(id, false)
		require.NoError(t, err)
		require.Len(t, b.Readings, want)
		if i == 1 {
			require.NoError(t, q.Answered(id, Refusal{0, "scale_unknown", "scale TRUCK-1: it is not registered"}))
			continue
		}
		require.NoError(t, q.Answered(id))
	}
	q = reopened(t, q)
	if b, err := q.Next("none", false); b != nil || err != nil {
		t.Fatalf("%v, %v; want nothing to send", b, err)
	}
	if got := q.Aside(); len(got) != 1 || got[0].Reason != "scale_unknown" || got[0].Reading.GetSequence() != 2 {
		t.Fatalf("set aside: %v", got)
	}
	b, err := q.Next("again", true)
	require.NoError(t, err)
	require.Len(t, b.Readings, 1)
	require.NoError(t, q.Answered("again"))
	if got := q.Totals(); got.Waiting+got.Aside != 0 {
		t.Errorf("%+v remains, want nothing", got)
	}
}

// TestRewritingChangesNothing runs random operations and compares the queue before and after each rewriting and reopening. It catches a state that the new
// file does not tell whole.
func TestRewritingChangesNothing(t *testing.T) {
	t.Parallel()
	for seed := range uint64(12) {
		r := rand.New(rand.NewPCG(seed, 1))
		q := begun(t, 0)
		for step := range 60 {
			randomStep(t, q, r)
			want := content(t, q)
			if step%3 == 0 {
				q.answered = 1
				require.NoError(t, q.squeeze())
			}
			if step%5 == 0 {
				q = reopened(t, q)
			}
			if diff := cmp.Diff(want, content(t, q)); diff != "" {
				t.Fatalf("seed %d step %d: %s", seed, step, diff)
			}
		}
	}
}

func randomStep(t *testing.T, q *Queue, r *rand.Rand) {
	t.Helper()
	switch r.IntN(8) {
	case 0, 1, 2:
		e := load(fmt.Sprint(r.IntN(1000)))
		e.Origin, e.Load = fmt.Sprint(r.IntN(1000)), r.IntN(2) == 0
		require.NoError(t, q.Add(e))
	case 3:
		require.NoError(t, q.Rearmed(scaleA))
	case 4:
		require.NoError(t, q.Number(scaleA, q.Scale(scaleA).Next+int64(r.IntN(3))))
	default:
		b, err := q.Next(uuid.NewString(), r.IntN(2) == 0)
		require.NoError(t, err)
		switch {
		case b == nil || r.IntN(3) == 0:
		case r.IntN(4) == 0:
			require.NoError(t, q.Split(b.ID))
		case r.IntN(2) == 0:
			require.NoError(t, q.Answered(b.ID, Refusal{r.IntN(len(b.Readings)), "weight_negative", "below zero"}))
		default:
			require.NoError(t, q.Answered(b.ID))
		}
	}
}
