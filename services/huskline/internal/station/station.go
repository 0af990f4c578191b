// Package station stands beside a scale: it keeps what a device weighs in a queue on the disk, numbers it where the device does not, and sends it to the
// plant until it is stored. While the plant is away it goes on; while it stands still the queue keeps everything.
package station

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/device"
	"huskline/services/huskline/internal/weighfeed"
	"huskline/services/huskline/internal/weighqueue"
)

// Config is what a station is made of.
type Config struct {
	Queue    *weighqueue.Queue
	Source   device.Source
	Intake   func() (intakev1.IntakeServiceClient, error) // asked before each call; the plant may be away, or have moved
	NewID    func() string
	Now      func() time.Time // the clock beside the scale, told with each batch
	Scale    string           // that the source reads; empty: each reading names its own
	First    int64            // the scale's first own number, where somebody knows it; 0: the plant is asked
	Register bool             // a scale that the plant does not know may be registered, where the token is an administrator's
	Say      func(Event)
}

// Event is something that happened to a reading, or a state that somebody should know.
type Event struct {
	Name    string            // captured, stored, repeated, refused, conflict; empty with a notice
	Reading *intakev1.Reading // nil with a notice
	Reason  string
	Message string
	Alarm   bool
	Theirs  *intakev1.Reading // with conflict: what the plant had under the number before
	Marks   []string          // with stored: names of the rules that it broke
}

// Report counts what became of readings since the start, and what remains.
type Report struct {
	Captured, Stored, Repeated, Conflicts int64
	Discarded                             int64 // put aside for good at the plant
	Marked, Doubtful                      int64 // of those stored: with a mark; of doubtful time
	Waiting, Aside                        int
}

// The times of a station.
const (
	callLimit  = 20 * time.Second
	flushLimit = 5 * time.Second
	hurryLimit = 3 * time.Second
)

// Run captures and sends until ctx ends, then sends what it still can within a few seconds and says what remains. It ends before only where the queue can
// no longer be trusted, where the source cannot be understood, or where another device posts under the scale's numbers.
func Run(ctx context.Context, cfg Config) (Report, error) {
	s := &station{cfg: cfg, known: map[string]bool{}}
	s.sender = &weighqueue.Sender{
		Queue: cfg.Queue, Intake: cfg.Intake, Admit: s.admit, NewID: cfg.NewID, Each: s.answered, Away: s.away, Call: callLimit, Now: cfg.Now,
	}
	within, cancel := context.WithCancel(ctx)
	defer cancel()
	err := s.run(within, cancel)
	if ctx.Err() != nil && errors.Is(err, context.Canceled) {
		err = nil
	}
	if cfg.Queue.Broken() == nil {
		if flushErr := s.sender.Flush(context.WithoutCancel(ctx), flushLimit); flushErr != nil {
			s.away(flushErr)
		}
	}
	t := cfg.Queue.Totals()
	s.report.Waiting, s.report.Aside = t.Waiting, t.Aside
	return s.report, err
}

// station is a running one.
type station struct {
	cfg    Config
	sender *weighqueue.Sender

	mu     sync.Mutex
	report Report
	known  map[string]bool
	gone   string // why the plant is away; empty: it is not
}

// run sends and reads side by side; the first that fails ends both.
func (s *station) run(ctx context.Context, cancel context.CancelFunc) error {
	failed := make(chan error, 2)
	go func() {
		defer cancel()
		failed <- s.sender.Run(ctx)
	}()
	go func() {
		defer cancel()
		err := s.number(ctx, s.cfg.Scale)
		if err == nil {
			err = s.cfg.Source.Run(ctx, sink{s, ctx})
		}
		failed <- err
	}()
	first, second := <-failed, <-failed
	if first == nil || errors.Is(first, context.Canceled) {
		return second
	}
	return first
}

func (s *station) say(e Event) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch e.Name {
	case "captured":
		s.report.Captured++
	case string(weighqueue.Stored):
		s.report.Stored++
		if len(e.Marks) > 0 {
			s.report.Marked++
		}
		if slices.Contains(e.Marks, weighfeed.TimeDoubtful) {
			s.report.Doubtful++
		}
	case string(weighqueue.Repeated):
		s.report.Repeated++
	case string(weighqueue.Conflict):
		s.report.Conflicts++
	case string(weighqueue.Discarded):
		s.report.Discarded++
	}
	s.cfg.Say(e)
}

// answered is told of every reading that the plant answered.
func (s *station) answered(t weighqueue.Told) {
	e := Event{Name: string(t.Outcome), Reading: t.Reading, Reason: t.Reason, Message: t.Message, Marks: t.Marks}
	switch t.Outcome {
	case weighqueue.Refused:
		e.Alarm = true
		e.Message += "; it stays in the queue and is sent again"
	case weighqueue.Discarded:
		e.Message += "; it is out of the queue"
	case weighqueue.Conflict:
		e.Alarm = true
		e.Theirs = s.theirs(t.Reading)
		e.Message = fmt.Sprintf("scale %s number %d: the plant has another reading under it; this one is kept apart there and not counted; does another device post under this scale, or was a queue copied?",
			t.Reading.GetScale(), t.Reading.GetSequence())
	}
	s.say(e)
}

// away tells once that the plant does not answer, and once that it does again.
func (s *station) away(err error) {
	s.mu.Lock()
	before := s.gone
	s.gone = ""
	if err != nil {
		s.gone = fault.ReasonOf(err)
		if s.gone == "" {
			s.gone = "internal"
		}
	}
	now := s.gone
	s.mu.Unlock()
	t := s.cfg.Queue.Totals()
	switch {
	case now == before:
	case now == "":
		s.say(Event{Reason: "plant_answers", Message: fmt.Sprintf("the plant answers again; %d readings wait", t.Waiting)})
	default:
		s.say(Event{Reason: now, Alarm: true, Message: fmt.Sprintf("not delivered: %v; capturing goes on, %d readings wait, sending is tried again and again", err, t.Waiting)})
	}
}

// sink puts what a source reads into the queue.
type sink struct {
	s   *station
	ctx context.Context
}

// Keep numbers where it has to, and returns once the queue has the readings.
func (k sink) Keep(entries ...weighqueue.Entry) error {
	err := k.s.cfg.Queue.Add(entries...)
	for fault.ReasonOf(err) == "queue_unnumbered" {
		for _, e := range entries {
			if e.Reading.GetSequence() == 0 && k.s.cfg.Queue.Scale(e.Reading.GetScale()).Next == 0 {
				if err := k.s.number(k.ctx, e.Reading.GetScale()); err != nil {
					return err
				}
			}
		}
		err = k.s.cfg.Queue.Add(entries...)
	}
	if err != nil {
		return err
	}
	for _, e := range entries {
		k.s.say(Event{Name: "captured", Reading: e.Reading})
	}
	return nil
}

// Rearmed notes an empty scale.
func (k sink) Rearmed(scale string) error {
	err := k.s.cfg.Queue.Rearmed(scale)
	if fault.KindOf(err) == fault.KindUnavailable {
		return nil // a full disk: after a restart the next load is told and not captured
	}
	return err
}

// Tell passes on.
func (k sink) Tell(n device.Notice) {
	k.s.say(Event{Reason: n.Reason, Message: n.Message, Alarm: n.Alarm})
}

// call asks the plant once.
func (s *station) call(ctx context.Context, do func(context.Context, intakev1.IntakeServiceClient) error) error {
	ctx, cancel := context.WithTimeout(ctx, callLimit)
	defer cancel()
	intake, err := s.cfg.Intake()
	if err != nil {
		return err
	}
	return rpc.FromStatus(do(ctx, intake))
}
