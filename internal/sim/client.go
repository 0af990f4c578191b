package sim

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/lot"
)

// op is a command of a caller, from its first try to its answer.
type op struct {
	name  string
	to    lot.Producer
	id    string
	by    string
	send  func(ctx context.Context, id string) (proto.Message, error) // may be called any number of times
	other func(ctx context.Context, id string) (proto.Message, error) // the same id with another message; nil: none
	facts func(answer proto.Message) []entry                          // what it does to stock, once accepted; nil: nothing
	then  func(answer proto.Message)                                  // what the caller learns by its being accepted

	answer  proto.Message
	refusal error
	sent    int
	asked   proto.Message // as it is first asked, without its id
	echoes  int           // requests of which nobody waits for the answer: they may be judged after the caller was answered
}

// caller sends commands one after the other, each until it is answered.
func (w *World) caller(n int) {
	who := fmt.Sprintf("caller %d", n)
	w.spawn("", who, func() {
		for w.plant.left > 0 {
			w.plant.left--
			w.pause()
			if o := w.plant.draw(w); o != nil {
				o.by = fmt.Sprintf("person-%d", w.rng.IntN(3))
				w.plant.ops = append(w.plant.ops, o)
				w.finish(o)
				w.meddle()
			}
		}
	})
}

// finish sends a command until it is answered.
func (w *World) finish(o *op) {
	if o.id == "" {
		o.id = w.command()
		w.note("%s %s asked: %v", o.name, o.id, o.asked)
	}
	for {
		id := o.id
		if w.broken == FreshCommand && o.sent > 0 {
			id = w.command()
		}
		o.sent++
		answer, err := w.ask(o, id)
		switch {
		case err == nil:
			w.note("%s %s accepted: %v", o.name, o.id, answer)
			w.plant.accept(o, answer)
			return
		case fault.Refused(err):
			w.note("%s %s refused: %v", o.name, o.id, err)
			w.plant.refused[fault.ReasonOf(err)]++
			o.refusal = err
			return
		case o.sent > 300:
			w.fail(fmt.Errorf("%s %s is not answered, at last: %w", o.name, o.id, err))
			return
		}
		w.pause()
	}
}

func (w *World) ask(o *op, id string) (proto.Message, error) {
	return w.call(line{to: o.to, what: o.name, echoes: &o.echoes}, func(ctx context.Context) (proto.Message, error) {
		return o.send(access.WithActor(ctx, access.Actor{Name: o.by}), id)
	})
}

// meddle sends an old command again, or its id with another message. Neither may have an effect.
func (w *World) meddle() {
	o := w.plant.accepted(w)
	if o == nil {
		return
	}
	if w.hit(OldCommand) {
		w.again(o)
	}
	if o.other != nil && w.hit(ReusedID) {
		_, err := w.call(line{to: o.to, what: o.name + " changed"}, func(ctx context.Context) (proto.Message, error) { return o.other(ctx, o.id) })
		if err == nil || fault.Refused(err) && fault.ReasonOf(err) != "command_id_reused" {
			w.fail(fmt.Errorf("%s %s: another message under its id gave %v, no conflict", o.name, o.id, err))
		}
	}
}

// again sends an accepted command once more and wants its answer, to the byte.
func (w *World) again(o *op) {
	answer, err := w.ask(o, o.id)
	switch {
	case err != nil && !fault.Refused(err) && !w.calm:
	case err != nil:
		w.fail(fmt.Errorf("%s %s was accepted and now gives: %w", o.name, o.id, err))
	case !proto.Equal(answer, o.answer):
		w.fail(fmt.Errorf("%s %s was answered %v and is now answered %v", o.name, o.id, o.answer, answer))
	}
}

// moment is a time at the plant for a fact: mostly now, sometimes earlier, so that facts arrive late.
func (w *World) moment(from time.Time) time.Time {
	now := w.now.Truncate(time.Second)
	if from.IsZero() || !now.After(from) || w.rng.IntN(3) > 0 {
		return now
	}
	return from.Add(time.Duration(w.rng.Int64N(int64(now.Sub(from)))))
}
