package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// backedUp is a plant with a backup of it, and moments between its facts.
type backedUp struct {
	up     *planttest.One
	tr     *trade
	target string
	moment time.Time // after this many deliveries
	lots   map[string]bool
	object backupObject
}

// TestBackupAndRestore takes a backup while deliveries come in, brings it up to date after more of them, and restores a moment between two facts: the
// facts recorded by then are there in each service and no other, the epochs have risen, and all three agree. The deliberate breaks it catches: a copy
// without its label, a log that lacks its last segment, a restore to the end instead of the moment, and one that leaves the old timeline.
func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	b := takeBackup(t)
	t.Run("a moment between two facts", b.restoresMoment)
	t.Run("refused", b.refuses)
	t.Run("cut short", b.cutShort)
}

func takeBackup(t *testing.T) *backedUp {
	t.Helper()
	b := &backedUp{target: filepath.Join(t.TempDir(), "backup"), up: planttest.Up(t, planttest.UpConfig{}), lots: map[string]bool{}}
	b.tr = openTrade(t, b.up.GRPC, readToken(t, b.up.Dir), "")
	stop, stopped := make(chan struct{}), make(chan []string, 1)
	go func() { // load
		var lots []string
		for i := 0; ; i++ {
			select {
			case <-stop:
				stopped <- lots
				return
			default:
				lot := fmt.Sprintf("L-%d", i)
				if _, err := send(t, b.tr.intake.RecordDelivery, b.tr.delivery(lot, 100, 1_000_000, 1)); err != nil {
					t.Errorf("deliver %s: %v", lot, err)
				}
				lots = append(lots, lot)
			}
		}
	}()
	planttest.Decode(t, mustPrint(t, "--data", b.up.Dir, "--format", "json", "backup", b.target), &b.object)
	require.True(t, b.object.First)
	close(stop)
	for _, lot := range <-stopped {
		b.lots[lot] = true
	}
	require.NotEmpty(t, b.lots)
	done(t, b.tr.production.RecordRun, b.tr.pass("R-1", "shell", 2, 0, input("L-0", 60), output("K-1", "HALVES", 30)))
	done(t, b.tr.intake.RecordDelivery, b.tr.delivery("before", 100, 1_000_000, 1))
	b.lots["before"] = true
	b.moment = time.Now()
	done(t, b.tr.intake.RecordDelivery, b.tr.delivery("after", 100, 1_000_000, 1))
	done(t, b.tr.production.RecordRun, b.tr.pass("R-2", "shell", 2, 0, input("L-0", 10), output("K-2", "HALVES", 5)))
	planttest.Decode(t, mustPrint(t, "--data", b.up.Dir, "--format", "json", "backup", b.target), &b.object)
	require.False(t, b.object.First)
	return b
}

func (b *backedUp) restore(ctx context.Context, dir string, at time.Time) planttest.Result {
	return commandWith(ctx, "", "--data", dir, "--format", "json", "restore", b.target, "--at", at.Format(time.RFC3339Nano))
}

func (b *backedUp) restoresMoment(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "plant")
	r := b.restore(t.Context(), dir, b.moment)
	require.Equal(t, exitDone, r.Code, r.Err)
	again := planttest.Up(t, planttest.UpConfig{Dir: dir})
	tr := &trade{plant: dialAgain(t, again), start: b.tr.start}
	// Asked first: the moment is right after intake's answer, so inventory mostly had not heard of it, and intake's new epoch may have begun already.
	require.Equal(t, lb(100), tr.onHand(t, "before"))
	got := map[string]bool{}
	for token := ""; ; {
		page := done(t, tr.intake.ListDeliveries, &intakev1.ListDeliveriesRequest{PageSize: 1000, PageToken: token})
		for _, d := range page.GetReceived() {
			got[d.GetFacts().GetLot()] = true
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if d := cmp.Diff(b.lots, got); d != "" {
		t.Errorf("deliveries at the moment (-want +got)\n%s", d)
	}
	require.Equal(t, lb(40), tr.onHand(t, "L-0"))
	require.Equal(t, lb(30), tr.onHand(t, "K-1"))
	for _, lot := range []string{"after", "K-2"} {
		_, err := tr.inventory.GetLot(t.Context(), &inventoryv1.GetLotRequest{Lot: lot})
		require.Equal(t, "lot_unknown", fault.ReasonOf(rpc.FromStatus(err)), lot)
	}
	_, err := tr.production.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-2"})
	require.Equal(t, "run_unknown", fault.ReasonOf(rpc.FromStatus(err)))
	// A write is let through once the service has found its past complete, and then it counts in the new epoch.
	done(t, tr.intake.RecordDelivery, b.tr.delivery("then", 100, 1_000_000, 1))
	done(t, tr.production.RecordRun, b.tr.pass("R-3", "shell", 2, 0, input("then", 60), output("K-3", "HALVES", 30)))
	for name, epoch := range map[string]int64{
		"intake":     done(t, tr.intake.GetHead, &intakev1.GetHeadRequest{}).GetHead().GetAt().GetEpoch(),
		"inventory":  done(t, tr.inventory.GetHead, &inventoryv1.GetHeadRequest{}).GetHead().GetAt().GetEpoch(),
		"production": done(t, tr.production.GetHead, &productionv1.GetHeadRequest{}).GetHead().GetAt().GetEpoch(),
	} {
		require.Greater(t, epoch, int64(1), name)
	}
	require.Equal(t, exitDone, command(t, "--data", dir, "verify").Code)
	require.Equal(t, exitDone, command(t, "--data", b.up.Dir, "verify").Code, "the plant that was copied goes on")
}

func dialAgain(t *testing.T, up *planttest.One) *plant {
	t.Helper()
	addrs, err := parseAddr(up.GRPC)
	require.NoError(t, err)
	p, err := dialPlant(addrs, readToken(t, up.Dir), nil)
	require.NoError(t, err)
	t.Cleanup(p.close)
	return p
}

// refuses: wrong input is refused by name, and nothing is left of it.
func (b *backedUp) refuses(t *testing.T) {
	from, err := time.Parse(time.RFC3339Nano, b.object.From)
	require.NoError(t, err)
	to, err := time.Parse(time.RFC3339Nano, b.object.To)
	require.NoError(t, err)
	folder := t.TempDir()
	full := filepath.Join(folder, "full")
	require.NoError(t, os.MkdirAll(filepath.Join(full, "other"), 0o700))
	try := func(name, dir string, at time.Time, want string) {
		t.Helper()
		r := b.restore(t.Context(), dir, at)
		require.Equal(t, exitRefused, r.Code, name)
		require.Contains(t, r.Err, want, name)
		entries, err := os.ReadDir(folder)
		require.NoError(t, err)
		require.Len(t, entries, 1, name)
	}
	fresh := filepath.Join(folder, "fresh")
	try("before it begins", fresh, from.Add(-time.Microsecond), "this backup reaches from")
	try("after it ends", fresh, to.Add(time.Microsecond), "this backup reaches from")
	try("into a folder with something in it", full, to, "empty folder")
	for _, name := range []string{"manifest", "base/global/pg_control", "base/PG_VERSION", "base/backup_label"} {
		b.damage(t, name, func() { try(name, fresh, to, "is not what the backup wrote") })
	}
	logs, err := filepath.Glob(filepath.Join(b.target, "wal", "*"))
	require.NoError(t, err)
	last := logs[len(logs)-1]
	require.NoError(t, os.Rename(last, last+".away"))
	try("a segment missing", fresh, to, "is missing")
	require.NoError(t, os.Rename(last+".away", last))
	r := command(t, "--data", b.up.Dir, "backup", full)
	require.Equal(t, exitRefused, r.Code)
	require.Contains(t, r.Err, "no backup")
	require.Equal(t, exitUsage, command(t, "--data", fresh, "restore", b.target, "--at", "yesterday").Code)
	require.Equal(t, exitFailed, command(t, "--data", fresh, "backup", filepath.Join(folder, "none")).Code, "nothing runs there")
}

// damage changes a byte of a file for as long as fn runs.
func (b *backedUp) damage(t *testing.T, name string, fn func()) {
	t.Helper()
	path := filepath.Join(b.target, name)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	text[len(text)/2] ^= 1
	require.NoError(t, os.WriteFile(path, text, 0o600))
	fn()
	text[len(text)/2] ^= 1
	require.NoError(t, os.WriteFile(path, text, 0o600))
}

// cutShort: ctrl-C in the middle of a first copy leaves no backup, and the next one into that folder is whole.
func (b *backedUp) cutShort(t *testing.T) {
	target := filepath.Join(t.TempDir(), "backup")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan planttest.Result, 1)
	go func() { ended <- commandWith(ctx, "", "--data", b.up.Dir, "backup", target) }()
	for limit := time.Now().Add(commandLimit); time.Now().Before(limit); {
		if _, err := os.Stat(filepath.Join(target, "base", "global")); err == nil {
			break
		}
	}
	cancel()
	r := <-ended
	require.Equal(t, exitFailed, r.Code, r.Err)
	dir := filepath.Join(t.TempDir(), "plant")
	none := command(t, "--data", dir, "restore", target)
	require.Equal(t, exitRefused, none.Code)
	require.Contains(t, none.Err, "no whole backup")
	require.NoDirExists(t, filepath.Join(target, "base"))
	require.NoFileExists(t, filepath.Join(target, "unfinished"))
	mustPrint(t, "--data", b.up.Dir, "backup", target)
	mustPrint(t, "--data", dir, "restore", target)
}
