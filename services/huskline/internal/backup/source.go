package backup

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/pgserver"
)

// source is the running cluster.
type source struct {
	conn     *pgx.Conn
	data     string
	cluster  string // folder
	system   string
	timeline int64
	major    int
}

func openSource(ctx context.Context, data string) (*source, error) {
	joined, err := pgserver.Join(data)
	if err != nil {
		return nil, err
	}
	s := &source{data: data, cluster: joined.Cluster}
	if s.conn, err = pgx.Connect(ctx, joined.DSN("postgres", pgserver.Superuser)); err != nil {
		return nil, fault.Unavailable("not_running", "data folder %s: its database does not answer: %w", data, err)
	}
	const who = `select s.system_identifier::text, c.timeline_id, current_setting('server_version_num')::integer / 10000
		from pg_control_system() s, pg_control_checkpoint() c`
	if err := s.conn.QueryRow(ctx, who).Scan(&s.system, &s.timeline, &s.major); err != nil {
		return nil, errors.Join(fmt.Errorf("ask which database it is: %w", err), s.close())
	}
	return s, nil
}

func (s *source) close() error { return s.conn.Close(context.Background()) }

// reserve makes a slot, from which on the log is kept. Slots of backups that were left for so long that their log is gone make way.
func (s *source) reserve(ctx context.Context, slot string) error {
	const tidy = `select pg_drop_replication_slot(slot_name) from pg_replication_slots
		where slot_name like 'huskline\_backup\_%' and wal_status = 'lost' and not active`
	if _, err := s.conn.Exec(ctx, tidy); err != nil {
		return fmt.Errorf("drop what lost backups reserved: %w", err)
	}
	if _, err := s.conn.Exec(ctx, `select pg_create_physical_replication_slot($1, true)`, slot); err != nil {
		return fmt.Errorf("reserve the log for the backup: %w", err)
	}
	return nil
}

// release drops a slot if it is there.
func (s *source) release(ctx context.Context, slot string) error {
	const drop = `select pg_drop_replication_slot(slot_name) from pg_replication_slots where slot_name = $1 and not active`
	if _, err := s.conn.Exec(ctx, drop, slot); err != nil {
		return fmt.Errorf("release the log of the backup: %w", err)
	}
	return nil
}

// reserved refuses a backup whose log is not kept any more.
func (s *source) reserved(ctx context.Context, slot string) error {
	var kept bool
	const look = `select coalesce((select wal_status is distinct from 'lost' from pg_replication_slots where slot_name = $1), false)`
	if err := s.conn.QueryRow(ctx, look, slot).Scan(&kept); err != nil {
		return fmt.Errorf("look for the log of the backup: %w", err)
	}
	if !kept {
		return broken("the log since is not kept any more")
	}
	return nil
}

func broken(why string) error {
	return fault.Precondition("backup_broken", "this backup cannot be brought up to date: %s; take a new one into another folder, this one stays good for what it covers", why)
}

// begin has Postgres write a checkpoint and prepare for being copied; it gives the first segment of the log that the copy needs.
func (s *source) begin(ctx context.Context) (segment string, err error) {
	start := `select pg_walfile_name(pg_backup_start('huskline', true))`
	if s.major < 15 {
		start = `select pg_walfile_name(pg_start_backup('huskline', true, false))`
	}
	if err := s.conn.QueryRow(ctx, start).Scan(&segment); err != nil {
		return "", fmt.Errorf("begin the copy: %w", err)
	}
	return segment, nil
}

// end gives the label that the copy needs, and the moment from which on it can be restored.
func (s *source) end(ctx context.Context) (label string, at time.Time, err error) {
	stop := `select labelfile, coalesce(spcmapfile, '') from pg_backup_stop(false)`
	if s.major < 15 {
		stop = `select labelfile, coalesce(spcmapfile, '') from pg_stop_backup(false, false)`
	}
	var spaces string
	if err := s.conn.QueryRow(ctx, stop).Scan(&label, &spaces); err != nil {
		return "", at, fmt.Errorf("end the copy: %w", err)
	}
	if strings.TrimSpace(spaces) != "" {
		return "", at, fault.Precondition("backup_tablespaces", "the database has files outside its folder, which a backup does not copy")
	}
	err = s.clock(ctx, &at)
	return label, at, err
}

func (s *source) clock(ctx context.Context, at *time.Time) error {
	if err := s.conn.QueryRow(ctx, `select clock_timestamp()`).Scan(at); err != nil {
		return fmt.Errorf("ask the time of the database: %w", err)
	}
	*at = at.UTC()
	return nil
}

// cut ends the present segment of the log behind a commit that is later than the moment it gives; the segments up to last are final then.
func (s *source) cut(ctx context.Context) (moment time.Time, last, place string, err error) {
	if err := s.clock(ctx, &moment); err != nil {
		return moment, "", "", err
	}
	if _, err := s.conn.Exec(ctx, `select pg_current_xact_id()`); err != nil { // a transaction with an id is one whose commit is logged
		return moment, "", "", fmt.Errorf("write a commit behind the backup's end: %w", err)
	}
	const cut = `select l::text, pg_walfile_name(l) from pg_switch_wal() l`
	if err := s.conn.QueryRow(ctx, cut).Scan(&place, &last); err != nil {
		return moment, "", "", fmt.Errorf("end a segment of the log: %w", err)
	}
	return moment, last, place, nil
}

// copied lets the log before a place go.
func (s *source) copied(ctx context.Context, slot, place string) error {
	if _, err := s.conn.Exec(ctx, `select pg_replication_slot_advance($1, $2::pg_lsn)`, slot, place); err != nil {
		return fmt.Errorf("let the copied log go: %w", err)
	}
	return nil
}

// left lists folders whose content is made anew at a start.
var left = []string{"pg_wal", "pg_replslot", "pg_dynshmem", "pg_notify", "pg_serial", "pg_snapshots", "pg_stat_tmp", "pg_subtrans"}

// controlFile is copied last: it says how far the log has to be replayed.
const controlFile = "global/pg_control"

// copyBase copies the cluster's files while it runs; what vanishes meanwhile is not needed.
func (s *source) copyBase(ctx context.Context, to string, m *manifest) error {
	err := filepath.WalkDir(s.cluster, func(path string, e fs.DirEntry, err error) error {
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return nil
		case err != nil:
			return err
		case ctx.Err() != nil:
			return context.Cause(ctx)
		}
		name, err := filepath.Rel(s.cluster, path)
		if err != nil || name == "." {
			return err
		}
		switch {
		case e.IsDir() && strings.HasPrefix(e.Name(), "pgsql_tmp"):
			return fs.SkipDir
		case e.IsDir():
			m.Folders = append(m.Folders, name)
			if err := os.MkdirAll(filepath.Join(to, name), 0o700); err != nil {
				return err
			}
			if slices.Contains(left, name) {
				return fs.SkipDir
			}
			return nil
		case !e.Type().IsRegular() || name == controlFile || passing(e.Name()):
			return nil
		}
		return copyInto(m, path, to, name)
	})
	if err == nil {
		err = copyInto(m, filepath.Join(s.cluster, controlFile), to, controlFile)
	}
	if err != nil {
		return fmt.Errorf("copy the database: %w", err)
	}
	return nil
}

func copyInto(m *manifest, path, to, name string) error {
	f, err := copyFile(path, filepath.Join(to, name))
	if errors.Is(err, fs.ErrNotExist) && name != controlFile {
		return nil
	}
	f.Name = name
	m.Base = append(m.Base, f)
	return err
}

// passing tells whether a file belongs to this run of Postgres only.
func passing(name string) bool {
	return strings.HasPrefix(name, "postmaster.") || strings.HasPrefix(name, "pg_internal.init") || strings.HasSuffix(name, ".signal") ||
		strings.HasPrefix(name, "backup_label") || strings.HasPrefix(name, "tablespace_map") || strings.HasPrefix(name, "pgsql_tmp")
}
