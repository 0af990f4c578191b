package command

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
)

// recall finds the recorded answer of a command; nil where there is none. It also notices, in the same round trip, a command that was lost in
// a restore but whose events are back.
func (r *Runner[T]) recall(ctx context.Context, tx pgx.Tx, c command) (proto.Message, error) {
	const sql = `select c.method, c.digest, c.answer_type, c.answer, c.epoch, c.position, false from commands c where c.command_id = $1
		union all select '', ''::bytea, '', ''::bytea, 0, 0, true from taken_back t where t.tail = $2 limit 1`
	var method, answerType string
	var digest, kept []byte
	var taken bool
	at := lot.Receipt{Producer: r.cfg.Producer}
	err := tx.QueryRow(ctx, sql, c.id, r.tail(c, 0)).Scan(&method, &digest, &answerType, &kept, &at.Epoch, &at.Position, &taken)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("look up command %s: %w", c.id, err)
	}
	if taken {
		return r.retell(ctx, tx, c)
	}
	if method != c.method || !bytes.Equal(digest, c.digest) {
		return nil, reused(c)
	}
	answer, err := remember(answerType, kept)
	if err != nil {
		return nil, fault.Bug("command %s: recorded answer %s: %v", c.id, answerType, err)
	}
	setReceipt(answer, at)
	return answer, nil
}

// reasonReused is why a known id with another message is refused, here as at the inventory.
const reasonReused = "command_id_reused"

func reused(c command) error {
	return fault.Conflict(reasonReused, "command id %s was used before for another message: make a new id for a new command", c.id)
}

// forget is an answer's bytes without its receipt, which is not known before the last statement.
func forget(answer proto.Message) ([]byte, error) {
	if answer == nil || !answer.ProtoReflect().IsValid() {
		return nil, errors.New("the use-case gave neither an answer nor an error")
	}
	if f := receiptField(answer); f != nil {
		answer.ProtoReflect().Clear(f)
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(answer)
}

func remember(answerType string, kept []byte) (proto.Message, error) {
	t, err := protoregistry.GlobalTypes.FindMessageByName(protoreflect.FullName(answerType))
	if err != nil {
		return nil, err
	}
	answer := t.New().Interface()
	return answer, proto.Unmarshal(kept, answer)
}

func receiptField(answer proto.Message) protoreflect.FieldDescriptor {
	f := answer.ProtoReflect().Descriptor().Fields().ByName("receipt")
	if f == nil || f.Message() == nil || f.IsList() || f.Message().FullName() != "huskline.event.v1.Receipt" {
		return nil
	}
	return f
}

func setReceipt(answer proto.Message, r lot.Receipt) {
	if f := receiptField(answer); f != nil {
		answer.ProtoReflect().Set(f, protoreflect.ValueOfMessage(lotwire.Receipt(r).ProtoReflect()))
	}
}

// raise is the greatest position of each producer among applied and relied, own ones left out, in the order of producers.
func raise(applied, relied []lot.Receipt, own lot.Producer) []lot.Receipt {
	greatest := map[lot.Producer]lot.Receipt{}
	for _, r := range slices.Concat(applied, relied) {
		if r.Producer != own && before(greatest[r.Producer], r) {
			greatest[r.Producer] = r
		}
	}
	var out []lot.Receipt
	for _, r := range greatest {
		out = append(out, r)
	}
	slices.SortFunc(out, func(a, b lot.Receipt) int { return cmp.Compare(a.Producer, b.Producer) })
	return out
}

func before(a, b lot.Receipt) bool {
	return a.Epoch < b.Epoch || a.Epoch == b.Epoch && a.Position < b.Position
}
