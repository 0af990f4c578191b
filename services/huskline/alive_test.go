package main

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	"huskline/internal/rpc"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// TestKilledInImport kills the plant by kill -9 in the middle of an import and starts it again, three times; the import goes on by itself to its end. It
// catches a command that was answered and lost, and one that was neither and is doubled.
func TestKilledInImport(t *testing.T) {
	t.Parallel()
	s := &importedSeason{folder: seasonFolder("season-2"), up: planttest.Up(t, planttest.UpConfig{Args: []string{"--grpc", planttest.FreePort(t)}})}
	ended := make(chan planttest.Result, 1)
	go func() {
		ended <- commandWith(t.Context(), "", "--data", s.up.Dir, "--format", "json", "import", s.folder)
	}()
	for _, lots := range []int64{1, 100, 400} {
		s.awaitLots(t, lots)
		s.up.Kill(t)
		s.up.Again(t)
	}
	r := <-ended
	require.Equal(t, exitDone, r.Code, r.Err)
	s.asked = loadExpected(t, s.folder).questions()[:1+117]
	s.compareAll(t)
	s.verified(t)
}

// awaitLots waits until the plant has so many lots.
func (s *importedSeason) awaitLots(t *testing.T, lots int64) {
	t.Helper()
	for limit := time.Now().Add(commandLimit); time.Now().Before(limit); {
		var b balanceObject
		if r := s.ask(t, "balance"); r.Code == exitDone {
			if planttest.Decode(t, r.Out, &b); b.Season.Lots >= lots {
				return
			}
		}
	}
	t.Fatalf("the plant has no %d lots after %v", lots, commandLimit)
}

// TestInterruptedStart stops up by ctrl-C while it starts, at several points, and then starts it on the same folder. It catches a half-made cluster
// that is taken for a whole one, and a Postgres that outlives its owner.
func TestInterruptedStart(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(t.TempDir(), "plant")
	for _, sight := range []string{"lock", "postgres/cluster.new-*", "postgres/cluster", "postgres/cluster/postmaster.pid", "token"} {
		cmd := exec.Command(planttest.Program(t), "up", "--data", dir)
		var said strings.Builder
		cmd.Stderr = &said
		require.NoError(t, cmd.Start())
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		awaitSight(t, filepath.Join(dir, sight))
		require.NoError(t, cmd.Process.Signal(syscall.SIGINT))
		select {
		case err := <-ended:
			if code := cmd.ProcessState.ExitCode(); code != exitDone && code != exitFailed && code != exitRefused {
				t.Errorf("interrupted at the sight of %s: %v: %s", sight, err, said.String())
			}
		case <-time.After(commandLimit):
			_ = cmd.Process.Kill()
			t.Fatalf("interrupted at the sight of %s: it does not end", sight)
		}
	}
	up := planttest.Up(t, planttest.UpConfig{Dir: dir})
	up.OK(t, "balance")
	up.Interrupt(t)
	require.Equal(t, exitDone, up.Ended(t), "exit code after ctrl-C")
	if exists(filepath.Join(dir, "endpoint")) {
		t.Error("the endpoint is still there after a clean stop")
	}
}

// awaitSight waits for a file by its pattern; where an earlier start made the whole cluster, a half-made one is not waited for.
func awaitSight(t *testing.T, pattern string) {
	t.Helper()
	for limit := time.Now().Add(20 * time.Second); time.Now().Before(limit); time.Sleep(2 * time.Millisecond) {
		found, err := filepath.Glob(pattern)
		require.NoError(t, err)
		if len(found) > 0 || exists(strings.TrimSuffix(pattern, ".new-*")) {
			return
		}
	}
	t.Fatalf("%s is never seen", pattern)
}

func exists(path string) bool {
	_, err := os.Stat(path)
	return err == nil
}

// TestFullDisk fills the disk under a running plant: what then is answered OK is kept, what is not says why, and once there is room the plant goes on.
// It needs the right to mount a small disk.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	disk := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=200m", "huskline-test", disk).CombinedOutput(); err != nil {
		t.Skipf("no right to mount a small disk: %s", out)
	}
	t.Cleanup(func() { _ = exec.Command("umount", "-l", disk).Run() })
	require.NoError(t, os.Chmod(disk, 0o755))
	s := &importedSeason{folder: seasonFolder("season"), up: planttest.Up(t, planttest.UpConfig{Dir: filepath.Join(disk, "plant")})}
	tr := openTrade(t, s.up.GRPC, readToken(t, s.up.Dir), "")
	filler := filepath.Join(disk, "filler")
	fill(t, filler)
	kept, why := tr.untilRefused(t)
	if fault.Refused(why) || strings.TrimSpace(why.Error()) == "" {
		t.Errorf("on a full disk: %v; want a failure that says why, and that is worth another try", why)
	}
	require.NoError(t, os.Remove(filler))
	s.recovers(t)
	for _, lot := range kept {
		require.Equal(t, lb(1_000), done(t, openPlant(t, s.up).inventory.GetLot, &inventoryv1.GetLotRequest{Lot: lot}).GetLot().GetOnHand(), "lot %s, which was answered OK", lot)
	}
	s.send(t)
	s.verified(t)
}

// untilRefused takes in deliveries until one is not answered OK; it returns those that were, and why the last was not.
func (tr *trade) untilRefused(t *testing.T) (kept []string, why error) {
	t.Helper()
	for i := range 10_000 {
		lot := "full-" + itoa(i)
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		_, err := tr.intake.RecordDelivery(ctx, tr.delivery(lot, 1_000, 1_000_000, 1))
		cancel()
		if err != nil {
			return kept, rpc.FromStatus(err)
		}
		kept = append(kept, lot)
	}
	t.Fatal("the disk is full and everything is answered OK")
	return nil, nil
}

func openPlant(t *testing.T, up *planttest.One) *plant {
	t.Helper()
	addrs, err := parseAddr(up.GRPC)
	require.NoError(t, err)
	p, err := dialPlant(addrs, readToken(t, up.Dir), nil)
	require.NoError(t, err)
	t.Cleanup(p.close)
	return p
}

// recovers waits until the plant answers again. Postgres ends itself where it cannot write its log ahead; up then ends too, and says so, and the next
// start goes on where it was.
func (s *importedSeason) recovers(t *testing.T) {
	t.Helper()
	for limit := time.Now().Add(commandLimit); time.Now().Before(limit); {
		select {
		case <-s.up.Done():
			if code := s.up.Ended(t); code != exitFailed {
				t.Errorf("up ended on a full disk with exit %d, want 1: %s", code, s.up.Log())
			}
			s.up.Again(t)
		default:
		}
		if s.ask(t, "balance").Code == exitDone {
			return
		}
	}
	t.Fatalf("the plant does not answer %v after there was room again\n%s", commandLimit, s.up.Log())
}

// fill writes until the disk takes no more.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	require.NoError(t, err)
	defer func() { _ = f.Close() }()
	block := make([]byte, 1<<16)
	for range 1 << 14 {
		if _, err := f.Write(block); err != nil {
			require.ErrorIs(t, err, syscall.ENOSPC)
			return
		}
	}
	t.Fatal("the disk takes no end")
}
