// Package server is inventory's gRPC door: message to domain to message, in a package for each kind of work.
package server

import (
	"context"
	"log/slog"
	"time"

	"huskline/internal/command"
	"huskline/internal/desk"
	"huskline/internal/inbox"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/server/drill"
	"huskline/services/inventory/internal/server/goods"
	"huskline/services/inventory/internal/server/judge"
	"huskline/services/inventory/internal/server/look"
	"huskline/services/inventory/internal/server/office"
	"huskline/services/inventory/internal/server/watch"
	"huskline/services/inventory/internal/server/yard"
)

// Tx is what the commands of all doors need of a transaction.
type Tx = judge.Tx

// By is who calls.
func By(ctx context.Context) string { return judge.By(ctx) }

// Store is what the doors read outside commands.
type Store interface {
	look.Reads
	goods.Refusals
	// Spreading lists holds that have not reached all their descendants.
	Spreading(ctx context.Context) ([]string, error)
}

// Config is what the doors are made of.
type Config struct {
	Run    *command.Runner[Tx]
	Inbox  *inbox.Inbox
	Hub    *watch.Hub
	Desk   *desk.Desk
	Store  Store
	Now    func() time.Time
	Logger *slog.Logger
}

// Parts answers the whole contract. A method that none of its parts has does not compile.
type Parts struct {
	inventoryv1.UnsafeInventoryServiceServer
	goodsPart
	yardPart
	lookPart
	drillPart
	watchPart
	officePart
	spreader *yard.Spreader
}

// The parts have names of their own, since all of them are called Server.
type (
	goodsPart  struct{ *goods.Server }
	yardPart   struct{ *yard.Server }
	lookPart   struct{ *look.Server }
	drillPart  struct{ *drill.Server }
	watchPart  struct{ *watch.Server }
	officePart struct{ *office.Server }
)

var _ inventoryv1.InventoryServiceServer = (*Parts)(nil)

// New puts the parts together.
func New(cfg Config) *Parts {
	j := judge.New(cfg.Run, cfg.Inbox, cfg.Now)
	spreader := yard.NewSpreader(j, cfg.Store.Spreading, cfg.Logger)
	return &Parts{
		goodsPart:  goodsPart{goods.New(j, cfg.Store)},
		yardPart:   yardPart{yard.New(j, spreader.Wake)},
		lookPart:   lookPart{look.New(cfg.Store, cfg.Inbox)},
		drillPart:  drillPart{drill.New(cfg.Hub.Follower(), cfg.Inbox, cfg.Now)},
		watchPart:  watchPart{watch.New(cfg.Hub)},
		officePart: officePart{office.New(j, cfg.Desk, cfg.Inbox)},
		spreader:   spreader,
	}
}

// Spread lets holds reach their descendants until ctx ends.
func (p *Parts) Spread(ctx context.Context) error { return p.spreader.Run(ctx) }
