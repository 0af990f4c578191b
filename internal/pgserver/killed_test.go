//go:build linux

package pgserver

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// ownerEnv makes this test binary an owner of the folder it names: it starts a server, says its postmaster's id and waits to be killed.
const ownerEnv = "HUSKLINE_TEST_OWNER_OF"

func TestMain(m *testing.M) {
	if dir := os.Getenv(ownerEnv); dir != "" {
		s, err := Start(context.Background(), Config{Dir: dir, UnsafeNoSync: true})
		if err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		fmt.Println(s.PID())
		select {}
	}
	os.Exit(m.Run())
}

// owner starts a process that owns dir and returns it with the id of its postmaster.
func owner(t *testing.T, dir string) (*exec.Cmd, int) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), ownerEnv+"="+dir)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		cmd.Process.Kill()
		cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)
	pid, err := strconv.Atoi(strings.TrimSpace(line))
	require.NoError(t, err, line)
	return cmd, pid
}

// A killed owner takes Postgres with it, cleanly, and the next start finds the folder free.
// Catches: no Pdeathsig, or one whose thread ends early (Postgres then dies while its owner lives).
func TestKillingTheOwnerEndsPostgres(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cmd, pid := owner(t, dir)
	_, err := Start(t.Context(), Config{Dir: dir})
	require.ErrorContains(t, err, strconv.Itoa(cmd.Process.Pid), "the living owner is named")
	require.NoError(t, syscall.Kill(pid, 0), "postgres lives while its owner does")

	require.NoError(t, cmd.Process.Kill())
	cluster := filepath.Join(dir, "postgres", "cluster")
	await(t, func() bool { return len(workingIn(cluster)) == 0 })
	if _, err := os.Stat(filepath.Join(cluster, "postmaster.pid")); err == nil {
		t.Error("postmaster.pid is left: the shutdown was not a clean one")
	}
}

// Straight after kill -9 Postgres is still shutting down, or, stopped here by a signal, does not shut down at all.
// Catches: a start that does not look for leftovers (Postgres then refuses its lock file).
func TestStartTakesOverFromAKilledOwner(t *testing.T) {
	t.Parallel()
	for _, frozen := range []bool{false, true} {
		t.Run(fmt.Sprintf("frozen=%v", frozen), func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			cmd, pid := owner(t, dir)
			if frozen {
				require.NoError(t, syscall.Kill(pid, syscall.SIGSTOP))
			}
			require.NoError(t, cmd.Process.Kill())
			cmd.Wait()
			s := start(t, Config{Dir: dir, UnsafeNoSync: true})
			if got := query(t, s, "select 'in'"); got != "in" {
				t.Errorf("got %q", got)
			}
			// Not by signal 0: where nobody reaps orphans, the dead one stays in the process table.
			if slices.Contains(workingIn(filepath.Join(dir, "postgres", "cluster")), pid) {
				t.Errorf("postmaster %d of the killed owner still lives", pid)
			}
		})
	}
}

// Catches: trusting the process id in postmaster.pid, which after a crash may be anybody's.
func TestAStaleLockFileThatNamesAnotherProcess(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := start(t, Config{Dir: dir, UnsafeNoSync: true})
	pidFile := filepath.Join(dir, "postgres", "cluster", "postmaster.pid")
	text, err := os.ReadFile(pidFile)
	require.NoError(t, err)
	cred := s.place.cred
	require.NoError(t, s.Stop(t.Context()))

	// Another program of the same user: Postgres takes such a one for a postmaster.
	other := exec.Command("sleep", "60")
	other.SysProcAttr = &syscall.SysProcAttr{Credential: cred}
	require.NoError(t, other.Start())
	t.Cleanup(func() {
		other.Process.Kill()
		other.Wait()
	})
	_, rest, _ := strings.Cut(string(text), "\n")
	require.NoError(t, os.WriteFile(pidFile, fmt.Appendf(nil, "%d\n%s", other.Process.Pid, rest), 0o600))
	if cred != nil {
		require.NoError(t, os.Chown(pidFile, int(cred.Uid), int(cred.Gid)))
	}
	s = start(t, Config{Dir: dir, UnsafeNoSync: true})
	if got := query(t, s, "select 'in'"); got != "in" {
		t.Errorf("got %q", got)
	}
	require.NoError(t, syscall.Kill(other.Process.Pid, 0), "the other program was left alone")
}

// Catches: waiting half a shutdown's time for a child of a killed postmaster that does not notice; here one that is stopped.
func TestStartWaitsForNoChildOfAKilledPostmaster(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := start(t, Config{Dir: dir, UnsafeNoSync: true})
	conn, err := pgx.Connect(t.Context(), s.DSN("postgres", Superuser))
	require.NoError(t, err)
	defer func() { _ = conn.Close(context.Background()) }()
	require.NoError(t, syscall.Kill(int(conn.PgConn().PID()), syscall.SIGSTOP))
	require.NoError(t, syscall.Kill(s.PID(), syscall.SIGKILL))
	<-s.Done()
	require.Error(t, s.Stop(t.Context()), "stop says that postgres had ended by itself")
	began := time.Now()
	start(t, Config{Dir: dir, UnsafeNoSync: true})
	if took := time.Since(began); took >= fastStopLimit/2 {
		t.Errorf("the start took %v, it waited for a child to shut down", took)
	}
}

// A postmaster killed by force leaves a stale lock file and needs recovery.
func TestStartAfterPostgresItselfWasKilled(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := start(t, Config{Dir: dir, UnsafeNoSync: true})
	execute(t, s, "create table kept (v text)")
	execute(t, s, "insert into kept values ('pecan')")
	require.NoError(t, syscall.Kill(s.PID(), syscall.SIGKILL))
	<-s.Done()
	require.Error(t, s.Stop(t.Context()), "stop says that postgres had ended by itself")
	s = start(t, Config{Dir: dir, UnsafeNoSync: true})
	if got := query(t, s, "select v from kept"); got != "pecan" {
		t.Errorf("got %q, want pecan", got)
	}
}
