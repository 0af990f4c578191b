package weighqueue

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"huskline/internal/fault"
)

// Config says where a queue lies and how large it may grow.
type Config struct {
	Dir   string // made if absent
	Limit int64  // bytes of the queue file; 0: StandardLimit
	// AcceptLoss opens a queue whose file has lost readings that counted, with what is whole of it up to the first damage. Own numbers given in the lost
	// part are not known then: raise the next number with Number before anything is added.
	AcceptLoss bool
}

// StandardLimit holds some hundred thousand readings, weeks of a busy scale.
const StandardLimit = 64 << 20

// Opened is what the opening of a queue found.
type Opened struct {
	Fresh     bool  // the queue was begun now
	Torn      int64 // bytes cut off at the end, which never counted
	Lost      error // what AcceptLoss accepted
	Remaining int   // readings not answered for good
}

// Open takes the queue of a folder for this process, or begins one. A queue that another process uses, one of another version, and one that has lost
// readings that counted are refused (queue_in_use, queue_version, queue_cut, queue_damaged), the last two with the place and the way out.
func Open(cfg Config) (*Queue, Opened, error) {
	if cfg.Limit == 0 {
		cfg.Limit = StandardLimit
	}
	q := &Queue{cfg: cfg, state: newState(), changed: make(chan struct{}, 1)}
	opened, err := q.open()
	if err != nil {
		return nil, opened, errors.Join(fmt.Errorf("open queue %s: %w", cfg.Dir, err), q.Close())
	}
	return q, opened, nil
}

func (q *Queue) path(name string) string { return filepath.Join(q.cfg.Dir, name) }

func (q *Queue) open() (o Opened, err error) {
	if err := os.MkdirAll(q.cfg.Dir, 0o700); err != nil {
		return o, err
	}
	if q.lock, err = lockFolder(q.cfg.Dir); err != nil {
		return o, err
	}
	if q.mark, err = openMark(q.path("mark")); err != nil {
		return o, err
	}
	q.file, err = os.OpenFile(q.path("queue"), os.O_RDWR, 0)
	if errors.Is(err, os.ErrNotExist) {
		if q.mark.there && !q.cfg.AcceptLoss {
			return o, fault.Precondition("queue_cut", "its file is gone, and %d bytes of it counted; %s", q.mark.length, wayOut)
		}
		o.Fresh = true
		return o, q.rewrite()
	}
	if err != nil {
		return o, err
	}
	size, err := q.file.Seek(0, io.SeekEnd)
	if err != nil {
		return o, err
	}
	if size == 0 && !q.mark.there {
		o.Fresh = true
		return o, q.rewrite()
	}
	good, err := q.replay()
	if err != nil {
		return o, err
	}
	if o.Lost = q.judge(good, size); o.Lost != nil && !q.cfg.AcceptLoss {
		return o, o.Lost
	}
	o.Torn, o.Remaining = size-good, q.state.remaining()
	if o.Torn > 0 {
		if err := errors.Join(q.file.Truncate(good), q.file.Sync()); err != nil {
			return o, err
		}
	}
	q.size = good
	return o, q.mark.set(point{q.state.generation, good})
}

// wayOut ends each refusal of a queue that has lost readings.
const wayOut = "look for the missing readings on the indicator's tickets; to go on with what is whole, say so and give the first number that the scale never used"

// replay folds the records in the file and returns where the whole ones end.
func (q *Queue) replay() (good int64, err error) {
	if _, err := q.file.Seek(0, io.SeekStart); err != nil {
		return 0, err
	}
	r := bufio.NewReader(q.file)
	line, err := r.ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	if line != head(version) {
		return 0, q.otherFormat(line)
	}
	good = int64(len(line))
	for {
		rec, n, err := decode(r)
		if errors.Is(err, io.EOF) || errors.Is(err, errTorn) {
			return good, nil
		}
		if err != nil {
			return good, err
		}
		if err := q.state.apply(rec); err != nil {
			return good, fmt.Errorf("the record at byte %d: %w", good, err)
		}
		good += n
	}
}

func head(v int) string { return fmt.Sprintf("%s %d\n", formatName, v) }

func (q *Queue) otherFormat(line string) error {
	name, rest, _ := strings.Cut(strings.TrimSuffix(line, "\n"), " ")
	if name == formatName && strings.HasSuffix(line, "\n") {
		return fault.Precondition("queue_version", "its file is of version %q, this program knows version %d: send its readings with the huskline that wrote it, then begin a new queue", rest, version)
	}
	return fault.Precondition("queue_version", "its file does not begin with %q: it is no queue of huskline", strings.TrimSuffix(head(version), "\n"))
}

// judge compares what is whole with what counted.
func (q *Queue) judge(good, size int64) error {
	m := q.mark
	switch {
	case !m.there && q.state.generation <= 1 && q.state.lastEntry == 0:
		return nil // a crash between the first file and its mark
	case !m.there:
		return fault.Precondition("queue_damaged", "its mark is gone, so that nobody can tell whether readings are missing; %d remain; %s", q.state.remaining(), wayOut)
	case q.state.generation == 0 && size < m.length:
		return q.cut(size)
	case q.state.generation == 0:
		return q.damaged(good)
	case q.state.generation == m.generation+1:
		return nil // a crash between a file written anew and its mark
	case q.state.generation != m.generation:
		return fault.Precondition("queue_cut", "its file is number %d, the mark is of number %d: an old copy was put back; %s", q.state.generation, m.generation, wayOut)
	case size < m.length:
		return q.cut(size)
	case good < m.length:
		return q.damaged(good)
	}
	return nil
}

func (q *Queue) cut(size int64) error {
	return fault.Precondition("queue_cut", "its file is cut: it has %d bytes, and %d counted; %d readings are whole and remain; %s", size, q.mark.length, q.state.remaining(), wayOut)
}

func (q *Queue) damaged(good int64) error {
	return fault.Precondition("queue_damaged", "its file is damaged at byte %d, before byte %d up to which it counted; %d readings before it are whole and remain; %s", good, q.mark.length,
		q.state.remaining(), wayOut)
}

// Close gives the queue up; what it holds stays.
func (q *Queue) Close() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	var errs []error
	for _, f := range []*os.File{q.file, q.lock} {
		if f != nil {
			errs = append(errs, f.Close())
		}
	}
	if q.mark != nil {
		errs = append(errs, q.mark.file.Close())
	}
	q.file, q.lock, q.mark, q.broken = nil, nil, nil, errClosed
	return errors.Join(errs...)
}

var errClosed = errors.New("the queue is closed")
