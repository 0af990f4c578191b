// Package work runs the commands of intake's doors.
package work

import (
	"context"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/check"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/item"
	"huskline/services/intake/internal/party"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/internal/settle"
	"huskline/services/intake/internal/ticket"
	"huskline/services/intake/internal/weighing"
)

// Tx is what the commands of all doors need of a transaction.
type Tx interface {
	party.Tx
	item.Tx
	scale.Tx
	check.Tx
	weighing.Tx
	delivery.Tx
	settle.Tx
	ticket.Tx
	// IssueToken registers a token by the hash of its secret.
	IssueToken(ctx context.Context, token access.Token, secretSHA256 []byte) error
	// RevokeToken ends a token.
	RevokeToken(ctx context.Context, id string) error
}

// Claim reserves a lot code with the inventory for a claimant; repeated under the same command it claims the same again. It is called with no
// transaction open.
type Claim func(ctx context.Context, command string, id lot.ID, claimant string) error

// Runner runs commands.
type Runner struct {
	run   *command.Runner[Tx]
	post  *command.Poster[Tx]
	claim Claim
}

// New makes a runner. post runs what the inventory judges.
func New(run *command.Runner[Tx], post *command.Poster[Tx], claim Claim) *Runner {
	return &Runner{run, post, claim}
}

// Post runs a request that the inventory judges to its end.
func Post[A proto.Message](ctx context.Context, r *Runner, req command.Request) (A, error) {
	return command.Post[A](ctx, r.post, req)
}

// Run runs a command once.
func Run[A proto.Message](ctx context.Context, r *Runner, req command.Request, use func(ctx context.Context, tx Tx) (A, []lot.Event, error)) (A, error) {
	return command.Run(ctx, r.run, req, use)
}

// Code is a lot code that a command wants to bear a lot under.
type Code struct {
	Lot      lot.ID // empty: intake gives one
	Claimant string // empty: the command
}

// errUnclaimed undoes a command that holds but for its lot code, which is then claimed.
var errUnclaimed = fault.Unavailable("lot_code_unclaimed", "the lot code is not claimed yet")

// Bear runs a command that bears a lot once its code is claimed. A code that the sender has claimed already is claimed again first, which changes
// nothing. Any other is claimed only after the command was judged, so that a refused one leaves no code behind; and a command that was accepted
// before is answered without asking the inventory.
func Bear[A proto.Message](
	ctx context.Context, r *Runner, req command.Request, code Code, use func(ctx context.Context, tx Tx) (A, []lot.Event, error),
) (A, error) {
	if code.Lot == "" {
		return Run(ctx, r, req, use)
	}
	claimed := code.Claimant != ""
	var refused error
	if claimed {
		if err := uuid.Validate(code.Claimant); err != nil {
			var none A
			return none, fault.Invalid("claimant_malformed", "claimant %q: it must be a UUID", code.Claimant)
		}
		refused = r.claim(ctx, req.GetCommandId(), code.Lot, code.Claimant)
	}
	for {
		answer, err := Run(ctx, r, req, func(ctx context.Context, tx Tx) (A, []lot.Event, error) {
			var none A
			if refused != nil {
				return none, nil, refused
			}
			a, events, err := use(ctx, tx)
			if err == nil && !claimed {
				return none, nil, errUnclaimed
			}
			return a, events, err
		})
		if claimed || fault.ReasonOf(err) != fault.ReasonOf(errUnclaimed) {
			return answer, err
		}
		claimed, refused = true, r.claim(ctx, req.GetCommandId(), code.Lot, req.GetCommandId())
	}
}

// Or is a name, or the command's id where it is empty.
func Or(name string, req command.Request) string {
	if name == "" {
		return req.GetCommandId()
	}
	return name
}

// PageAfter is the key that a page of a list starts after.
func PageAfter(token string) (string, error) { return access.PageKey(token) }
