package pgserver

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"huskline/internal/fault"
)

func onParentDeath(attr *syscall.SysProcAttr, sig syscall.Signal) { attr.Pdeathsig = sig }

// stopLeftovers ends every postgres process that works in the cluster. We hold the folder's lock, so whoever started them is gone.
func (p place) stopLeftovers(ctx context.Context, log *slog.Logger) error {
	cluster := filepath.Join(p.dir, "cluster")
	leader := leaderOf(cluster)
	left := workingIn(cluster)
	if len(left) == 0 {
		return p.dropForeignPid(cluster, leader)
	}
	log.InfoContext(ctx, "stopping the postgres left by a killed owner", "pid", leader, "folder", p.dir)
	ctx, cancel := context.WithTimeout(ctx, fastStopLimit)
	defer cancel()
	steps := []struct {
		sig  syscall.Signal
		wait time.Duration
	}{{syscall.SIGINT, fastStopLimit / 2}, {syscall.SIGQUIT, hardStopLimit}, {syscall.SIGKILL, hardStopLimit}}
	if leader != 0 && !slices.Contains(left, leader) {
		steps = steps[1:] // children of a postmaster that was killed: nobody is there to shut down, and one that does not notice would be waited for
	}
	for _, step := range steps {
		for _, pid := range left {
			// A fast shutdown is asked of the postmaster alone; its children end with it.
			if step.sig != syscall.SIGINT || pid == leader || leader == 0 {
				syscall.Kill(pid, step.sig)
				syscall.Kill(pid, syscall.SIGCONT)
			}
		}
		if left = awaitGone(ctx, cluster, step.wait); len(left) == 0 {
			return nil
		}
		if ctx.Err() != nil {
			break
		}
	}
	return fault.Precondition("data_folder_in_use", "postgres %d, left in %s by a killed owner, does not end", left[0], p.dir)
}

func awaitGone(ctx context.Context, cluster string, limit time.Duration) []int {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	tick := time.NewTicker(readyPoll)
	defer tick.Stop()
	for {
		left := workingIn(cluster)
		if len(left) == 0 {
			return nil
		}
		select {
		case <-ctx.Done():
			return left
		case <-tick.C:
		}
	}
}

// workingIn finds the postgres processes whose working folder is the cluster, as every process of a postmaster's is. A recycled process id cannot deceive it.
func workingIn(cluster string) []int {
	want, err := os.Stat(cluster)
	if err != nil {
		return nil
	}
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil
	}
	var found []int
	for _, e := range entries {
		pid, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		comm, err := os.ReadFile("/proc/" + e.Name() + "/comm")
		if err != nil || !bytes.HasPrefix(comm, []byte("postgres")) {
			continue
		}
		cwd, err := os.Stat("/proc/" + e.Name() + "/cwd")
		if err == nil && os.SameFile(cwd, want) {
			found = append(found, pid)
		}
	}
	return found
}

// leaderOf is the process that postmaster.pid names, 0 if there is none.
func leaderOf(cluster string) int {
	text, err := os.ReadFile(filepath.Join(cluster, "postmaster.pid"))
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil {
		return 0
	}
	return pid
}

// dropForeignPid removes a postmaster.pid whose process lives but is no postgres of this cluster. Postgres cannot tell and would refuse to start.
// One whose process is dead is left: Postgres then also checks that no orphan still holds its shared memory.
func (p place) dropForeignPid(cluster string, leader int) error {
	if leader == 0 || syscall.Kill(leader, 0) == syscall.ESRCH {
		return nil
	}
	if err := os.Remove(filepath.Join(cluster, "postmaster.pid")); err != nil {
		return fmt.Errorf("remove stale postmaster.pid: %w", err)
	}
	return nil
}
