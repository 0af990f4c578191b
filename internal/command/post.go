package command

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"huskline/internal/failpoint"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// Call asks the inventory. It is called with no transaction open, and again with the same movement as often as its answer is not known.
type Call func(ctx context.Context, move *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error)

// Handler is one kind of request that changes what the inventory owns. Its three steps are use-cases: each may run several times and has no
// effect but through tx.
type Handler[T any] struct {
	Method     string         // stable name, kept with each intent: "CompleteRun"
	NewRequest func() Request // an empty request of the kind

	// Intent validates, reserves own state, and builds the movement; Post fills in command_id, try, and the actor where it is empty. An
	// error refuses the request and leaves nothing. A nil movement means that the inventory has no part in it: then Outcome runs at once, in
	// the same transaction, with neither movement nor response, and may refuse.
	Intent func(ctx context.Context, tx T, req Request) (*inventoryv1.PostMovementRequest, error)
	// Outcome turns the reservation into what is recorded, once the inventory has accepted. It must not refuse: the goods have moved.
	Outcome func(ctx context.Context, tx T, req Request, move *inventoryv1.PostMovementRequest, resp *inventoryv1.PostMovementResponse) (proto.Message, []lot.Event, error)
	// Refused undoes the reservation, once the inventory has refused; why is what the caller gets. Nil: there is nothing to undo.
	Refused func(ctx context.Context, tx T, req Request, why error) error
}

const (
	// sweepAge is how long an intent may be open before the sweeper takes it for orphaned.
	sweepAge = 5 * time.Second
	// sweepEvery is how often the sweeper looks.
	sweepEvery = time.Second
	// sweepPage bounds the intents of one sweep.
	sweepPage = 100
	// sweepTimeout bounds the call of one intent.
	sweepTimeout = 10 * time.Second
	// finishTimeout bounds the transaction that ends a try.
	finishTimeout = 10 * time.Second
)

// Poster runs the requests of its handlers in three steps: intent, call, outcome. It is safe for concurrent use, also with Posters of other
// processes on the same database.
type Poster[T any] struct {
	run      *Runner[T]
	call     Call
	byMethod map[string]Handler[T]
	byType   map[string]Handler[T]
}

// NewPoster makes a Poster. Two handlers may share neither method nor request type.
func NewPoster[T any](r *Runner[T], call Call, handlers ...Handler[T]) *Poster[T] {
	p := &Poster[T]{run: r, call: call, byMethod: map[string]Handler[T]{}, byType: map[string]Handler[T]{}}
	for _, h := range handlers {
		p.byMethod[h.Method] = h
		p.byType[typeOf(h.NewRequest())] = h
	}
	return p
}

func typeOf(m proto.Message) string { return string(m.ProtoReflect().Descriptor().FullName()) }

// try is one try of a request at the inventory.
type try[T any] struct {
	command
	n       int64
	handler Handler[T]
	request Request
	move    *inventoryv1.PostMovementRequest
	broken  error // why it cannot be finished by this program
}

// Do runs a request to its end and returns its answer, receipt included. What the inventory refuses comes back as it said it, after the
// reservation was undone. Where its answer is not known, or a crash comes between, the intent stays open: the error is of kind unavailable,
// and the same request again, or the sweeper, finishes it.
func (p *Poster[T]) Do(ctx context.Context, req Request) (proto.Message, error) {
	h, ok := p.byType[typeOf(req)]
	if !ok {
		return nil, fault.Bug("no handler posts a %s", typeOf(req))
	}
	c, err := p.run.take(ctx, req)
	if err != nil {
		return nil, err
	}
	if p.run.cfg.Trial(ctx) {
		return p.trial(ctx, try[T]{command: c, handler: h, request: req})
	}
	t, answer, err := p.open(ctx, try[T]{command: c, handler: h, request: req})
	if err != nil || answer != nil {
		return answer, err
	}
	return p.finish(ctx, t)
}

// open commits the intent. It returns the open try, a new one or the one that waits already; or an answer, where there is nothing to call for.
func (p *Poster[T]) open(ctx context.Context, t try[T]) (try[T], proto.Message, error) {
	var opened try[T]
	var answer proto.Message
	recorded := false
	err := p.run.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		opened, recorded = t, false
		if answer, err = p.run.recall(ctx, tx, t.command); err != nil || answer != nil {
			return err
		}
		waiting, err := p.waiting(ctx, tx, t)
		if err != nil || waiting {
			if waiting {
				opened, err = p.load(ctx, tx, t)
			}
			return err
		}
		if opened.move, err = t.handler.Intent(ctx, p.run.cfg.Wrap(tx, t.at), t.request); err != nil {
			return err
		}
		if opened.move == nil {
			recorded = true
			answer, err = p.direct(ctx, tx, t)
			return err
		}
		if err := p.insert(ctx, tx, &opened); err != nil {
			return err
		}
		// A twin may have ended between the two looks above; its end was committed before our row could be inserted.
		if twin, err := p.run.recall(ctx, tx, t.command); err != nil || twin != nil {
			return errors.Join(err, errTwin)
		}
		return nil
	})
	if err != nil {
		return p.openAfter(ctx, t, err)
	}
	if recorded {
		p.run.cfg.Recorded()
	}
	return opened, answer, nil
}

// errTwin undoes an intent whose command was accepted meanwhile; openAfter finds the answer.
var errTwin = errors.New("the command was accepted meanwhile")

// direct records a request in which the inventory has no part.
func (p *Poster[T]) direct(ctx context.Context, tx pgx.Tx, t try[T]) (proto.Message, error) {
	said, events, err := t.handler.Outcome(ctx, p.run.cfg.Wrap(tx, t.at), t.request, nil, nil)
	if err != nil {
		return nil, err
	}
	return p.run.record(ctx, tx, t.command, outcome{answer: said, events: events})
}

// openAfter looks whether the intent that failed with err was opened or recorded meanwhile by somebody else.
func (p *Poster[T]) openAfter(ctx context.Context, t try[T], err error) (try[T], proto.Message, error) {
	if ctx.Err() != nil || fault.KindOf(err) == fault.KindUnavailable {
		return t, nil, err
	}
	var opened try[T]
	var answer proto.Message
	var found bool
	again := p.run.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if answer, err = p.run.recall(ctx, tx, t.command); err != nil || answer != nil {
			return err
		}
		if found, err = p.waiting(ctx, tx, t); err != nil || !found {
			return err
		}
		opened, err = p.load(ctx, tx, t)
		return err
	})
	switch {
	case again != nil:
		return t, nil, errors.Join(err, again)
	case answer != nil || found:
		return opened, answer, nil
	}
	return t, nil, err
}

// finish calls, and commits what came of it, also when the caller has gone away meanwhile: the answer is here and the reservation waits.
func (p *Poster[T]) finish(ctx context.Context, t try[T]) (proto.Message, error) {
	if t.broken != nil {
		return nil, t.broken
	}
	failpoint.Hit("intent-after-commit")
	resp, err := p.call(ctx, t.move)
	failpoint.Hit("intent-after-call")
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), finishTimeout)
	defer cancel()
	switch {
	case err == nil:
		return p.accepted(ctx, t, resp)
	case fault.ReasonOf(err) == reasonReused:
		return p.refused(ctx, t, done(t.command))
	case judged(err):
		return p.refused(ctx, t, err)
	case fault.KindOf(err) == fault.KindUnavailable:
		return nil, err
	}
	return nil, fault.Unavailable("outcome_unknown", "command %s: what the inventory did is not known, come again with the same id: %w", t.id, err)
}

// judged tells whether an error is the inventory's judgement on the movement. That we have no right to ask is none: it passes, and the
// intent waits for it.
func judged(err error) bool {
	if fault.ReasonOf(err) == ReasonTakenBack {
		return false // it was done
	}
	switch fault.KindOf(err) {
	case fault.KindInvalid, fault.KindNotFound, fault.KindConflict, fault.KindPrecondition:
		return true
	}
	return false
}

func (p *Poster[T]) accepted(ctx context.Context, t try[T], resp *inventoryv1.PostMovementResponse) (proto.Message, error) {
	posted := lotwire.ParseReceipt(resp.GetReceipt())
	t.relied = append(t.relied[:len(t.relied):len(t.relied)], posted)
	t.at = p.run.now()
	var answer proto.Message
	var lost error
	err := p.run.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		lost = nil
		open, err := lock(ctx, tx, t.id, t.n)
		if err != nil {
			return err
		}
		if !open {
			answer, err = p.ended(ctx, tx, t)
			return err
		}
		// An intent of before a restore, whose outcome was recorded in the lost part and is back.
		if answer, err = p.run.recall(ctx, tx, t.command); answer != nil || fault.ReasonOf(err) == ReasonTakenBack {
			lost = err
			b := &pgx.Batch{}
			t.end(b, nil, posted)
			return tx.SendBatch(ctx, b).Close()
		}
		if err != nil {
			return err
		}
		said, events, err := t.handler.Outcome(ctx, p.run.cfg.Wrap(tx, t.at), t.request, t.move, resp)
		if fault.Refused(err) {
			return fault.Bug("command %s, %s: refused what the inventory had accepted: %v", t.id, t.handler.Method, err)
		}
		if err != nil {
			return err
		}
		answer, err = p.run.record(ctx, tx, t.command, outcome{answer: said, events: events, also: func(b *pgx.Batch) { t.end(b, nil, posted) }})
		return err
	})
	if err != nil {
		return nil, err
	}
	failpoint.Hit("intent-after-outcome")
	p.run.cfg.Recorded()
	return answer, lost
}

func (p *Poster[T]) refused(ctx context.Context, t try[T], why error) (proto.Message, error) {
	t.at = p.run.now()
	var answer proto.Message
	err := p.run.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		answer = nil
		open, err := lock(ctx, tx, t.id, t.n)
		if err != nil {
			return err
		}
		if !open {
			answer, err = p.ended(ctx, tx, t)
			return err
		}
		if t.handler.Refused != nil {
			if err := t.handler.Refused(ctx, p.run.cfg.Wrap(tx, t.at), t.request, why); err != nil {
				return fmt.Errorf("undo the reservation of command %s: %w", t.id, err)
			}
		}
		b := &pgx.Batch{}
		t.end(b, why, lot.Receipt{})
		return tx.SendBatch(ctx, b).Close()
	})
	if err != nil {
		return nil, err
	}
	if answer != nil {
		return answer, nil
	}
	return nil, why
}

// ended is what became of a try that somebody else has ended: the recorded answer, the refusal, or, where a new try is under way, no more
// than that.
func (p *Poster[T]) ended(ctx context.Context, tx pgx.Tx, t try[T]) (proto.Message, error) {
	answer, err := p.run.recall(ctx, tx, t.command)
	if err != nil || answer != nil {
		return answer, err
	}
	why, err := refusalOf(ctx, tx, t.id, t.n)
	if err != nil {
		return nil, err
	}
	if why != nil {
		return nil, why
	}
	return nil, fault.Unavailable("try_ended", "command %s: try %d has ended elsewhere: come again with the same id", t.id, t.n)
}

// Run sweeps until the context ends. Faults are logged when they begin and when they end.
func (p *Poster[T]) Run(ctx context.Context, logger *slog.Logger) {
	tick := time.NewTicker(sweepEvery)
	defer tick.Stop()
	failing := false
	for {
		err := p.Sweep(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case err != nil && !failing:
			logger.WarnContext(ctx, "intents stay open", "error", err)
		case err == nil && failing:
			logger.InfoContext(ctx, "no intent stays open")
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// Sweep finishes the intents that have been open for more than 5 seconds: a caller that lives would have finished them. A refusal by the
// inventory ends an intent and is no error of the sweep.
func (p *Poster[T]) Sweep(ctx context.Context) error {
	if err := p.run.cfg.Gate(ctx); err != nil {
		return err
	}
	tries, err := p.orphans(ctx)
	if err != nil {
		return err
	}
	var errs []error
	for _, t := range tries {
		if err := p.sweepOne(ctx, t); err != nil && !judged(err) && fault.ReasonOf(err) != ReasonTakenBack {
			errs = append(errs, err)
			if fault.KindOf(err) == fault.KindUnavailable && ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
				break // the inventory hangs: the others would only wait for it one after the other
			}
		}
	}
	return errors.Join(errs...)
}

func (p *Poster[T]) sweepOne(ctx context.Context, t try[T]) error {
	ctx, cancel := context.WithTimeout(ctx, sweepTimeout)
	defer cancel()
	_, err := p.finish(ctx, t)
	return err
}

// Resend repeats the movements that the inventory had answered in an epoch of its own after a position, in that order, and returns how many:
// it was restored to that position and has lost them. It does once more what it does not know and answers the rest again. An error names
// the commands that it now refuses: their answers stand here, so a person must see to them.
func (p *Poster[T]) Resend(ctx context.Context, epoch, after int64) (int, error) {
	sent := 0
	var refusals []error
	for {
		moves, last, err := p.answered(ctx, epoch, after)
		if err != nil || len(moves) == 0 {
			return sent, errors.Join(append(refusals, err)...)
		}
		for _, move := range moves {
			_, err := p.call(ctx, move)
			switch {
			case fault.ReasonOf(err) == ReasonTakenBack:
				sent++
			case judged(err):
				refusals = append(refusals, fmt.Errorf("resend movement %s, try %d: %w", move.GetCommandId(), move.GetTry(), err))
			case err != nil:
				return sent, errors.Join(append(refusals, err)...)
			default:
				sent++
			}
		}
		after = last
	}
}

// Post is Do for a caller that knows the type of the answer: Post[*productionv1.CompleteRunResponse](ctx, poster, request).
func Post[A proto.Message, T any](ctx context.Context, p *Poster[T], req Request) (A, error) {
	var none A
	answer, err := p.Do(ctx, req)
	if err != nil {
		return none, err
	}
	a, ok := answer.(A)
	if !ok {
		return none, fault.Bug("command %s: its recorded answer is a %s, the caller wants a %T", req.GetCommandId(), typeOf(answer), none)
	}
	return a, nil
}

// movementID is the id under which the inventory knows a command's movements: another than the command's own, which the sender may use
// towards the inventory for something else.
func movementID(commandID string, by lot.Producer) (string, error) {
	id, err := uuid.Parse(commandID)
	if err != nil {
		return "", err
	}
	return uuid.NewSHA1(id, []byte(by)).String(), nil
}
