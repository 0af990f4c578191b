package command

import (
	"context"
	"crypto/sha256"
	"embed"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	"huskline/internal/failpoint"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	"huskline/internal/seal"
)

// Migrations holds the tables of commands and intents. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Database runs transactions, as *postgres.DB does. The simulation has one in memory.
type Database interface {
	// InTx runs fn in a transaction that is committed where fn gives no error. fn may run several times.
	InTx(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error
	// Snapshot runs fn in a transaction that only reads, all of it at one moment.
	Snapshot(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error
}

// Config is what a Runner is made of. T is what the use-cases of the service see of a transaction.
type Config[T any] struct {
	DB       Database
	Producer lot.Producer
	Now      func() time.Time
	Wrap     func(tx pgx.Tx, at time.Time) T                             // at: the one time of all rows, UTC, to the microsecond
	After    func(ctx context.Context, tx pgx.Tx) ([]lot.Receipt, error) // what this service has applied of the others; nil: of nobody
	Actor    func(ctx context.Context) string                            // who calls; nil: nobody
	Receipts func(ctx context.Context) []lot.Receipt                     // what the call relies on; nil: nothing
	Trial    func(ctx context.Context) bool                              // is the command to be judged and nothing kept; nil: never
	// Retell makes the answer of a command anew whose own row a restore to an earlier moment lost, from its events, which were taken back; the
	// receipt is filled in. It only reads. A nil answer, or a nil Retell: such a command gets reason command_taken_back, unless
	// its answer is nothing but a receipt.
	Retell   func(ctx context.Context, tx pgx.Tx, req Request, events []lot.Recorded) (proto.Message, error)
	Gate     func(ctx context.Context) error // may this service write now; its error refuses the command. Nil: always
	Recorded func()                          // called after a commit: the place to nudge relay and followers; nil: nothing
	NewID    func() (uuid.UUID, error)       // a new UUIDv7, the start of event ids; nil: from clock and chance
}

// Runner runs the write use-cases of one service. It is safe for concurrent use.
type Runner[T any] struct{ cfg Config[T] }

// New makes a Runner. Of the functions, Now and Wrap are required.
func New[T any](cfg Config[T]) *Runner[T] {
	if cfg.After == nil {
		cfg.After = func(context.Context, pgx.Tx) ([]lot.Receipt, error) { return nil, nil }
	}
	if cfg.Actor == nil {
		cfg.Actor = func(context.Context) string { return "" }
	}
	if cfg.Receipts == nil {
		cfg.Receipts = func(context.Context) []lot.Receipt { return nil }
	}
	if cfg.Trial == nil {
		cfg.Trial = func(context.Context) bool { return false }
	}
	if cfg.Gate == nil {
		cfg.Gate = func(context.Context) error { return nil }
	}
	if cfg.Recorded == nil {
		cfg.Recorded = func() {}
	}
	if cfg.NewID == nil {
		cfg.NewID = uuid.NewV7
	}
	return &Runner[T]{cfg: cfg}
}

// Request is a write request of any contract.
type Request interface {
	proto.Message
	GetCommandId() string
}

// Run runs a use-case once for its command id and returns its answer, whose field "receipt", if it has one, is set to what was recorded:
// the last event, or the head as it stood where the use-case said none.
//
// use may run several times and must have no effect but through tx. When it returns an error nothing is left. The id with a message that
// differs from the accepted one gives reason command_id_reused. An error of kind unavailable may hide a commit: come again with the same id.
func Run[T any, A proto.Message](
	ctx context.Context, r *Runner[T], req Request, use func(ctx context.Context, tx T) (A, []lot.Event, error),
) (A, error) {
	var none A
	c, err := r.take(ctx, req)
	if err != nil {
		return none, err
	}
	if any(none) != nil { // a nil message of a known type
		c.blank = none
	}
	answer, err := r.run(ctx, c, func(ctx context.Context, tx T) (proto.Message, []lot.Event, error) { return use(ctx, tx) })
	if err != nil {
		return none, err
	}
	a, ok := answer.(A)
	if !ok {
		return none, fault.Bug("command %s: its recorded answer is a %s, the caller wants a %T", c.id, answer.ProtoReflect().Descriptor().FullName(), none)
	}
	return a, nil
}

// command is a request on its way, with what is kept of it.
type command struct {
	id     string
	method string // full name of the request's message
	digest []byte
	at     time.Time
	actor  string
	relied []lot.Receipt // of other producers

	request Request
	blank   proto.Message // an empty answer; nil where its type is not known
}

func (r *Runner[T]) take(ctx context.Context, req Request) (command, error) {
	id, err := uuid.Parse(req.GetCommandId())
	if err != nil {
		return command{}, fault.Invalid("command_id_malformed", "command id %q: it must be a UUID", req.GetCommandId())
	}
	message, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return command{}, fault.Invalid("request_malformed", "command %s: %v", id, err)
	}
	if err := r.cfg.Gate(ctx); err != nil {
		return command{}, err
	}
	method := string(req.ProtoReflect().Descriptor().FullName())
	digest := sha256.New()
	fmt.Fprintf(digest, "%s\x00%s", method, message)
	return command{
		id: id.String(), method: method, digest: digest.Sum(nil), at: r.cfg.Now().UTC().Truncate(time.Microsecond), actor: r.cfg.Actor(ctx),
		relied: r.cfg.Receipts(ctx), request: req,
	}, nil
}

// run looks the command up, runs the use-case if it is new, and records. The same command may be under way elsewhere: then one of the two
// finds the other's row in its way, or is refused because of what the other did; so before an error is believed the command is looked up again.
func (r *Runner[T]) run(
	ctx context.Context, c command, use func(ctx context.Context, tx T) (proto.Message, []lot.Event, error),
) (proto.Message, error) {
	if r.cfg.Trial(ctx) {
		return r.trial(ctx, c, func(ctx context.Context, tx pgx.Tx) (proto.Message, error) {
			answer, _, err := use(ctx, r.cfg.Wrap(tx, c.at))
			return answer, err
		})
	}
	var answer proto.Message
	err := r.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		if answer, err = r.recall(ctx, tx, c); err != nil || answer != nil {
			return err
		}
		failpoint.Hit("command-before-use")
		said, events, err := use(ctx, r.cfg.Wrap(tx, c.at))
		if err != nil {
			return err
		}
		failpoint.Hit("command-before-record")
		answer, err = r.record(ctx, tx, c, outcome{answer: said, events: events})
		return err
	})
	if err != nil {
		return r.recallAfter(ctx, c, err)
	}
	failpoint.Hit("command-after-commit")
	r.cfg.Recorded()
	return answer, nil
}

// recallAfter is the recorded answer of a command that failed with err because it had been accepted meanwhile, else err.
func (r *Runner[T]) recallAfter(ctx context.Context, c command, err error) (proto.Message, error) {
	if ctx.Err() != nil || fault.KindOf(err) == fault.KindUnavailable {
		return nil, err
	}
	var answer proto.Message
	again := r.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		answer, err = r.recall(ctx, tx, c)
		return err
	})
	if again != nil {
		return nil, errors.Join(err, again)
	}
	if answer == nil {
		return nil, err
	}
	return answer, nil
}

// outcome is what a use-case gave, and what is to be written in the same round trip.
type outcome struct {
	answer proto.Message
	events []lot.Event
	also   func(*pgx.Batch)
}

var addCommand = seal.Insert("commands", "command_id, method, digest, answer_type, answer, epoch, position, recorded_micros",
	`select $1::uuid, $2::text, $3::bytea, $4::text, $5::bytea, epoch, position, $6::bigint from head`) + ` returning epoch, position`

// record writes the events and the command: the last thing of the transaction, in one round trip, since every writer waits at the head.
func (r *Runner[T]) record(ctx context.Context, tx pgx.Tx, c command, o outcome) (proto.Message, error) {
	msgs, err := r.messages(ctx, tx, c, o.events)
	if err != nil {
		return nil, err
	}
	kept, err := forget(o.answer)
	if err != nil {
		return nil, fault.Bug("command %s: %v", c.id, err)
	}
	at := lot.Receipt{Producer: r.cfg.Producer}
	b := &pgx.Batch{}
	if o.also != nil {
		o.also(b)
	}
	outbox.Queue(b, c.at, msgs)
	answerType := string(o.answer.ProtoReflect().Descriptor().FullName())
	b.Queue(addCommand, c.id, c.method, c.digest, answerType, kept, c.at.UnixMicro()).
		QueryRow(func(row pgx.Row) error { return row.Scan(&at.Epoch, &at.Position) })
	postgres.QueueCommit(b)
	failpoint.Hit("command-before-commit")
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return nil, fmt.Errorf("record command %s: %w", c.id, err)
	}
	setReceipt(o.answer, at)
	return o.answer, nil
}

// messages gives the events their ids and bytes. What the service has applied is read after the use-case, so that it names no less than the
// use-case has seen.
func (r *Runner[T]) messages(ctx context.Context, tx pgx.Tx, c command, events []lot.Event) ([]outbox.Message, error) {
	if len(events) == 0 {
		return nil, nil
	}
	after, err := r.cfg.After(ctx, tx)
	if err != nil {
		return nil, fmt.Errorf("read applied positions for command %s: %w", c.id, err)
	}
	after = raise(after, c.relied, r.cfg.Producer)
	msgs := make([]outbox.Message, len(events))
	for i, e := range events {
		id, err := r.eventID(c.id, i)
		if err != nil {
			return nil, err
		}
		payload, err := lotwire.Marshal(id, c.actor, after, e)
		if err != nil {
			return nil, err
		}
		msgs[i] = outbox.Message{ID: id, Type: e.Body.Kind(), Payload: payload}
	}
	return msgs, nil
}
