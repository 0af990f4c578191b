// Package judge runs the commands of inventory's doors. What would be refused as unknown or short is judged once more when all that the
// others have said by now is known here.
package judge

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	"huskline/services/inventory/internal/count"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/movement"
	"huskline/services/inventory/internal/shipping"
	"huskline/services/inventory/internal/stock"
)

// Tx is what the commands of all doors need of a transaction.
type Tx interface {
	movement.Tx
	hold.Tx
	hold.SpreadTx
	shipping.Tx
	count.Tx
	// Claim reserves codes, all or nothing, and tells how many were new.
	Claim(ctx context.Context, claims []stock.Claim) (int64, error)
	// RunLines is a run as it stands, read without locks.
	RunLines(ctx context.Context, id lot.RunID) (*stock.RunState, error)
	// Lies is what lies of a lot at a place.
	Lies(ctx context.Context, id lot.ID, place lot.PlaceID) (lot.Quantity, error)
	// PutPlace registers a place, or changes it.
	PutPlace(ctx context.Context, p stock.NamedPlace) error
	// PutReason registers a reason of adjustment, or changes its account.
	PutReason(ctx context.Context, reason string, a lot.Account) error
	// IssueToken registers a token by its hash.
	IssueToken(ctx context.Context, token access.Token, secretSHA256 []byte) error
	// RevokeToken ends a token.
	RevokeToken(ctx context.Context, id string) error
}

// Inbox is what takes in the others' events.
type Inbox interface {
	// Reach asks the others for all that they have said by now and waits for it. It names those that could not be reached.
	Reach(ctx context.Context) (unreached []string)
}

// Judge runs commands.
type Judge struct {
	run   *command.Runner[Tx]
	inbox Inbox
	now   func() time.Time
}

// New makes a judge.
func New(run *command.Runner[Tx], in Inbox, now func() time.Time) *Judge {
	return &Judge{run, in, now}
}

// Now is the service's clock.
func (j *Judge) Now() time.Time { return j.now() }

// maxRaces bounds how often a command is run again because another bore the same lot at the same moment; each time one of them gets on.
const maxRaces = 20

// Run runs a command once, whose texts have no control characters.
func Run[A proto.Message](ctx context.Context, j *Judge, req command.Request, use func(ctx context.Context, tx Tx) (A, []lot.Event, error)) (A, error) {
	if err := plain(req); err != nil {
		var none A
		return none, err
	}
	for n := 0; ; n++ {
		answer, err := command.Run(ctx, j.run, req, use)
		if fault.ReasonOf(err) != stock.Raced || n == maxRaces {
			return answer, err
		}
	}
}

// Twice runs a command, and again where its refusal may come of what the others have said and was not known here yet. Where one of them
// cannot be asked there is no judgement: the error is of kind unavailable. A trial says what is known here.
func Twice[A proto.Message](ctx context.Context, j *Judge, req command.Request, use func(ctx context.Context, tx Tx) (A, []lot.Event, error)) (A, error) {
	answer, err := Run(ctx, j, req, use)
	if err == nil || rpc.TrialOf(ctx) || !stock.MayBeBehind(err) {
		return answer, err
	}
	// Events in quarantine are no reason to wait: a person looks at them.
	if away := j.inbox.Reach(ctx); len(away) > 0 {
		var none A
		return none, fault.Unavailable("behind", "%v; but %s, and what it said may change that", err, away[0])
	}
	return Run(ctx, j, req, use)
}

// By is who calls.
func By(ctx context.Context) string { return access.ActorOf(ctx).Name }

// Or is the name, or the command's id where it is empty.
func Or(name string, req command.Request) string {
	if name == "" {
		return req.GetCommandId()
	}
	return name
}
