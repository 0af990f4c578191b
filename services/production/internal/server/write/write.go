// Package write serves the commands of production: it turns their messages into what the domain judges, and what the domain wants of the
// inventory into the movement that is asked for.
package write

import (
	"context"
	"log/slog"

	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/rpc"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production/internal/charge"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/stage"
)

// Tx is what the use-cases see of a transaction.
type Tx interface {
	run.Tx
	stage.Tx
	// IssueToken registers a token by its hash.
	IssueToken(ctx context.Context, token access.Token, secretSHA256 []byte) error
	// RevokeToken ends a token.
	RevokeToken(ctx context.Context, id string) error
}

// Config is what commands are served with.
type Config struct {
	Runner *command.Runner[Tx]
	Call   command.Call
	// CatchUp takes in what the others have said so far, and names those that could not be asked.
	CatchUp func(ctx context.Context) (missing []string)
}

// Commands serves the write requests. It is safe for concurrent use.
type Commands struct {
	cfg    Config
	poster *command.Poster[Tx]
}

// New makes Commands.
func New(cfg Config) *Commands {
	return &Commands{cfg: cfg, poster: command.NewPoster(cfg.Runner, cfg.Call, handlers()...)}
}

// Sweep finishes what was left between the inventory's answer and ours, until ctx ends.
func (c *Commands) Sweep(ctx context.Context, logger *slog.Logger) { c.poster.Run(ctx, logger) }

// Resend repeats what the inventory was asked for and had answered after a position of an epoch at which a restore there ended it.
func (c *Commands) Resend(ctx context.Context, epoch, after int64) error {
	_, err := c.poster.Resend(ctx, epoch, after)
	return err
}

// Finish finishes at once what Sweep would.
func (c *Commands) Finish(ctx context.Context) error { return c.poster.Sweep(ctx) }

// post runs a request that the inventory has a part in. A refusal that might not stand if all were heard is judged once more after the others
// were asked, and is no refusal while one of them is silent. A trial says what is known here.
func post[A proto.Message](ctx context.Context, c *Commands, req command.Request) (A, error) {
	answer, err := command.Post[A](ctx, c.poster, req)
	if rpc.TrialOf(ctx) || !mayBeBehind(err) {
		return answer, err
	}
	missing := c.cfg.CatchUp(ctx)
	answer, err = command.Post[A](ctx, c.poster, req)
	if mayBeBehind(err) && len(missing) > 0 {
		return answer, fault.Unavailable("behind", "%v; but not all is known here: %v", err, missing)
	}
	return answer, err
}

// mayBeBehind tells whether an item, a price, or another's set that carried a run to its next version, which is not here yet, may be why.
func mayBeBehind(err error) bool {
	switch fault.ReasonOf(err) {
	case "item_unknown", "run_prices_mixed", "run_version":
		return true
	}
	return false
}

// RegisterStage adds a stage or changes it.
func (c *Commands) RegisterStage(ctx context.Context, r *productionv1.RegisterStageRequest) (*productionv1.RegisterStageResponse, error) {
	return command.Run(ctx, c.cfg.Runner, r, func(ctx context.Context, tx Tx) (*productionv1.RegisterStageResponse, []lot.Event, error) {
		events, err := stage.Register(ctx, tx, stage.Stage{Code: r.GetStage().GetStage(), Name: r.GetStage().GetName()})
		return &productionv1.RegisterStageResponse{}, events, err
	})
}

// OpenRun begins a run.
func (c *Commands) OpenRun(ctx context.Context, r *productionv1.OpenRunRequest) (*productionv1.OpenRunResponse, error) {
	start, err := lotwire.ParseTime(r.GetStart())
	if err != nil {
		return nil, err
	}
	o := run.Opening{Run: lot.RunID(r.GetRun()), Stage: r.GetStage(), Line: r.GetLine(), Start: start, Recipe: r.GetRecipe()}
	return command.Run(ctx, c.cfg.Runner, r, func(ctx context.Context, tx Tx) (*productionv1.OpenRunResponse, []lot.Event, error) {
		id, events, err := run.Begin(ctx, tx, o)
		return &productionv1.OpenRunResponse{Run: string(id)}, events, err
	})
}

// PostCharge records conversion cost by itself.
func (c *Commands) PostCharge(ctx context.Context, r *productionv1.PostChargeRequest) (*productionv1.PostChargeResponse, error) {
	body, err := lotwire.ParseChargePosted(r.GetCharge())
	if err != nil {
		return nil, err
	}
	at, err := lotwire.ParseTime(r.GetEffective())
	if err != nil {
		return nil, err
	}
	return command.Run(ctx, c.cfg.Runner, r, func(ctx context.Context, tx Tx) (*productionv1.PostChargeResponse, []lot.Event, error) {
		if err := run.Chargeable(ctx, tx, body.Runs, at); err != nil {
			return nil, nil, err
		}
		posted, events, err := charge.Post(ctx, tx, r.GetCommandId(), at, body)
		return &productionv1.PostChargeResponse{Charge: posted.Charge, AmountMicros: int64(posted.Amount)}, events, err
	})
}

// IssueToken registers a token by its hash.
func (c *Commands) IssueToken(ctx context.Context, r *productionv1.IssueTokenRequest) (*productionv1.IssueTokenResponse, error) {
	roles, err := access.ParseRoles(r.GetRoles())
	if err != nil {
		return nil, err
	}
	expires, err := lotwire.ParseTime(r.GetExpires())
	if err != nil {
		return nil, err
	}
	token := access.Token{ID: r.GetCommandId(), Name: r.GetName(), Roles: roles, Expires: expires}
	return command.Run(ctx, c.cfg.Runner, r, func(ctx context.Context, tx Tx) (*productionv1.IssueTokenResponse, []lot.Event, error) {
		return &productionv1.IssueTokenResponse{TokenId: token.ID}, nil, tx.IssueToken(ctx, token, r.GetSecretSha256())
	})
}

// RevokeToken ends a token at once.
func (c *Commands) RevokeToken(ctx context.Context, r *productionv1.RevokeTokenRequest) (*productionv1.RevokeTokenResponse, error) {
	return command.Run(ctx, c.cfg.Runner, r, func(ctx context.Context, tx Tx) (*productionv1.RevokeTokenResponse, []lot.Event, error) {
		return &productionv1.RevokeTokenResponse{}, nil, tx.RevokeToken(ctx, r.GetTokenId())
	})
}
