package sim

import (
	"context"
	"errors"

	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// reply is what came back of a call.
type reply struct {
	answer proto.Message
	err    error
}

var errLost = fault.Unavailable("deadline", "no answer came in time")

// line is who calls whom, for what.
type line struct {
	from, to lot.Producer // from: empty for a caller outside
	what     string
	echoes   *int // counts requests of which nobody waits for the answer; nil: nobody asks
}

func (l line) echo() {
	if l.echoes != nil {
		*l.echoes++
	}
}

// call carries a request into a service and its answer back, or loses one of them. handle runs in a task of the service.
func (w *World) call(l line, handle func(ctx context.Context) (proto.Message, error)) (proto.Message, error) {
	w.pause()
	from, to, what := l.from, l.to, l.what
	s := w.service(to)
	if !s.up || from != "" && !w.reachable(from, to) {
		return nil, fault.Unavailable("unreachable", "%s cannot be reached", to)
	}
	if w.hit(RequestLost) {
		return nil, errLost
	}
	got := &reply{}
	serve := func(r *reply) *task {
		return w.spawn(to, what, func() {
			r.answer, r.err = handle(context.Background())
			w.bug(r.err)
		})
	}
	t := serve(got)
	if w.hit(RequestTwice) {
		l.echo()
		serve(&reply{})
	}
	if w.hit(RequestLate) {
		until := w.steps + 20 + w.rng.IntN(150)
		l.echo()
		late := serve(&reply{})
		late.ready = func() bool { return w.steps >= until || w.calm }
	}
	if w.hit(Impatient) {
		l.echo()
		return nil, errLost
	}
	w.await(func() bool { return t.done })
	switch {
	case t.dead:
		return nil, fault.Unavailable("connection_lost", "%s went away", to)
	case w.hit(AnswerLost):
		return nil, errLost
	case got.err != nil:
		return nil, onWire(got.err)
	}
	return proto.Clone(got.answer), nil
}

// onWire is an error as the other side gets it.
func onWire(err error) error {
	if e, ok := fault.Of(err); ok {
		return fault.New(fault.KindOf(e), fault.ReasonOf(e), "%s", e.Error())
	}
	return errors.New("internal")
}

// postMovement asks the inventory. Intake names all that it has said, since a movement may rest on it.
func (s *service) postMovement(_ context.Context, move *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	w := s.w
	if s.db.Running() {
		w.fail(errors.New("the inventory is asked while a transaction is open"))
	}
	move = proto.CloneOf(move)
	switch w.broken {
	case FreshMovement:
		move.CommandId = w.command()
	}
	head := s.db.Head()
	inventory := w.service(lot.Inventory)
	answer, err := w.call(line{from: s.name, to: lot.Inventory, what: "post movement"}, func(ctx context.Context) (proto.Message, error) {
		at := lot.Receipt{Producer: s.name, Epoch: head.Epoch, Position: head.Position}
		if s.name == lot.Intake && head.Position > 0 && !inventory.waitFor(at) {
			return nil, fault.Unavailable("behind", "intake's event %d is not here yet", at.Position)
		}
		return w.inventory.Goods().PostMovement(ctx, proto.CloneOf(move))
	})
	if err != nil {
		return nil, err
	}
	return answer.(*inventoryv1.PostMovementResponse), nil
}
