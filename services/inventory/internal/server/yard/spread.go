package yard

import (
	"context"
	"log/slog"
	"time"

	"github.com/google/uuid"

	"huskline/internal/access"
	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/server/judge"
)

// spreadPoll is how soon a hold that something else than its placing set spreading again is noticed.
const spreadPoll = 250 * time.Millisecond

// Spreader lets holds reach what was made from what they lie on. One that was interrupted goes on where it stopped; two are harmless, since
// each page locks its hold.
type Spreader struct {
	judge     *judge.Judge
	spreading func(ctx context.Context) ([]string, error)
	logger    *slog.Logger
	wake      chan struct{}
}

// NewSpreader makes a spreader; spreading lists the holds that have something to reach.
func NewSpreader(j *judge.Judge, spreading func(ctx context.Context) ([]string, error), logger *slog.Logger) *Spreader {
	return &Spreader{judge: j, spreading: spreading, logger: logger, wake: make(chan struct{}, 1)}
}

// Wake tells that a hold has something to reach. It never blocks.
func (s *Spreader) Wake() {
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// Run spreads holds until ctx ends. What fails is tried again.
func (s *Spreader) Run(ctx context.Context) error {
	timer := time.NewTicker(spreadPoll)
	defer timer.Stop()
	for {
		if err := s.Step(ctx); err != nil && ctx.Err() == nil {
			s.logger.WarnContext(ctx, "holds do not spread", "reason", err.Error())
		}
		select {
		case <-ctx.Done():
			return nil
		case <-s.wake:
		case <-timer.C:
		}
	}
}

// Step spreads holds until none has anything to reach.
func (s *Spreader) Step(ctx context.Context) error {
	for {
		holds, err := s.spreading(ctx)
		if err != nil || len(holds) == 0 {
			return err
		}
		for _, id := range holds {
			if err := s.page(ctx, id); err != nil {
				return err
			}
		}
	}
}

// page spreads a hold by one page. It is a command of the service's own, so that what it does and what it says are recorded together.
func (s *Spreader) page(ctx context.Context, id string) error {
	ctx = access.WithActor(ctx, access.Actor{Name: string(lot.Inventory), Peer: lot.Inventory})
	req := &inventoryv1.PlaceHoldRequest{CommandId: uuid.NewString(), Hold: id}
	_, err := judge.Run(ctx, s.judge, req, func(ctx context.Context, tx judge.Tx) (*inventoryv1.PlaceHoldResponse, []lot.Event, error) {
		_, events, err := hold.SpreadPage(ctx, tx, id)
		return &inventoryv1.PlaceHoldResponse{Hold: id, Lots: int64(len(events)), Spreading: true}, events, err
	})
	return err
}
