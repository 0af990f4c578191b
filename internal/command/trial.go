package command

import (
	"context"
	"errors"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"huskline/internal/fault"
)

// errTrial takes back what a trial did.
var errTrial = errors.New("a trial leaves nothing")

// trial judges a command and keeps nothing of it: the recorded answer where it was accepted before, its refusal, or the answer it would get now,
// which has no receipt. What a use-case waits for that is not there yet is a refusal like any other: the sender knows what it means to send first.
func (r *Runner[T]) trial(ctx context.Context, c command, judge func(ctx context.Context, tx pgx.Tx) (proto.Message, error)) (proto.Message, error) {
	var answer proto.Message
	err := r.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		recorded, err := r.recall(ctx, tx, c)
		if answer = recorded; err != nil || recorded != nil {
			return err
		}
		if answer, err = judge(ctx, tx); err != nil {
			return err
		}
		return errTrial
	})
	if err != nil && !errors.Is(err, errTrial) {
		return nil, err
	}
	return answer, nil
}

// trial judges the intent of a request. The inventory is not asked: what it moves stays moved.
func (p *Poster[T]) trial(ctx context.Context, t try[T]) (proto.Message, error) {
	return p.run.trial(ctx, t.command, func(ctx context.Context, tx pgx.Tx) (proto.Message, error) {
		waiting, err := p.waiting(ctx, tx, t)
		if err != nil {
			return nil, err
		}
		if !waiting { // an open try was judged when it was opened
			if _, err := t.handler.Intent(ctx, p.run.cfg.Wrap(tx, t.at), t.request); err != nil {
				return nil, err
			}
		}
		return blankAnswer(t.request)
	})
}

// blankAnswer is the empty answer to a request: each has a message of its own, named alike.
func blankAnswer(req Request) (proto.Message, error) {
	name := req.ProtoReflect().Descriptor().FullName()
	const request, response = "Request", "Response"
	t, err := protoregistry.GlobalTypes.FindMessageByName(name[:len(name)-len(request)] + protoreflect.FullName(response))
	if err != nil {
		return nil, fault.Bug("a trial of %s: %v", name, err)
	}
	return t.New().Interface(), nil
}
