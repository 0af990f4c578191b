package weighfeed

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	intakev1 "huskline/proto/huskline/intake/v1"

	"huskline/internal/fault"
)

// Outcome is what became of a line.
type Outcome string

// The outcomes, in the words that are printed.
const (
	Stored   Outcome = "stored"
	Repeated Outcome = "repeated"
	Refused  Outcome = "refused"
	Conflict Outcome = "conflict"
)

var outcomes = map[intakev1.ReadingOutcome]Outcome{
	intakev1.ReadingOutcome_READING_OUTCOME_STORED:   Stored,
	intakev1.ReadingOutcome_READING_OUTCOME_REPEATED: Repeated,
	intakev1.ReadingOutcome_READING_OUTCOME_REFUSED:  Refused,
	intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT: Conflict,
}

// Line is a line of the feed with its answer. Scale and Seq are empty where the line could not be read.
type Line struct {
	Line    int
	Scale   string
	Seq     int64
	Outcome Outcome
	Reason  string // the rule's stable name; empty unless refused or in conflict
	Message string
	Marks   []string // names of the rules that a stored one broke
}

// TimeDoubtful is the mark of a reading that came with a wrong clock, or from too far in the past or the future.
const TimeDoubtful = "time_doubtful"

// Report counts the lines of a feed by outcome.
type Report struct {
	Lines, Stored, Repeated, Refused, Conflicts int64
	Marked, Doubtful                            int64 // of those stored: with a mark; of doubtful time
}

// AnyRefused tells whether a line was refused or is in conflict.
func (r Report) AnyRefused() bool { return r.Refused+r.Conflicts > 0 }

// Config makes a posting of a feed. Stream and NewID are required.
type Config struct {
	Stream Stream
	NewID  func() string                 // a fresh UUID for each batch
	Each   func(Line)                    // told of every line with its answer; lines that cannot be read come as they are met; nil: nobody
	Admit  func(*intakev1.Reading) error // may refuse a reading before it is sent; nil: all are sent
}

func (c Config) admit(r *intakev1.Reading) error {
	if c.Admit == nil {
		return nil
	}
	return c.Admit(r)
}

// The bounds of a batch and of a line. A batch is closed after `idle` without a new line, so that a live feed is not kept waiting.
const (
	batchLines = 500
	maxLine    = 64 << 10
	idle       = 200 * time.Millisecond
)

// Post reads a feed, CSV with a header row or JSON lines, and posts its readings. A line that cannot be read is answered refused and stops nothing.
// A header row that cannot be understood is an error before anything is sent. Whatever the stream's window, batches go one at a time, so that each
// is answered before the next line of a live feed is waited for. While Post waits for a feed that is a pipe it heeds ctx; the reader
// itself is let go, to end when the pipe does.
func Post(ctx context.Context, cfg Config, feed io.Reader) (Report, error) {
	if cfg.Each == nil {
		cfg.Each = func(Line) {}
	}
	f := &lines{ctx: ctx, cfg: cfg, in: make(chan text), batches: map[string][]int{}}
	done := make(chan struct{})
	defer close(done)
	go scan(feed, f.in, done)
	stream := cfg.Stream
	stream.Window = 1
	err := stream.Post(ctx, f)
	return f.report, err
}

// text is a line of the feed, or why there is none.
type text struct {
	line int
	text string
	err  error
}

// scan hands on line after line until the feed ends or nobody wants them.
func scan(feed io.Reader, to chan<- text, done <-chan struct{}) {
	defer close(to)
	r := bufio.NewReaderSize(feed, maxLine)
	for n := 1; ; n++ {
		line, err := r.ReadSlice('\n')
		t := text{line: n, text: strings.TrimRight(string(line), "\r\n")}
		for errors.Is(err, bufio.ErrBufferFull) {
			t.text, t.err = "", fault.Invalid("line_too_long", "the line is longer than %d bytes", maxLine)
			_, err = r.ReadSlice('\n')
		}
		ended := errors.Is(err, io.EOF)
		if err != nil && !ended {
			t.err = fmt.Errorf("read the feed: %w", err)
		}
		if !ended || len(line) > 0 || t.err != nil {
			select {
			case to <- t:
			case <-done:
				return
			}
		}
		if err != nil {
			return
		}
	}
}

// lines is a feed as a source of batches.
type lines struct {
	ctx     context.Context
	cfg     Config
	in      chan text
	parser  Parser
	batches map[string][]int // line numbers of a batch under way
	report  Report
}

// Next is the readings that came since the last batch.
func (l *lines) Next() (*intakev1.StreamReadingsRequest, error) {
	req := &intakev1.StreamReadingsRequest{}
	var at []int
	timer := time.NewTimer(idle)
	defer timer.Stop()
	for len(at) < batchLines {
		var quiet <-chan time.Time
		if len(at) > 0 {
			timer.Reset(idle)
			quiet = timer.C
		}
		select {
		case <-l.ctx.Done():
			return nil, l.ctx.Err()
		case t, more := <-l.in:
			if !more {
				return l.closed(req, at), nil
			}
			reading, err := l.take(t)
			if err != nil {
				return nil, err
			}
			if reading != nil {
				req.Readings = append(req.Readings, reading)
				at = append(at, t.line)
			}
			continue
		case <-quiet:
		}
		break
	}
	return l.closed(req, at), nil
}

// closed gives a batch its id; one without readings is none.
func (l *lines) closed(req *intakev1.StreamReadingsRequest, at []int) *intakev1.StreamReadingsRequest {
	if len(at) == 0 {
		return nil
	}
	req.CommandId = l.cfg.NewID()
	l.batches[req.CommandId] = at
	return req
}

// take reads one line: nil for the header row, a blank line and one that is refused here. The error is that of the feed as a whole.
func (l *lines) take(t text) (*intakev1.Reading, error) {
	reading, err := (*intakev1.Reading)(nil), t.err
	switch {
	case err != nil && fault.KindOf(err) != fault.KindInvalid:
		return nil, err
	case err == nil:
		begun := l.parser.Begun()
		if reading, err = l.parser.Line(t.text); err != nil && !begun && !l.parser.Begun() {
			return nil, err
		}
	}
	if err == nil && reading != nil {
		err = l.cfg.admit(reading)
	}
	if err != nil {
		l.tell(Line{Line: t.line, Outcome: Refused, Reason: fault.ReasonOf(err), Message: err.Error()})
		return nil, nil
	}
	return reading, nil
}

// Answered tells each line of a batch its answer.
func (l *lines) Answered(batch *intakev1.StreamReadingsRequest, answer *intakev1.StreamReadingsResponse) error {
	at := l.batches[batch.GetCommandId()]
	delete(l.batches, batch.GetCommandId())
	told := make([]Line, len(at))
	for i, r := range batch.GetReadings() {
		told[i] = Line{Line: at[i], Scale: r.GetScale(), Seq: r.GetSequence(), Outcome: Stored}
		if answer.GetBatchReason() != "" {
			told[i].Outcome, told[i].Reason, told[i].Message = Refused, answer.GetBatchReason(), answer.GetBatchMessage()
		}
	}
	for _, m := range answer.GetMarked() {
		if i := int(m.GetIndex()); i >= 0 && i < len(told) {
			told[i].Marks = m.GetMarks()
		}
	}
	for _, x := range answer.GetExceptions() {
		i, outcome := int(x.GetIndex()), outcomes[x.GetOutcome()]
		if i < 0 || i >= len(told) || outcome == "" {
			return fault.Bug("batch %s of %d readings: answer %v names none of them", batch.GetCommandId(), len(told), x)
		}
		told[i].Outcome, told[i].Reason, told[i].Message = outcome, x.GetReason(), x.GetMessage()
	}
	for _, line := range told {
		l.tell(line)
	}
	return nil
}

func (l *lines) tell(line Line) {
	l.report.Lines++
	switch line.Outcome {
	case Stored:
		l.report.Stored++
		if len(line.Marks) > 0 {
			l.report.Marked++
		}
		if slices.Contains(line.Marks, TimeDoubtful) {
			l.report.Doubtful++
		}
	case Repeated:
		l.report.Repeated++
	case Refused:
		l.report.Refused++
	case Conflict:
		l.report.Conflicts++
	}
	l.cfg.Each(line)
}
