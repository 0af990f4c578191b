package weighqueue

import (
	"errors"
	"os"
	"path/filepath"
)

// tidyAbove is the size from which a file is written anew when most of it is answered. Smaller ones are not worth the flushes.
const tidyAbove = 256 << 10

// tidy writes the file anew where that is worth it: it is large and less than half of it is still needed. On a full disk it leaves things as they are.
func (q *Queue) tidy() error {
	if q.size <= tidyAbove || q.answered == 0 {
		return nil
	}
	generation := q.state.generation + 1
	data, err := q.fresh(generation)
	if err != nil || int64(len(data)) > q.size/2 {
		return err
	}
	return q.replace(data, generation)
}

// squeeze is tidy at the limit, where every byte is worth it.
func (q *Queue) squeeze() error {
	if q.answered == 0 {
		return nil
	}
	generation := q.state.generation + 1
	data, err := q.fresh(generation)
	if err != nil {
		return err
	}
	return q.replace(data, generation)
}

// rewrite begins the first file of a queue.
func (q *Queue) rewrite() error {
	generation := max(q.mark.generation, q.state.generation) + 1
	data, err := q.fresh(generation)
	if err != nil {
		return err
	}
	return q.replace(data, generation)
}

// fresh is the bytes of a file that tells the state as it is.
func (q *Queue) fresh(generation int64) ([]byte, error) {
	old := q.state.generation
	q.state.generation = generation
	records, err := q.state.records()
	q.state.generation = old
	if err != nil {
		return nil, err
	}
	data, err := encode(records...)
	return append([]byte(head(version)), data...), err
}

// replace puts a file in place whole: written aside, flushed, renamed, the folder flushed. A crash in between leaves the old one or the new one; both
// tell the same.
func (q *Queue) replace(data []byte, generation int64) error {
	aside := q.path("queue.new")
	f, err := os.OpenFile(aside, os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	if _, err := f.Write(data); err != nil {
		err = errors.Join(err, f.Close(), os.Remove(aside))
		if q.file != nil {
			return nil // no room for a second file: the old one does
		}
		return err
	}
	if err := errors.Join(f.Sync(), os.Rename(aside, q.path("queue")), syncFolder(q.cfg.Dir)); err != nil {
		return q.breakWith(errors.Join(err, f.Close()))
	}
	if q.file != nil {
		_ = q.file.Close()
	}
	q.file, q.size, q.state.generation, q.answered = f, int64(len(data)), generation, 0
	if err := q.mark.set(point{generation, q.size}); err != nil {
		return q.breakWith(err)
	}
	return syncFolder(q.cfg.Dir)
}

func syncFolder(dir string) error {
	folder, err := os.Open(filepath.Clean(dir))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}
