package seasonimport

import (
	"context"
	"fmt"

	eventv1 "huskline/proto/huskline/event/v1"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	"huskline/services/huskline/internal/weighfeed"
)

// carryOut sends the steps, each as soon as those it waits for are dealt with. It returns when all are, or with the first failure that is no
// refusal, after the steps in flight have come back.
func (i *importer) carryOut(ctx context.Context, steps []*step) error {
	ready := i.arrange(steps)
	type result struct {
		step *step
		err  error
	}
	results := make(chan result)
	flying, settled := 0, 0
	settle := func(s *step, err error) {
		settled++
		ready = append(ready, i.settle(s, err)...)
	}
	var failure error
	for len(ready) > 0 || flying > 0 {
		for len(ready) > 0 && flying < i.cfg.InFlight && failure == nil && ctx.Err() == nil {
			s := ready[0]
			ready = ready[1:]
			if cause := s.hindered(); cause != nil {
				settle(s, fault.Precondition(notSent, "not sent: it rests on %s (%s), which was refused", cause.what, cause.at))
				continue
			}
			flying++
			go func() { results <- result{s, i.send(ctx, s)} }()
		}
		if flying == 0 {
			if failure == nil && ctx.Err() != nil {
				failure = ctx.Err()
			}
			if failure != nil {
				return failure
			}
			continue
		}
		r := <-results
		flying--
		if r.err != nil && !refused(r.err) {
			if failure == nil {
				failure = fmt.Errorf("%s: send %s: %w", r.step.at, r.step.what, r.err)
			}
			continue
		}
		settle(r.step, r.err)
	}
	if failure == nil && settled != len(steps) {
		return fault.Bug("import: %d of %d commands wait for each other", len(steps)-settled, len(steps))
	}
	return failure
}

// arrange counts what each step waits for and returns those that wait for nothing.
func (i *importer) arrange(steps []*step) (ready []*step) {
	for _, s := range steps {
		for _, o := range s.rests {
			o.followers = append(o.followers, s)
		}
		for _, o := range s.after {
			o.followers = append(o.followers, s)
		}
		s.waiting = len(s.rests) + len(s.after)
		if s.waiting == 0 {
			ready = append(ready, s)
		}
	}
	return ready
}

// hindered is a refused step that this one rests on, nil where there is none.
func (s *step) hindered() *step {
	for _, o := range s.rests {
		if o.refused {
			return o
		}
	}
	return nil
}

// settle writes down what became of a step and returns the steps that waited for it alone.
func (i *importer) settle(s *step, err error) (ready []*step) {
	s.refused = err != nil
	i.note(func(r *Report) {
		switch {
		case err == nil && i.repeated(s.receipt):
			r.Repeated += s.rows
		case err == nil:
			r.Sent += s.rows
		default:
			skipped := fault.ReasonOf(err) == notSent
			if skipped {
				r.NotSent += s.rows
			} else {
				r.Refused += s.rows
			}
			r.Refusals = append(r.Refusals, Refusal{Where: s.at, What: s.what, Reason: fault.ReasonOf(err), Message: err.Error(), NotSent: skipped})
		}
	})
	for _, f := range s.followers {
		if f.waiting--; f.waiting == 0 {
			ready = append(ready, f)
		}
	}
	return ready
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
