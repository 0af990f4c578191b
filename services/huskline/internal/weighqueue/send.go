package weighqueue

import (
	"context"
	"errors"
	"time"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// Outcome is what became of a reading, in the words that are printed.
type Outcome string

// The outcomes. Refused ones stay in the queue; those in conflict are kept apart by the plant and are out of it.
const (
	Stored   Outcome = "stored"
	Repeated Outcome = "repeated"
	Refused  Outcome = "refused"
	Conflict Outcome = "conflict"
	// Discarded is refused for good: a person put the reading aside at the plant, and it is out of the queue.
	Discarded Outcome = "discarded"
)

// ReasonDiscarded is the rule's name under which the plant refuses a reading that was put aside for good.
const ReasonDiscarded = "reading_discarded"

// Told is a reading with its answer.
type Told struct {
	Reading *intakev1.Reading
	Outcome Outcome
	Reason  string // empty unless refused or in conflict
	Message string
	Marks   []string // names of the rules that a stored one broke
}

// Sender empties a queue into the plant.
type Sender struct {
	Queue  *Queue
	Intake func() (intakev1.IntakeServiceClient, error)     // asked before each call: the plant may have moved
	Admit  func(context.Context, []*intakev1.Reading) error // may refuse readings before they are sent; nil: all are sent
	NewID  func() string
	Each   func(Told)       // told of every answered reading, once; after a crash perhaps once more
	Away   func(err error)  // told when a batch cannot be delivered, and with nil when one was again
	Call   time.Duration    // how long one try may take
	Now    func() time.Time // the clock beside the scale: told with each batch, so that a wrong one is noticed; nil: not told
}

// The pauses between tries, and after how long what was set aside is sent again: long enough to be no load, short enough that a scale registered
// this morning has its readings before noon.
const (
	firstPause = 200 * time.Millisecond
	lastPause  = 15 * time.Second
	asidePause = 5 * time.Minute
)

// Run sends until ctx ends. Nothing but ctx, or a disk that fails, ends it: a plant that is away, or that does not know the token any more, is tried
// again and again.
func (s *Sender) Run(ctx context.Context) error {
	aside := time.NewTicker(asidePause)
	defer aside.Stop()
	if err := s.again(ctx); err != nil {
		return err
	}
	for {
		if err := s.insist(ctx, s.Drain); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.Queue.Changed():
		case <-aside.C:
			if err := s.again(ctx); err != nil {
				return err
			}
		}
	}
}

// again sends each reading that is set aside once more.
func (s *Sender) again(ctx context.Context) error {
	for range s.Queue.Totals().Aside {
		err := s.insist(ctx, func(ctx context.Context) error {
			if err := s.Drain(ctx); err != nil {
				return err
			}
			_, err := s.one(ctx, true)
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// insist repeats what fails until it does not, with longer and longer pauses.
func (s *Sender) insist(ctx context.Context, do func(context.Context) error) error {
	for pause := firstPause; ; pause = min(2*pause, lastPause) {
		err := do(ctx)
		switch {
		case err == nil:
			s.Away(nil)
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case s.Queue.Broken() != nil:
			return s.Queue.Broken()
		}
		s.Away(err)
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-timer.C:
		}
	}
}

// Drain sends what waits, batch by batch, until nothing does or one cannot be delivered.
func (s *Sender) Drain(ctx context.Context) error {
	for {
		more, err := s.one(ctx, false)
		if err != nil || !more {
			return err
		}
	}
}

// one sends one batch; false where there is none.
func (s *Sender) one(ctx context.Context, again bool) (bool, error) {
	b, err := s.Queue.Next(s.NewID(), again)
	if b == nil || err != nil {
		return false, err
	}
	call, cancel := context.WithTimeout(ctx, s.Call)
	defer cancel()
	if s.Now != nil {
		call = rpc.WithClock(call, s.Now())
	}
	if s.Admit != nil {
		if err := s.Admit(call, b.Readings); err != nil {
			return true, s.failed(b, err)
		}
	}
	intake, err := s.Intake()
	if err != nil {
		return true, err
	}
	answer, err := intake.PostReadings(call, &intakev1.PostReadingsRequest{CommandId: b.ID, Readings: b.Readings})
	if err = rpc.FromStatus(err); err != nil {
		return true, s.failed(b, err)
	}
	return true, s.settle(b, answer)
}

// failed tells a batch that was refused as a whole from one that was not delivered.
func (s *Sender) failed(b *Batch, err error) error {
	switch fault.KindOf(err) {
	case fault.KindInvalid, fault.KindNotFound, fault.KindConflict, fault.KindPrecondition:
	default:
		return err // away, or the token is not taken: the same batch later
	}
	if len(b.Readings) > 1 {
		return s.Queue.Split(b.ID)
	}
	why := Refusal{Reason: fault.ReasonOf(err), Message: err.Error()}
	if why.Reason == ReasonDiscarded {
		if err := s.Queue.Answered(b.ID); err != nil {
			return err
		}
		s.Each(Told{Reading: b.Readings[0], Outcome: Discarded, Reason: why.Reason, Message: why.Message})
		return nil
	}
	if err := s.Queue.Answered(b.ID, why); err != nil {
		return err
	}
	s.Each(Told{Reading: b.Readings[0], Outcome: Refused, Reason: why.Reason, Message: why.Message})
	return nil
}

func (s *Sender) settle(b *Batch, answer *intakev1.PostReadingsResponse) error {
	told := make([]Told, len(b.Readings))
	for i, r := range b.Readings {
		told[i] = Told{Reading: r, Outcome: Stored}
	}
	for _, m := range answer.GetMarked() {
		if i := int(m.GetIndex()); i >= 0 && i < len(told) {
			told[i].Marks = m.GetMarks()
		}
	}
	var refused []Refusal
	for _, x := range answer.GetExceptions() {
		i := int(x.GetIndex())
		if i < 0 || i >= len(told) {
			return fault.Bug("batch %s of %d readings: answer %v names none of them", b.ID, len(told), x)
		}
		told[i].Reason, told[i].Message = x.GetReason(), x.GetMessage()
		switch x.GetOutcome() {
		case intakev1.ReadingOutcome_READING_OUTCOME_REPEATED:
			told[i].Outcome = Repeated
		case intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT:
			told[i].Outcome = Conflict
		case intakev1.ReadingOutcome_READING_OUTCOME_REFUSED:
			if told[i].Outcome = Refused; x.GetReason() == ReasonDiscarded {
				told[i].Outcome = Discarded
				continue
			}
			refused = append(refused, Refusal{i, x.GetReason(), x.GetMessage()})
		}
	}
	if err := s.Queue.Answered(b.ID, refused...); err != nil {
		return err
	}
	for _, t := range told {
		s.Each(t)
	}
	return nil
}

// Flush is Drain within a bounded time, for the end.
func (s *Sender) Flush(ctx context.Context, within time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	err := s.Drain(ctx)
	if errors.Is(err, context.DeadlineExceeded) {
		return fault.Unavailable("no_answer", "no answer within %s", within)
	}
	return err
}
