package backup

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"huskline/internal/fault"
)

// Report is what a backup covers.
type Report struct {
	Begin, End time.Time // any moment between can be restored
	Bytes      int64
	Fresh      bool // the first copy; else an earlier one was brought up to date
}

// Take copies the plant that runs on a data folder into a folder that is empty or not there, or brings a backup up to date that lies there. One that
// is cut short leaves nothing that looks whole: a first copy is taken away, an earlier one stays as it was.
func Take(ctx context.Context, data, target string) (Report, error) {
	entries, err := os.ReadDir(target)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Report{}, fmt.Errorf("backup folder: %w", err)
	}
	for _, e := range entries {
		switch e.Name() {
		case baseFolder, walFolder, manifestFile, manifestFile + ".new", unfinishedFile, lockFile:
		default:
			return Report{}, fault.Precondition("target_not_empty", "backup folder %s: holds %s and no backup; give an empty folder or a new name", target, e.Name())
		}
	}
	s, err := openSource(ctx, data)
	if err != nil {
		return Report{}, err
	}
	defer func() { _ = s.close() }()
	if err := os.MkdirAll(target, 0o700); err != nil {
		return Report{}, fmt.Errorf("backup folder: %w", err)
	}
	release, err := lock(target)
	if err != nil {
		return Report{}, err
	}
	defer release()
	m, err := readManifest(target)
	switch {
	case fault.ReasonOf(err) == "backup_missing":
		return s.first(ctx, target)
	case err != nil:
		return Report{}, err
	case m.System != s.system || m.Timeline != s.timeline:
		return Report{}, broken("it is of another database, or of the time before this one was restored")
	}
	if err := s.reserved(ctx, m.Slot); err != nil {
		return Report{}, err
	}
	return s.extend(ctx, target, m)
}

// lock keeps two backups out of one folder.
func lock(target string) (release func(), err error) {
	f, err := os.OpenFile(filepath.Join(target, lockFile), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock the backup folder: %w", err)
	}
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		_ = f.Close()
		return nil, fault.Precondition("target_in_use", "backup folder %s: another backup is writing into it", target)
	}
	return func() { _ = f.Close() }, nil
}

// first makes the first copy.
func (s *source) first(ctx context.Context, target string) (report Report, err error) {
	marker := filepath.Join(target, unfinishedFile)
	if old, err := os.ReadFile(marker); err == nil { // a copy that was killed
		if err := s.release(ctx, string(old)); err != nil {
			return Report{}, err
		}
	}
	m := &manifest{Format: format, System: s.system, Timeline: s.timeline, Postgres: s.major, Slot: "huskline_backup_" + strings.ToLower(rand.Text()[:8])}
	if err := os.WriteFile(marker, []byte(m.Slot), 0o600); err != nil {
		return Report{}, fmt.Errorf("backup folder: %w", err)
	}
	defer func() {
		if err != nil {
			last, cancel := context.WithTimeout(context.WithoutCancel(ctx), releaseLimit)
			defer cancel()
			err = errors.Join(err, s.undo(last, target, m.Slot))
		}
	}()
	for _, name := range []string{baseFolder, walFolder} {
		if err := errors.Join(os.RemoveAll(filepath.Join(target, name)), os.MkdirAll(filepath.Join(target, name), 0o700)); err != nil {
			return Report{}, fmt.Errorf("backup folder: %w", err)
		}
	}
	if err := s.reserve(ctx, m.Slot); err != nil {
		return Report{}, err
	}
	segment, err := s.begin(ctx)
	if err != nil {
		return Report{}, err
	}
	if err := s.copyBase(ctx, filepath.Join(target, baseFolder), m); err != nil {
		return Report{}, err
	}
	label, begin, err := s.end(ctx)
	if err != nil {
		return Report{}, err
	}
	if err := m.label(target, label); err != nil {
		return Report{}, err
	}
	m.Begin = begin
	m.Log = []file{{Name: segment}} // the first one that is missing
	report, err = s.extend(ctx, target, m)
	if err == nil {
		report.Fresh = true
		err = os.Remove(marker)
	}
	return report, err
}

// releaseLimit is how long a cut-off backup takes at most to tidy up.
const releaseLimit = 10 * time.Second

// undo takes a copy away that was not finished. A connection that was cut lost its hold by itself; another one drops the slot.
func (s *source) undo(ctx context.Context, target, slot string) error {
	var errs []error
	conn, err := openSource(ctx, s.data)
	if err == nil {
		errs = append(errs, conn.release(ctx, slot), conn.close())
	}
	for _, name := range []string{manifestFile, manifestFile + ".new", baseFolder, walFolder} {
		errs = append(errs, os.RemoveAll(filepath.Join(target, name)))
	}
	if err == nil { // else the next backup into this folder releases it
		errs = append(errs, os.Remove(filepath.Join(target, unfinishedFile)))
	}
	return errors.Join(errs...)
}

// label adds the file by which Postgres knows that it was copied while it ran.
func (m *manifest) label(target, text string) error {
	const name = "backup_label"
	path := filepath.Join(target, baseFolder, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		return fmt.Errorf("write the copy's label: %w", err)
	}
	f, err := digest(path)
	f.Name = name
	m.Base = append(m.Base, f)
	return err
}

// extend copies the log up to now and writes the manifest.
func (s *source) extend(ctx context.Context, target string, m *manifest) (Report, error) {
	moment, last, place, err := s.cut(ctx)
	if err != nil {
		return Report{}, err
	}
	next := m.Log[len(m.Log)-1].Name
	if m.Log[0].SHA256 == "" {
		m.Log = nil
	} else if next, err = following(next); err != nil {
		return Report{}, err
	}
	for next <= last {
		if ctx.Err() != nil {
			return Report{}, context.Cause(ctx)
		}
		f, err := copyFile(filepath.Join(s.cluster, "pg_wal", next), filepath.Join(target, walFolder, next))
		if err != nil {
			return Report{}, broken(fmt.Sprintf("segment %s of the log: %v", next, err))
		}
		f.Name = next
		m.Log = append(m.Log, f)
		if next, err = following(next); err != nil {
			return Report{}, err
		}
	}
	m.End = moment
	syscall.Sync() // all files at once, before the manifest names them
	if err := ctx.Err(); err != nil {
		return Report{}, context.Cause(ctx)
	}
	if err := m.write(target); err != nil {
		return Report{}, err
	}
	return Report{Begin: m.Begin, End: m.End, Bytes: m.bytes()}, s.copied(ctx, m.Slot, place)
}

// following is the segment after one: timeline, then number in two parts of eight hexadecimal digits, of which the second goes to FF with segments of
// 16 MiB.
func following(segment string) (string, error) {
	if len(segment) != 24 {
		return "", fault.Bug("segment of the log %q", segment)
	}
	high, err1 := strconv.ParseUint(segment[8:16], 16, 32)
	low, err2 := strconv.ParseUint(segment[16:], 16, 32)
	if err1 != nil || err2 != nil {
		return "", fault.Bug("segment of the log %q", segment)
	}
	n := high<<8 + low + 1
	return fmt.Sprintf("%s%08X%08X", segment[:8], n>>8, n&0xff), nil
}
