package pgserver

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"huskline/internal/fault"
)

// Superuser is the role that owns the cluster. Only the program uses it, to make databases and roles.
const Superuser = "postgres"

// port only names the socket file; nothing listens on it.
const port = "5432"

const (
	readyPoll     = 5 * time.Millisecond
	fastStopLimit = 30 * time.Second // a shutdown checkpoint of the default 1 GB of WAL on a slow disk
	hardStopLimit = 5 * time.Second
	maxLogBytes   = 16 << 20
)

// Config says which folder, and how.
type Config struct {
	Dir            string       // the data folder; made if absent
	Logger         *slog.Logger // nil: nothing is logged
	MaxConnections int          // 0: 100
	BinDirs        []string     // look for binaries here only; nil: search the system
	UnsafeNoSync   bool         // tests only: a power cut may lose or break everything
	Fetch          bool         // where no binaries are installed, fetch the pinned version
	CacheDir       string       // where a fetched version is kept; "": the user's cache folder
	FetchURL       string       // repository to fetch from; "": the public one
	Settings       []string     // more settings for this start, as name=value
}

// Server is a running Postgres. It must be stopped.
type Server struct {
	cfg    Config
	place  place
	lock   *os.File
	child  *child
	socket string
	tmp    bool // socket is a folder of our own under the system's temporary folder

	stopOnce sync.Once
	stopErr  error
}

// Start makes the cluster if there is none, deals with what a killed predecessor left, and returns once Postgres takes connections.
// A folder in use by another process is refused with fault.KindPrecondition, reason data_folder_in_use, naming both.
// Cancelling ctx stops whatever had begun; the folder is then as before, or holds a whole cluster.
func Start(ctx context.Context, cfg Config) (*Server, error) {
	if cfg.Logger == nil {
		cfg.Logger = slog.New(slog.DiscardHandler)
	}
	dir, err := filepath.Abs(cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("data folder %s: %w", cfg.Dir, err)
	}
	cfg.Dir = dir
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fault.Precondition("data_folder_unusable", "make data folder: %w", err)
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return nil, err
	}
	s := &Server{cfg: cfg, lock: lock}
	if err := s.start(ctx); err != nil {
		s.release()
		return nil, err
	}
	return s, nil
}

func (s *Server) start(ctx context.Context) error {
	var err error
	if s.place, err = openPlace(s.cfg.Dir); err != nil {
		return err
	}
	if err := s.place.stopLeftovers(ctx, s.cfg.Logger); err != nil {
		return err
	}
	bin, err := s.binaries(ctx)
	if err != nil {
		return err
	}
	if err := s.place.makeCluster(ctx, bin, s.cfg.UnsafeNoSync); err != nil {
		return err
	}
	if err := s.makeSocketFolder(); err != nil {
		return err
	}
	return s.launch(ctx, bin)
}

func (s *Server) binaries(ctx context.Context) (binaries, error) {
	want := s.place.clusterMajor()
	bin, err := find(ctx, s.cfg.BinDirs, want)
	if ctx.Err() != nil {
		return binaries{}, fmt.Errorf("look for PostgreSQL: %w", context.Cause(ctx)) // a look that was cut short has found nothing out
	}
	if err == nil || !s.cfg.Fetch || (want != "" && want != pinnedMajor) {
		return bin, err
	}
	return newFetcher(s.cfg, s.place).fetch(ctx)
}

// launch starts postgres and waits until it takes connections.
func (s *Server) launch(ctx context.Context, bin binaries) error {
	logPath := filepath.Join(s.place.dir, "server.log")
	logFile, from, err := openLog(logPath)
	if err != nil {
		return fmt.Errorf("open log of postgres: %w", err)
	}
	defer logFile.Close()
	// ctx ends the wait below, not a server that has started.
	cmd := s.place.command(context.WithoutCancel(ctx), bin.postgres(), s.arguments()...)
	cmd.Stdout, cmd.Stderr = logFile, logFile
	if s.child, err = startChild(cmd, syscall.SIGINT); err != nil {
		return fmt.Errorf("start %s: %w", bin.postgres(), err)
	}
	if err := s.awaitReady(ctx); err != nil {
		if stopErr := s.child.stop(context.WithoutCancel(ctx)); stopErr != nil {
			return errors.Join(err, stopErr)
		}
		return fmt.Errorf("%w%s", err, tail(logPath, from))
	}
	s.cfg.Logger.DebugContext(ctx, "postgres ready", "pid", s.child.pid(), "bin", bin.dir, "folder", s.cfg.Dir)
	return nil
}

// arguments are given at every start rather than kept in the cluster, so that a newer program brings its own.
func (s *Server) arguments() []string {
	conns := s.cfg.MaxConnections
	if conns == 0 {
		conns = 100
	}
	sync := "on"
	if s.cfg.UnsafeNoSync {
		sync = "off"
	}
	settings := []string{
		"listen_addresses=",
		"port=" + port,
		"unix_socket_directories=" + s.socketSetting(),
		"unix_socket_permissions=0700",
		"max_connections=" + strconv.Itoa(conns),
		"fsync=" + sync,
		"synchronous_commit=on", // without fsync too: then a killed Postgres loses nothing, only a power cut does
		"full_page_writes=" + sync,
		// Many small transactions on one machine: compiling queries costs more than it gives.
		"jit=off",
		// Full page images are most of the log's bytes; packing them is cheaper than writing them.
		"wal_compression=on",
		// Log that a backup has not copied yet is kept up to here; a backup that comes later has to begin anew.
		"max_slot_wal_keep_size=2GB",
		"timezone=UTC",
		"log_timezone=UTC",
		"log_destination=stderr",
		"logging_collector=off",
		"log_min_messages=warning",
		"log_line_prefix=%m %p %u@%d ",
		"lc_messages=C",
		"cluster_name=huskline",
	}
	args := []string{"-D", s.place.inner("cluster")}
	for _, v := range append(settings, s.cfg.Settings...) {
		args = append(args, "-c", v)
	}
	return args
}

// awaitReady reads postmaster.pid, whose eighth line Postgres keeps for this purpose; pg_ctl waits in the same way.
func (s *Server) awaitReady(ctx context.Context) error {
	tick := time.NewTicker(readyPoll)
	defer tick.Stop()
	path := filepath.Join(s.place.dir, "cluster", "postmaster.pid")
	for {
		if text, err := os.ReadFile(path); err == nil {
			lines := strings.Split(string(text), "\n")
			if len(lines) >= 8 && lines[0] == strconv.Itoa(s.child.pid()) && strings.TrimSpace(lines[7]) == "ready" {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("wait for postgres in %s: %w", s.cfg.Dir, context.Cause(ctx))
		case <-s.child.done:
			return fmt.Errorf("postgres in %s ended while starting: %v", s.cfg.Dir, s.child.err)
		case <-tick.C:
		}
	}
}

// Stop shuts Postgres down cleanly, waits for it, and gives the folder free. When ctx ends first Postgres is stopped hard, which costs the next start a recovery and nothing else.
// It may be called again; later calls return what the first did.
func (s *Server) Stop(ctx context.Context) error {
	s.stopOnce.Do(func() {
		s.stopErr = s.child.stop(ctx)
		s.release()
	})
	return s.stopErr
}

// release gives up everything but the child, which has ended or never begun.
func (s *Server) release() {
	if s.tmp {
		os.RemoveAll(s.socket)
	}
	s.place.close()
	s.lock.Close()
}

// Done is closed when Postgres has ended, asked or not. The owner must watch it: nothing restarts Postgres by itself.
func (s *Server) Done() <-chan struct{} { return s.child.done }

// PID is the process id of the postmaster.
func (s *Server) PID() int { return s.child.pid() }

// DSN is a connection string for a database as a role of this cluster. Whoever can enter the folder needs no password.
func (s *Server) DSN(database, user string) string { return socketDSN(s.socket, database, user) }

// openLog appends to the log and keeps one older file, so that it stays bounded. from is where this run's text begins.
func openLog(path string) (f *os.File, from int64, err error) {
	if info, err := os.Stat(path); err == nil && info.Size() > maxLogBytes {
		if err := os.Rename(path, path+".old"); err != nil {
			return nil, 0, err
		}
	}
	f, err = os.OpenFile(path, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, 0, err
	}
	info, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, 0, err
	}
	return f, info.Size(), nil
}

// tail is what Postgres said in this run, for the error's text.
func tail(path string, from int64) string {
	const limit = 2000
	text, err := os.ReadFile(path)
	if err != nil || int64(len(text)) <= from {
		return ""
	}
	text = text[from:]
	if len(text) > limit {
		text = text[len(text)-limit:]
	}
	return "; it said:\n" + strings.TrimSpace(string(text))
}
