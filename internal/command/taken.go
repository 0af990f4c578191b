package command

import (
	"context"
	"crypto/sha256"
	"fmt"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
)

// ReasonTakenBack is why a command is refused that was accepted before the database was restored to an earlier moment: its events came back,
// so it must not be done again, but its answer is lost. Whoever gets it must look at what the command did; it is no refusal of the command.
const ReasonTakenBack = "command_taken_back"

// eventID is a new UUIDv7 for the event numbered n, from 0, of a command. Its last 8 bytes are not drawn but digested from the command's id,
// so that a command is found by its events where its own row is lost. What is left of it, a millisecond and a count within the process, and
// the producer in the digest, keep the id unique.
func (r *Runner[T]) eventID(commandID string, n int) (string, error) {
	id, err := r.cfg.NewID()
	if err != nil {
		return "", fmt.Errorf("make an event id: %w", err)
	}
	tail := trace(r.cfg.Producer, commandID, n)
	copy(id[8:], tail[:])
	return id.String(), nil
}

// trace is the last 8 bytes of such an id.
func trace(by lot.Producer, commandID string, n int) (tail [8]byte) {
	digest := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%d", by, commandID, n))
	copy(tail[:], digest[:])
	tail[0] = tail[0]&0x3f | 0x80 // the variant of RFC 9562
	return tail
}

// retell answers a command whose events were taken back. The service is asked first; an answer that is nothing but a receipt needs nobody.
func (r *Runner[T]) retell(ctx context.Context, tx pgx.Tx, c command) (proto.Message, error) {
	events, err := r.takenBack(ctx, tx, c)
	if err != nil || len(events) == 0 {
		return nil, err
	}
	last := events[len(events)-1].Receipt
	if r.cfg.Retell != nil {
		answer, err := r.cfg.Retell(ctx, tx, c.request, events)
		if err != nil {
			return nil, fmt.Errorf("tell the answer of command %s again: %w", c.id, err)
		}
		if answer != nil {
			setReceipt(answer, last)
			return answer, nil
		}
	}
	if c.blank != nil && c.blank.ProtoReflect().Descriptor().Fields().Len() == 1 && receiptField(c.blank) != nil {
		answer := c.blank.ProtoReflect().New().Interface()
		setReceipt(answer, last)
		return answer, nil
	}
	return nil, fault.Conflict(ReasonTakenBack,
		"command %s was accepted before this service was restored to an earlier moment: it stands, from position %d of epoch %d, but its answer is lost; it is not done again",
		c.id, events[0].Position, events[0].Epoch)
}

// done is what becomes of a command of which the inventory knows another movement than the one that it is asked for: nobody else asks under this
// id, so it was accepted in a part of the past that a restore has lost here. Whoever made a new id for it, as the inventory's own words advise,
// would have it done twice.
func done(c command) error {
	return fault.Conflict(ReasonTakenBack,
		"command %s: the inventory accepted it before this service was restored to an earlier moment: it stands, but its answer is lost; it is not done again", c.id)
}

// takenBack is the command's events, where they were taken back after a restore; mostly none.
func (r *Runner[T]) takenBack(ctx context.Context, tx pgx.Tx, c command) ([]lot.Recorded, error) {
	var events []lot.Recorded
	for n := 0; ; n++ {
		envs, err := outbox.ByTail(ctx, tx, r.tail(c, n))
		if err != nil || len(envs) == 0 {
			return events, err
		}
		e, err := lotwire.Unmarshal(envs[0])
		if err != nil && e.EventID == "" {
			return nil, fault.Bug("command %s: its event taken back cannot be read: %v", c.id, err)
		}
		events = append(events, e)
	}
}

// tail is the trace of a command's event as the outbox keeps it.
func (r *Runner[T]) tail(c command, n int) int64 {
	tail := trace(r.cfg.Producer, c.id, n)
	return outbox.Tail(tail)
}
