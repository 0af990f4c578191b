package device

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"go.bug.st/serial"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/weighqueue"
)

// FramesConfig reads one scale's frames.
type FramesConfig struct {
	Scale   string
	Name    string        // of the line, for people
	Open    Opener        //
	Demand  bool          // the scale is asked for each frame; else it sends by itself
	Every   time.Duration // between two questions
	Capture CaptureConfig
	Kind    intakev1.ReadingKind // unspecified: as the scale says, gross or net
	Now     func() time.Time
}

// Opener opens a line to a scale.
type Opener func(ctx context.Context) (io.ReadWriteCloser, error)

// TCP opens a connection to a scale, or to the converter beside it.
func TCP(addr string) Opener {
	return func(ctx context.Context) (io.ReadWriteCloser, error) {
		d := net.Dialer{Timeout: 5 * time.Second, KeepAlive: 10 * time.Second}
		return d.DialContext(ctx, "tcp", addr)
	}
}

// Serial opens a serial port.
func Serial(path string, mode *serial.Mode) Opener {
	return func(context.Context) (io.ReadWriteCloser, error) {
		port, err := serial.Open(path, mode)
		if err != nil {
			return nil, fmt.Errorf("open %s: %w", path, err)
		}
		if err := port.SetReadTimeout(readStep); err != nil {
			return nil, errors.Join(err, port.Close())
		}
		return port, nil
	}
}

// The times of a line.
const (
	readStep    = 200 * time.Millisecond // a serial read looks this often whether it is to end
	midFrame    = time.Second            // a frame that was begun ends sooner, at 1,200 baud too: 20 characters take 0.17 s
	answerLimit = 2 * time.Second        // a question that is not answered by then is asked again
	silentAfter = 10 * time.Second       // a scale that sends by itself does so several times a second
	firstPause  = 200 * time.Millisecond
	lastPause   = 10 * time.Second
)

// question is the standard's W: send the weight shown.
const question = "\nW\r"

// Frames is a scale that sends text frames, as a Source.
type Frames struct {
	cfg     FramesConfig
	capture *Capture
	said    string // the last reason told, so that a state is told once
}

// NewFrames makes the source; nothing is opened before Run.
func NewFrames(cfg FramesConfig) *Frames {
	return &Frames{cfg: cfg, capture: NewCapture(cfg.Capture)}
}

// Run reads the scale until ctx ends.
func (f *Frames) Run(ctx context.Context, sink Sink) error {
	for pause := firstPause; ; pause = min(2*pause, lastPause) {
		begun := f.cfg.Now()
		err := f.session(ctx, sink)
		if ctx.Err() != nil {
			return nil
		}
		var lost lostLine
		if !errors.As(err, &lost) {
			return err
		}
		f.tell(sink, Notice{Reason: "scale_away", Message: fmt.Sprintf("%s: %v; tried again until it answers", f.cfg.Name, lost.cause), Alarm: true})
		if f.cfg.Now().Sub(begun) > lastPause {
			pause = firstPause
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return nil
		case <-timer.C:
		}
	}
}

// lostLine is an end of the line, as against one of the sink.
type lostLine struct{ cause error }

func (l lostLine) Error() string { return l.cause.Error() }

// session is one line from its opening to its end.
func (f *Frames) session(ctx context.Context, sink Sink) error {
	line, err := f.cfg.Open(ctx)
	if err != nil {
		return lostLine{err}
	}
	chunks, ended := make(chan []byte), make(chan error, 1)
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan struct{})
	go func() {
		defer close(done)
		ended <- pump(ctx, line, chunks)
	}()
	defer func() {
		cancel()
		_ = line.Close()
		<-done
	}()
	f.capture.Interrupted()
	return f.listen(ctx, talk{line: line, chunks: chunks, ended: ended}, sink)
}

// talk is an open line.
type talk struct {
	line   io.Writer
	chunks <-chan []byte
	ended  <-chan error
}

// pump hands on what a line brings until it ends.
func pump(ctx context.Context, line io.Reader, to chan<- []byte) error {
	for {
		buf := make([]byte, 256)
		n, err := line.Read(buf)
		if n > 0 {
			select {
			case to <- buf[:n]:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		if err != nil {
			return err
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
	}
}

// listen asks, takes frames apart and judges them.
func (f *Frames) listen(ctx context.Context, t talk, sink Sink) error {
	var split Splitter
	var failed error
	emit := func(body []byte, err error) {
		if failed == nil {
			failed = f.take(body, err, sink)
		}
	}
	quiet := time.NewTimer(f.patience())
	defer quiet.Stop()
	ask := time.NewTimer(0)
	defer ask.Stop()
	for failed == nil {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case err := <-t.ended:
			if emit(nil, split.Silent("the line ended")); failed != nil {
				return failed
			}
			return lostLine{err}
		case chunk := <-t.chunks:
			frames := 0
			split.Push(chunk, func(body []byte, err error) { frames++; emit(body, err) })
			quiet.Reset(midFrame)
			if frames > 0 {
				quiet.Reset(f.patience())
				ask.Reset(f.cfg.Every)
			}
		case <-ask.C:
			if !f.cfg.Demand {
				continue
			}
			if _, err := io.WriteString(t.line, question); err != nil {
				return lostLine{err}
			}
		case <-quiet.C:
			f.silent(&split, emit, sink)
			quiet.Reset(f.patience())
			ask.Reset(0)
		}
	}
	return failed
}

func (f *Frames) patience() time.Duration {
	if f.cfg.Demand {
		return max(answerLimit, 2*f.cfg.Every)
	}
	return silentAfter
}

// silent judges a line on which nothing came: in the middle of a frame, or at all.
func (f *Frames) silent(split *Splitter, emit func([]byte, error), sink Sink) {
	f.capture.Interrupted()
	if err := split.Silent("nothing followed"); err != nil {
		emit(nil, err)
		return
	}
	message := f.cfg.Name + ": the scale sends nothing"
	if f.cfg.Demand {
		message = f.cfg.Name + ": the scale does not answer the question for its weight"
	}
	if split.Stray > 0 {
		message += fmt.Sprintf("; %d bytes came that belong to no frame of SMA SCP-0499: look at protocol and speed of the line", split.Stray)
		split.Stray = 0
	}
	f.tell(sink, Notice{Reason: "scale_silent", Message: message, Alarm: true})
}

// take judges one frame, or what was to be one. The error is the sink's.
func (f *Frames) take(body []byte, err error, sink Sink) error {
	if err == nil && body == nil {
		return nil
	}
	var frame Frame
	if err == nil {
		frame, err = ParseFrame(body)
	}
	if err != nil {
		f.capture.Interrupted()
		f.tell(sink, Notice{Reason: fault.ReasonOf(err), Message: err.Error() + "; not captured"})
		return nil
	}
	v := f.capture.Step(frame)
	switch v.Outcome {
	case Settled:
		return f.keep(frame, sink)
	case Emptied:
		f.said = ""
		return sink.Rearmed(f.cfg.Scale)
	case Named:
		if v.Message != "" {
			f.tell(sink, Notice{Reason: v.Reason, Message: v.Message, Alarm: v.Alarm})
		}
	case Passed:
		f.said = ""
	}
	return nil
}

// keep hands a settled load to the sink. Where that is full, the load is tried again with every frame as long as it stands there, and told at once.
func (f *Frames) keep(frame Frame, sink Sink) error {
	kind := f.cfg.Kind
	if kind == intakev1.ReadingKind_READING_KIND_UNSPECIFIED {
		kind = intakev1.ReadingKind_READING_KIND_GROSS
		if frame.Mode == 'N' {
			kind = intakev1.ReadingKind_READING_KIND_NET
		}
	}
	at := f.cfg.Now().UTC().Truncate(time.Microsecond)
	err := sink.Keep(weighqueue.Entry{Load: true, Reading: &intakev1.Reading{
		Scale: f.cfg.Scale, Time: timestamppb.New(at), Digits: frame.Digits, Unit: frame.Unit, Kind: kind, Range: int32(frame.Range - '0'),
	}})
	if k := fault.KindOf(err); k == fault.KindPrecondition || k == fault.KindUnavailable {
		f.tell(sink, Notice{Reason: fault.ReasonOf(err), Alarm: true,
			Message: fmt.Sprintf("NOT CAPTURED: %s %s on scale %s at %s: %v; leave the load on the scale until it is captured, or write it down", frame.Digits, frame.Unit, f.cfg.Scale,
				at.Format(time.RFC3339), err)})
		return nil
	}
	if err != nil {
		return err
	}
	f.capture.Kept()
	f.said = ""
	return nil
}

// tell tells a state once: again only after another was told, or it had passed.
func (f *Frames) tell(sink Sink, n Notice) {
	if n.Reason == f.said {
		return
	}
	f.said = n.Reason
	sink.Tell(n)
}
