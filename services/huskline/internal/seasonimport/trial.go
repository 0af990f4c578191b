package seasonimport

import (
	"context"
	"slices"

	eventv1 "huskline/proto/huskline/event/v1"

	"huskline/internal/fault"
	"huskline/internal/rpc"
)

// try asks the services about all that the season wants to record, claim and store, as trials that leave nothing, and sends nothing. What was recorded
// before, with the same content, is settled by it. Where anything is refused the season is withheld.
//
// A command whose id, code or number is in use for something else is refused whatever comes before it. Any other refusal of a command that rests on what
// is not sent yet may be for that, and is left to the sending: so is what inventory alone can judge of a run.
func (i *importer) try(ctx context.Context, p *plan) error {
	ctx = rpc.WithTrial(ctx)
	if !i.blank() {
		if err := i.carryOut(ctx, p.steps, i.send, i.tell); err != nil {
			return err
		}
		if err := i.tryWeighings(ctx); err != nil {
			return err
		}
	}
	// Claims are told by no event: a plant may know some and look blank.
	claims := slices.DeleteFunc(p.claims(), func(c claim) bool {
		return slices.ContainsFunc(p.bears[c.lot], func(s *step) bool { return s.settled })
	})
	if err := i.claimAll(ctx, claims, func(c claim, err error) { i.refuse(c.step(p), err) }); err != nil {
		return err
	}
	if i.report.Withheld = i.report.AnyRefused(); i.report.Withheld {
		i.left(p.steps)
	}
	return nil
}

// blank tells whether no service has recorded anything: then nothing can be in use.
func (i *importer) blank() bool {
	return !slices.ContainsFunc(i.before, func(h *eventv1.Receipt) bool { return h.GetEpoch() > 1 || h.GetPosition() > 0 })
}

// tell writes down what a trial said of a step.
func (i *importer) tell(s *step, err error) (goOn bool) {
	i.note(func(*Report) { i.tried += s.rows })
	switch {
	case err == nil && s.receipt != nil:
		i.settle(s, nil)
	case err != nil && (fault.KindOf(err) == fault.KindConflict || s.restsOnSettled()):
		i.refuse(s, err)
	}
	return true
}

// restsOnSettled tells whether all that a step waits for was recorded before.
func (s *step) restsOnSettled() bool {
	waits := func(o *step) bool { return !o.settled }
	return !slices.ContainsFunc(s.rests, waits) && !slices.ContainsFunc(s.after, waits)
}
