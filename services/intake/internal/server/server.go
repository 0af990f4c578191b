// Package server is intake's gRPC door: message to domain to message, in a package for each kind of work.
package server

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/server/feed"
	"huskline/services/intake/internal/server/gate"
	"huskline/services/intake/internal/server/office"
	"huskline/services/intake/internal/server/pay"
	"huskline/services/intake/internal/server/register"
	"huskline/services/intake/internal/server/visit"
	"huskline/services/intake/internal/server/work"
)

// Tx is what the commands of all doors need of a transaction.
type Tx = work.Tx

// View shows readings as they are stored.
type View = feed.View

// NewView makes a view on what a database records.
var NewView = feed.NewView

// Store is what the doors read outside commands.
type Store interface {
	register.Reads
	feed.Reads
	gate.Reads
	visit.Reads
}

// Config is what the doors are made of.
type Config struct {
	Run   *command.Runner[Tx]
	Call  command.Call
	Claim func(ctx context.Context, command string, id lot.ID, claimant string) error
	Inbox *inbox.Inbox
	Desk  *desk.Desk
	Store Store
	Now   func() time.Time
	View  *View
}

// Parts answers the whole contract. A method that none of its parts has does not compile.
type Parts struct {
	intakev1.UnsafeIntakeServiceServer
	registerPart
	feedPart
	viewPart
	gatePart
	payPart
	officePart
	Visits *visit.Server // answers the contract of visits
	post   *command.Poster[Tx]
}

// The parts have names of their own, since all of them are called Server.
type (
	registerPart struct{ *register.Server }
	feedPart     struct{ *feed.Server }
	viewPart     struct{ *feed.View }
	gatePart     struct{ *gate.Server }
	payPart      struct{ *pay.Server }
	officePart   struct{ *office.Server }
)

var _ intakev1.IntakeServiceServer = (*Parts)(nil)

// New puts the parts together.
func New(cfg Config) *Parts {
	post := command.NewPoster(cfg.Run, cfg.Call, slices.Concat(gate.Handlers(), pay.Handlers())...)
	run := work.New(cfg.Run, post, cfg.Claim)
	return &Parts{
		registerPart: registerPart{register.New(run, cfg.Store, cfg.Now)},
		feedPart:     feedPart{feed.New(run, cfg.Store, cfg.Now)},
		viewPart:     viewPart{cfg.View},
		gatePart:     gatePart{gate.New(run, cfg.Store)},
		payPart:      payPart{pay.New(run)},
		officePart:   officePart{office.New(run, cfg.Desk, cfg.Inbox)},
		Visits:       visit.New(run, cfg.Store),
		post:         post,
	}
}

// Sweep finishes what a crash left half done, until ctx ends.
func (p *Parts) Sweep(ctx context.Context, logger *slog.Logger) { p.post.Run(ctx, logger) }

// Resend repeats what the inventory was asked for and had answered after a position of an epoch at which a restore there ended it.
func (p *Parts) Resend(ctx context.Context, epoch, after int64) error {
	_, err := p.post.Resend(ctx, epoch, after)
	return err
}

// Retell is the answer of a command again whose own row was lost when the database went back to an earlier moment, told by its events.
func Retell(ctx context.Context, tx Tx, req command.Request, events []lot.Recorded) (proto.Message, error) {
	said := events[0].Body
	if answer := gate.Retell(req, said); answer != nil {
		return answer, nil
	}
	if answer := pay.Retell(said); answer != nil {
		return answer, nil
	}
	if answer := visit.Retell(req, events); answer != nil {
		return answer, nil
	}
	return feed.Retell(ctx, tx, req, said)
}
