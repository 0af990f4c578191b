package seasonimport

import (
	"context"
	"fmt"
	"slices"

	eventv1 "huskline/proto/huskline/event/v1"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	"huskline/services/huskline/internal/weighfeed"
)

// carryOut sends the steps, each as soon as those it waits for are dealt with, and tells what came of each. It returns when all are, or with the first
// failure that is no refusal, or when told to stop, after the steps in flight have come back.
func (i *importer) carryOut(ctx context.Context, steps []*step, send func(context.Context, *step) error, tell func(*step, error) (goOn bool)) error {
	ready := arrange(steps)
	type result struct {
		step *step
		err  error
	}
	results := make(chan result)
	flying, told := 0, 0
	var failure error
	stopped := false
	for {
		for len(ready) > 0 && flying < i.cfg.InFlight && failure == nil && !stopped && ctx.Err() == nil {
			s := ready[0]
			ready = ready[1:]
			flying++
			go func() { results <- result{s, send(ctx, s)} }()
		}
		if flying == 0 {
			break
		}
		r := <-results
		flying--
		if r.err != nil && !refused(r.err) {
			if failure == nil {
				failure = fmt.Errorf("%s: send %s: %w", r.step.at, r.step.what, r.err)
			}
			continue
		}
		told++
		if !tell(r.step, r.err) {
			stopped = true
		}
		ready = append(ready, r.step.release()...)
	}
	switch {
	case failure != nil:
		return failure
	case stopped || told == len(steps):
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	}
	return fault.Bug("import: %d of %d commands wait for each other", len(steps)-told, len(steps))
}

// arrange counts what each step waits for and returns those that wait for nothing. What is not among the steps is dealt with.
func arrange(steps []*step) (ready []*step) {
	among := map[*step]bool{}
	for _, s := range steps {
		among[s] = true
		s.followers, s.waiting = nil, 0
	}
	for _, s := range steps {
		for _, o := range slices.Concat(s.rests, s.after) {
			if among[o] {
				o.followers = append(o.followers, s)
				s.waiting++
			}
		}
		if s.waiting == 0 {
			ready = append(ready, s)
		}
	}
	return ready
}

// release gives the steps that waited for this one alone.
func (s *step) release() (ready []*step) {
	for _, f := range s.followers {
		if f.waiting--; f.waiting == 0 {
			ready = append(ready, f)
		}
	}
	return ready
}

// settle writes down what became of a step. A refusal stops the import.
func (i *importer) settle(s *step, err error) (goOn bool) {
	if err != nil {
		i.refuse(s, err)
		return false
	}
	s.settled = true
	i.note(func(r *Report) {
		if i.repeated(s.receipt) {
			r.Repeated += s.rows
			return
		}
		r.Sent += s.rows
	})
	return true
}

// refuse writes down that a step was refused; the rows of one are counted once.
func (i *importer) refuse(s *step, err error) {
	i.note(func(r *Report) {
		if !s.refused {
			r.Refused += s.rows
		}
		s.refused = true
		r.Refusals = append(r.Refusals, Refusal{Where: s.at, What: s.what, Reason: fault.ReasonOf(err), Message: err.Error()})
	})
}

// left writes down the steps that were neither accepted nor refused once something was.
func (i *importer) left(steps []*step) {
	if !i.report.AnyRefused() {
		return
	}
	i.note(func(r *Report) {
		for _, s := range steps {
			if !s.dealt() {
				r.NotSent += s.rows
				r.Unsent = append(r.Unsent, Unsent{Where: s.at, What: s.what})
			}
		}
	})
}

// dealt tells whether a step was accepted or refused.
func (s *step) dealt() bool { return s.settled || s.refused }

// unsettled are the steps that were not recorded before.
func (p *plan) unsettled() []*step {
	return slices.DeleteFunc(slices.Clone(p.steps), func(s *step) bool { return s.settled })
}

// send sends one step, relying on the receipts of what it rests on.
func (i *importer) send(ctx context.Context, s *step) error {
	relied := rpc.WithReceipts(ctx, newest(s.rests)...)
	return i.patiently(relied, func(ctx context.Context) (err error) {
		s.receipt, err = s.send(ctx)
		return err
	})
}

// newest is the highest receipt of intake among the steps, which includes those below. Parties, items and received lots reach the others by event
// and have to be waited for; what runs and shipments did to lots is at inventory when they are answered, and production asks inventory itself.
func newest(steps []*step) []lot.Receipt {
	var highest *eventv1.Receipt
	for _, s := range steps {
		r := s.receipt
		if r.GetProducer() != string(lot.Intake) {
			continue
		}
		if highest == nil || highest.GetEpoch() < r.GetEpoch() || highest.GetEpoch() == r.GetEpoch() && highest.GetPosition() < r.GetPosition() {
			highest = r
		}
	}
	if highest == nil {
		return nil
	}
	return []lot.Receipt{{Producer: lot.Intake, Epoch: highest.GetEpoch(), Position: highest.GetPosition()}}
}

// patiently calls until there is an answer, with the same message and so the same id each time.
func (i *importer) patiently(ctx context.Context, call func(context.Context) error) error {
	return i.patience().Do(ctx, call)
}

func (i *importer) patience() weighfeed.Patience {
	return weighfeed.Patience{Now: i.cfg.Now, Call: i.cfg.CallTimeout, All: i.cfg.Patience}
}

// refused tells whether an answer is a judgement on the row. A missing right is none: it would be the same for every row, so the import stops.
func refused(err error) bool {
	switch fault.KindOf(err) {
	case fault.KindDenied, fault.KindUnauthenticated:
		return false
	}
	return err != nil && fault.Refused(err)
}
