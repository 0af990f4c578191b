package device

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/services/huskline/internal/weighfeed"
	"huskline/services/huskline/internal/weighqueue"
)

// FollowConfig reads a file that another program writes, CSV with a header row or JSON lines, and goes on as it grows.
type FollowConfig struct {
	Path   string
	Origin string // how far it was read before; empty: from its start
	Now    func() time.Time
}

// Follow is a file that grows, as a Source. A line counts once its end is written. Where the file is cut short or another one takes its name, it is read
// from the start.
type Follow struct {
	cfg  FollowConfig
	at   int64  // bytes read
	tail string // the last bytes before, to know the file again
	line int    // lines read, for messages
	said string
}

// The steps of a file that grows.
const (
	followPause = 200 * time.Millisecond
	followBatch = 200
	tailBytes   = 64
	maxLine     = 64 << 10
)

// NewFollow makes the source.
func NewFollow(cfg FollowConfig) *Follow { return &Follow{cfg: cfg} }

// Run follows the file until ctx ends.
func (f *Follow) Run(ctx context.Context, sink Sink) error {
	for {
		err := f.through(ctx, sink)
		if ctx.Err() != nil {
			return nil
		}
		var gone *os.PathError
		if err != nil && !errors.As(err, &gone) {
			return err
		}
		if err != nil && f.said != "file_away" {
			f.said = "file_away"
			sink.Tell(Notice{Reason: "file_away", Message: fmt.Sprintf("%v; tried again until it is there", err), Alarm: true})
		}
		if !wait(ctx, followPause) {
			return nil
		}
	}
}

// wait is false where ctx ended first.
func wait(ctx context.Context, pause time.Duration) bool {
	timer := time.NewTimer(pause)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// through reads one file for as long as it is the one of its name.
func (f *Follow) through(ctx context.Context, sink Sink) error {
	file, err := os.Open(f.cfg.Path)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }()
	parser := &weighfeed.Parser{OwnNumbers: true}
	r := bufio.NewReaderSize(file, maxLine)
	if err := f.goOn(file, r, parser, sink); err != nil {
		return err
	}
	for {
		if err := f.read(ctx, r, parser, sink); err != nil {
			return err
		}
		same, err := f.same(file)
		if err != nil || !same {
			return err
		}
		if !wait(ctx, followPause) {
			return nil
		}
		if _, err := file.Seek(f.at, io.SeekStart); err != nil {
			return err
		}
		r.Reset(file)
	}
}

// goOn finds the place where an earlier reading of the file ended, if this is the file.
func (f *Follow) goOn(file *os.File, r *bufio.Reader, parser *weighfeed.Parser, sink Sink) error {
	f.at, f.tail, f.line = 0, "", 0
	var at int64
	var sum uint32
	if _, err := fmt.Sscanf(f.cfg.Origin, "%d %08x", &at, &sum); err != nil || at <= 0 {
		return nil
	}
	f.cfg.Origin = ""
	before := make([]byte, min(at, tailBytes))
	_, err := file.ReadAt(before, at-int64(len(before)))
	if errors.Is(err, io.EOF) || err == nil && crc32.ChecksumIEEE(before) != sum {
		sink.Tell(Notice{Reason: "file_new", Message: fmt.Sprintf("%s is not the file that was read up to byte %d: it is read from its start", f.cfg.Path, at)})
		return nil
	}
	if err != nil {
		return err
	}
	first, err := r.ReadString('\n')
	if err != nil {
		return err
	}
	if _, err := parser.Line(strings.TrimRight(first, "\r\n")); err != nil && !parser.Begun() {
		return fmt.Errorf("%s: %w", f.cfg.Path, err)
	}
	f.at, f.tail = at, string(before)
	_, err = file.Seek(at, io.SeekStart)
	r.Reset(file)
	return err
}

// same tells whether the file still has its name and is not shorter than what was read.
func (f *Follow) same(file *os.File) (bool, error) {
	open, err := file.Stat()
	if err != nil {
		return false, err
	}
	named, err := os.Stat(f.cfg.Path)
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	return err == nil && os.SameFile(open, named) && open.Size() >= f.at, err
}

// read takes whole lines to the end of what is there.
func (f *Follow) read(ctx context.Context, r *bufio.Reader, parser *weighfeed.Parser, sink Sink) error {
	var batch []weighqueue.Entry
	for ctx.Err() == nil {
		line, err := r.ReadSlice('\n')
		long := errors.Is(err, bufio.ErrBufferFull)
		n := int64(len(line))
		for text := string(line); errors.Is(err, bufio.ErrBufferFull); n += int64(len(line)) {
			line, err = r.ReadSlice('\n')
			f.tail = text
		}
		if errors.Is(err, io.EOF) {
			return f.keep(ctx, batch, sink) // a line without its end is not whole yet
		}
		if err != nil {
			return err
		}
		f.line++
		f.at += n
		f.tail = lastBytes(f.tail + string(line))
		entry, err := f.parse(line, long, parser, sink)
		if err != nil {
			return err
		}
		if entry.Reading == nil {
			continue
		}
		if batch = append(batch, entry); len(batch) == followBatch {
			if err := f.keep(ctx, batch, sink); err != nil {
				return err
			}
			batch = nil
		}
	}
	return nil
}

func lastBytes(s string) string { return s[max(0, len(s)-tailBytes):] }

// parse reads one line; a bad one is told and passed over, a header row that cannot be understood ends the reading of the file.
func (f *Follow) parse(line []byte, long bool, parser *weighfeed.Parser, sink Sink) (weighqueue.Entry, error) {
	begun := parser.Begun()
	err := fault.Invalid("line_too_long", "the line is longer than %d bytes", maxLine)
	e := weighqueue.Entry{Origin: fmt.Sprintf("%d %08x", f.at, crc32.ChecksumIEEE([]byte(f.tail)))}
	if !long {
		e.Reading, err = parser.Line(strings.TrimRight(string(line), "\r\n"))
	}
	if err != nil && !begun && !parser.Begun() {
		return e, fmt.Errorf("%s: %w", f.cfg.Path, err)
	}
	if err != nil {
		sink.Tell(Notice{Reason: fault.ReasonOf(err), Message: fmt.Sprintf("%s line %d (ends at byte %d): %v; not taken", f.cfg.Path, f.line, f.at, err), Alarm: true})
	}
	return e, nil
}

// keep hands lines to the sink and, where it is full, waits: the file keeps what comes meanwhile.
func (f *Follow) keep(ctx context.Context, batch []weighqueue.Entry, sink Sink) error {
	for len(batch) > 0 {
		err := sink.Keep(batch...)
		switch k := fault.KindOf(err); {
		case err == nil:
			f.said = ""
			return nil
		case k == fault.KindInvalid && len(batch) > 1:
			for i := range batch {
				if err := f.keep(ctx, batch[i:i+1], sink); err != nil {
					return err
				}
			}
			return nil
		case k == fault.KindInvalid:
			sink.Tell(Notice{Reason: fault.ReasonOf(err), Message: fmt.Sprintf("%s before line %d: %v; not taken", f.cfg.Path, f.line+1, err), Alarm: true})
			return nil
		case k != fault.KindPrecondition && k != fault.KindUnavailable:
			return err
		}
		if reason := fault.ReasonOf(err); reason != f.said {
			f.said = reason
			sink.Tell(Notice{Reason: reason, Message: fmt.Sprintf("%s: %v; reading waits until there is room", f.cfg.Path, err), Alarm: true})
		}
		if !wait(ctx, time.Second) {
			return nil
		}
	}
	return nil
}
