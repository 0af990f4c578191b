// Package answer answers for cost: of a run, of a lot, of the whole plant, each complete as of the positions that it prints.
package answer

import (
	"context"
	"log/slog"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/proof"
	"huskline/services/production/internal/sheet"
)

// Config is what costs are answered with.
type Config struct {
	DB     *postgres.DB
	Logger *slog.Logger
	Now    func() time.Time
	// CatchUp takes in what the others have said so far, and names what a complete answer would lack.
	CatchUp func(ctx context.Context) (missing []string)
	// Reach does the same, and names those with whom that did not succeed.
	Reach func(ctx context.Context) (unreached []string)
}

// Costs answers for cost, from an index that follows the facts. It is safe for concurrent use.
type Costs struct {
	follower *follow.Follower[*sheet.Index]
	now      func() time.Time
	catchUp  func(ctx context.Context) (missing []string)
	reach    func(ctx context.Context) (unreached []string)
}

// New makes Costs; it answers while Follow runs. The book works costs out when it is asked, so its readers come one at a time.
func New(cfg Config) *Costs {
	return &Costs{now: cfg.Now, catchUp: cfg.CatchUp, reach: cfg.Reach, follower: follow.New(follow.Config[*sheet.Index]{
		DB: cfg.DB, Self: lot.Production, New: sheet.New, Logger: cfg.Logger, Exclusive: true,
	})}
}

// Follow loads the index and keeps it up to date until ctx ends.
func (c *Costs) Follow(ctx context.Context) error { return c.follower.Run(ctx) }

// Nudge tells that something was recorded. It never blocks.
func (c *Costs) Nudge() { c.follower.Nudge() }

// moment is what a question says of when: both absent for now.
type moment interface {
	GetKnownAt() *timestamppb.Timestamp
	GetAsOf() []*eventv1.Receipt
}

// seen is when an answer was true, and what it may lack.
type seen struct {
	asOf    []lot.Receipt
	missing []string
}

// at runs fn with the index at the moment asked for. The newest is read after the others were asked for their heads; past positions are read as
// they are, so that the same question gives the same answer.
func (c *Costs) at(ctx context.Context, m moment, fn func(*sheet.Index) error) (seen, error) {
	var s seen
	see := func(index *sheet.Index, asOf []lot.Receipt) error {
		s.asOf = asOf
		return fn(index)
	}
	if len(m.GetAsOf()) > 0 {
		if m.GetKnownAt() != nil {
			return s, fault.Invalid("known_at_and_as_of", "a question is about a time or about positions, not about both")
		}
		return s, c.follower.Asked(ctx, lotwire.ParseReceipts(m.GetAsOf()), c.reach, see)
	}
	s.missing = c.catchUp(ctx)
	if m.GetKnownAt() == nil {
		err := c.follower.View(ctx, rpc.ReceiptsOf(ctx), see)
		return s, err
	}
	at, err := lotwire.ParseTime(m.GetKnownAt())
	if err != nil {
		return s, err
	}
	if err := follow.KnownBy(at, c.now()); err != nil {
		return s, err
	}
	vector, err := c.follower.VectorAt(ctx, at)
	if err != nil {
		return s, err
	}
	err = c.follower.Past(ctx, vector, see)
	return s, err
}

// lacks is what the answer may lack: what was missing when the others were asked, and the events about these lots, up to its positions, that the
// index does not hold. Without lots, all such events.
func (c *Costs) lacks(s seen, lots ...lot.ID) []string {
	lines := s.missing
	for _, g := range c.follower.Gaps(lots...) {
		if slices.ContainsFunc(s.asOf, func(r lot.Receipt) bool {
			return r.Producer == g.At.Producer && (g.At.Epoch < r.Epoch || g.At.Epoch == r.Epoch && g.At.Position <= r.Position)
		}) {
			lines = append(lines, g.String())
		}
	}
	return lines
}

// GetLotCost answers for a lot, or finished batch.
func (c *Costs) GetLotCost(ctx context.Context, r *productionv1.GetLotCostRequest) (*productionv1.GetLotCostResponse, error) {
	var answer *productionv1.GetLotCostResponse
	s, err := c.at(ctx, r, func(index *sheet.Index) error {
		l, err := index.Book.Lot(lot.ID(r.GetLot()))
		if err == nil {
			answer = lotCost(l)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	answer.AsOf, answer.Missing = lotwire.Receipts(s.asOf), c.lacks(s, lot.ID(r.GetLot()))
	return answer, nil
}

// GetRunCost gives the cost sheet of a run.
func (c *Costs) GetRunCost(ctx context.Context, r *productionv1.GetRunCostRequest) (*productionv1.GetRunCostResponse, error) {
	var answer *productionv1.GetRunCostResponse
	var lots []lot.ID
	s, err := c.at(ctx, r, func(index *sheet.Index) error {
		account, err := index.Book.Run(lot.RunID(r.GetRun()))
		if err == nil {
			answer, lots = runCost(account, index), lotsOf(account)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	answer.AsOf, answer.Missing = lotwire.Receipts(s.asOf), c.lacks(s, lots...)
	return answer, nil
}

// GetBalance gives the plant's totals with their proof lines.
func (c *Costs) GetBalance(ctx context.Context, r *productionv1.GetBalanceRequest) (*productionv1.GetBalanceResponse, error) {
	var answer *productionv1.GetBalanceResponse
	s, err := c.at(ctx, r, func(index *sheet.Index) error {
		season := index.Book.Season()
		answer = balance(season, proof.Season(season, index.Book.Where()))
		answer.HasReturns = index.Returns
		return nil
	})
	if err != nil {
		return nil, err
	}
	answer.AsOf, answer.Missing = lotwire.Receipts(s.asOf), c.lacks(s)
	return answer, nil
}

func lotsOf(r cost.RunCost) []lot.ID {
	var ids []lot.ID
	for _, in := range r.Inputs {
		ids = append(ids, in.Lot)
	}
	for _, out := range r.Outputs {
		ids = append(ids, out.Lot)
	}
	return ids
}
