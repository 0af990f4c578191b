//go:build failpoint

package command_test

import (
	"context"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/command"
	"huskline/internal/postgres"
	productionv1 "huskline/proto/huskline/production/v1"
)

const (
	childDSN  = "HUSKLINE_TEST_CHILD_DSN"
	childBin  = "B-1"
	childID   = "0191e4a0-0000-7000-8000-000000000001"
	hitsAt    = 3 // as often as each place is tried
	childOnly = "TestChild"
)

// TestChild is the process that gets killed: it does one command and one posting.
func TestChild(t *testing.T) {
	dsn := os.Getenv(childDSN)
	if dsn == "" {
		t.Skip("run by TestKilledAtEachPlace")
	}
	db, err := postgres.Open(context.Background(), postgres.Config{DSN: dsn, Name: "child"})
	require.NoError(t, err)
	doBoth(t, db, newInventory())
}

func doBoth(t *testing.T, db *postgres.DB, inv *inventory) {
	bin := emptying(childBin)
	bin.CommandId = childID
	got, err := command.Run(t.Context(), command.New(config(db)), bin, empty(bin))
	require.NoError(t, err)
	require.Equal(t, int64(1), got.GetReceipt().GetPosition())
	run := &productionv1.CompleteRunRequest{CommandId: "0191e4a0-0000-7000-8000-000000000002", Run: "R-1"}
	_, err = newPoster(db, inv, time.Minute).Do(t.Context(), run)
	require.NoError(t, err)
}

// Catches a state between two steps from which a repeat goes wrong: killed at each place, then the same requests again.
func TestKilledAtEachPlace(t *testing.T) {
	for _, place := range []string{
		"command-before-record", "command-before-commit", "command-after-commit", "intent-after-commit", "intent-after-call", "intent-after-outcome",
	} {
		t.Run(place, func(t *testing.T) {
			t.Parallel()
			for range hitsAt {
				db := newDB(t)
				child := exec.Command(os.Args[0], "-test.run=^"+childOnly+"$")
				child.Env = append(os.Environ(), "HUSKLINE_FAILPOINT="+place, childDSN+"="+db.DSN())
				out, err := child.CombinedOutput()
				var exit *exec.ExitError
				require.ErrorAs(t, err, &exit, "the child was not killed: %s", out)
				require.Equal(t, syscall.SIGKILL, exit.Sys().(syscall.WaitStatus).Signal(), "%s", out)

				inv := newInventory()
				doBoth(t, db, inv)
				require.Len(t, events(t, db), 2)
				require.Equal(t, 2, count(t, db, `select count(*) from commands`))
				require.Equal(t, 0, count(t, db, `select count(*) from open_intents`))
				require.Equal(t, 1, count(t, db, `select count(*) from runs where state = 'closed'`))
			}
		})
	}
}
