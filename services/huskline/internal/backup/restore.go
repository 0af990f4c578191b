package backup

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"huskline/internal/fault"
	"huskline/internal/pgserver"
)

// RestoreConfig says what is restored, where to, and how it stood when.
type RestoreConfig struct {
	Source string    // a backup's folder
	Data   string    // the data folder to be made: empty, or not there
	At     time.Time // everything committed by then is there, and nothing later; zero: the latest moment there is
}

// Restore makes a data folder of a backup and gives the moment that it stands at. Nothing is left where it fails: the folder gets its name last.
// Reasons data_folder_not_empty, moment_too_early, moment_too_late, backup_missing, backup_damaged.
func Restore(ctx context.Context, cfg RestoreConfig) (at time.Time, err error) {
	entries, err := os.ReadDir(cfg.Data)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return at, fmt.Errorf("data folder: %w", err)
	}
	if len(entries) > 0 {
		return at, fault.Precondition("data_folder_not_empty", "data folder %s: holds %s; a backup is restored into an empty folder or a new one", cfg.Data, entries[0].Name())
	}
	m, err := readManifest(cfg.Source)
	if err != nil {
		return at, err
	}
	if cfg.At.IsZero() {
		cfg.At = m.End
	}
	switch at = cfg.At.UTC().Truncate(time.Microsecond); {
	case at.Before(m.Begin):
		return at, fault.Precondition("moment_too_early", "moment %s: this backup reaches from %s to %s", stamp(at), stamp(m.Begin), stamp(m.End))
	case at.After(m.End):
		return at, fault.Precondition("moment_too_late", "moment %s: this backup reaches from %s to %s", stamp(at), stamp(m.Begin), stamp(m.End))
	}
	data, err := filepath.Abs(cfg.Data)
	if err != nil {
		return at, fmt.Errorf("data folder: %w", err)
	}
	half, err := os.MkdirTemp(filepath.Dir(data), filepath.Base(data)+".new-")
	if err != nil {
		return at, fmt.Errorf("make the data folder: %w", err)
	}
	defer func() { _ = os.RemoveAll(half) }() // gone by its name once all is done
	if err := pgserver.FillCluster(half, func(cluster string) error { return m.fill(ctx, cfg.Source, cluster) }); err != nil {
		return at, err
	}
	if err := replay(ctx, half, at); err != nil {
		return at, err
	}
	// A folder that is empty gives way; one that is not there any more need not.
	if err := os.Remove(data); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return at, fault.Precondition("data_folder_not_empty", "data folder %s: it was filled meanwhile: %w", data, err)
	}
	if err := os.Rename(half, data); err != nil {
		return at, fmt.Errorf("name the data folder: %w", err)
	}
	return at, syncFolder(filepath.Dir(data))
}

func stamp(at time.Time) string { return at.Format(time.RFC3339Nano) }

// fill writes the cluster, holding each file to its digest.
func (m *manifest) fill(ctx context.Context, from, cluster string) error {
	for _, name := range m.Folders {
		if !filepath.IsLocal(name) {
			return damaged(from, manifestFile)
		}
		if err := os.MkdirAll(filepath.Join(cluster, name), 0o700); err != nil {
			return fmt.Errorf("restore the database: %w", err)
		}
	}
	if err := os.MkdirAll(filepath.Join(cluster, "pg_wal", "archive_status"), 0o700); err != nil {
		return fmt.Errorf("restore the database: %w", err)
	}
	for _, part := range []struct {
		files    []file
		from, to string
	}{{m.Base, baseFolder, "."}, {m.Log, walFolder, "pg_wal"}} {
		for _, want := range part.files {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			if !filepath.IsLocal(want.Name) {
				return damaged(from, manifestFile)
			}
			name := filepath.Join(part.from, want.Name)
			got, err := copyFile(filepath.Join(from, name), filepath.Join(cluster, part.to, want.Name))
			switch {
			case errors.Is(err, fs.ErrNotExist):
				return damaged(from, name)
			case err != nil:
				return fmt.Errorf("restore %s: %w", name, err)
			case got.Size != want.Size || got.SHA256 != want.SHA256:
				return damaged(from, name)
			}
		}
	}
	return os.WriteFile(filepath.Join(cluster, "recovery.signal"), nil, 0o600)
}

// replay lets Postgres take in the log up to the moment, and stops it.
func replay(ctx context.Context, data string, at time.Time) error {
	server, err := pgserver.Start(ctx, pgserver.Config{Dir: data, Fetch: true, Settings: []string{
		"restore_command=false", // the whole log lies in its place
		"recovery_target_time=" + at.Format("2006-01-02 15:04:05.000000-07:00"),
		"recovery_target_timeline=current",
		"recovery_target_action=promote",
		"hot_standby=off", // nobody is let in before the end
	}})
	if err != nil {
		return fmt.Errorf("replay the log up to %s: %w", stamp(at), err)
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopLimit)
	defer cancel()
	if err := server.Stop(stop); err != nil {
		return fmt.Errorf("stop the restored database: %w", err)
	}
	return nil
}

// stopLimit is what a shutdown may take, with the checkpoint after a long replay.
const stopLimit = time.Minute

func digest(path string) (file, error) {
	f, err := os.Open(path)
	if err != nil {
		return file{}, err
	}
	defer func() { _ = f.Close() }()
	sum := sha256.New()
	n, err := io.Copy(sum, f)
	return file{Size: n, SHA256: hex.EncodeToString(sum.Sum(nil))}, err
}
