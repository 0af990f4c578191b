//go:build !linux

package pgserver

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// onParentDeath cannot be done here: a killed owner leaves Postgres running until the next start.
func onParentDeath(*syscall.SysProcAttr, syscall.Signal) {}

// stopLeftovers asks the process that postmaster.pid names to stop, if it still answers on our socket; we hold the folder's lock, so its owner is gone.
func (p place) stopLeftovers(ctx context.Context, log *slog.Logger) error {
	pidFile := filepath.Join(p.dir, "cluster", "postmaster.pid")
	text, err := os.ReadFile(pidFile)
	if err != nil {
		return nil
	}
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || syscall.Kill(pid, syscall.SIGINT) != nil {
		return nil
	}
	log.InfoContext(ctx, "stopping the postgres left by a killed owner", "pid", pid, "folder", p.dir)
	ctx, cancel := context.WithTimeout(ctx, fastStopLimit)
	defer cancel()
	tick := time.NewTicker(readyPoll)
	defer tick.Stop()
	for {
		if _, err := os.Stat(pidFile); err != nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("postgres %d, left in %s by a killed owner, does not end", pid, p.dir)
		case <-tick.C:
		}
	}
}
