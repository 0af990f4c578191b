package seasonimport

import (
	"context"
	"fmt"
	"io/fs"
	"slices"
	"sync"
	"time"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"

	"huskline/services/huskline/internal/seasonfile"
)

// Doors are the public interfaces of the three services.
type Doors struct {
	Intake     intakev1.IntakeServiceClient
	Inventory  inventoryv1.InventoryServiceClient
	Production productionv1.ProductionServiceClient
}

// Config makes an import. Folder, Season, Doors and Now are required; the rest has defaults.
type Config struct {
	Folder fs.FS              // weighings.csv is read from it
	Season *seasonfile.Season // as seasonfile.Read found it, without fault
	Doors  Doors
	Now    func() time.Time

	InFlight    int            // commands at a time; 0: 16
	CallTimeout time.Duration  // of one try; 0: 30 s
	Patience    time.Duration  // how long a command that was not answered is repeated; 0: 2 min
	Progress    func(Progress) // told after every answer, one call at a time; nil: nobody
}

// The defaults of a Config. In flight: 16 keeps the three services busy on one machine without queueing at their pools.
const (
	defaultInFlight    = 16
	defaultCallTimeout = 30 * time.Second
	defaultPatience    = 2 * time.Minute
)

// claimsPerCall keeps a message of claims, at some 60 bytes each, well under what a service receives.
const claimsPerCall = 5000

// Run tries the season at the services, sends its rows, and then its weighings. Where the services refuse anything of it at the trial nothing is sent at
// all; where they refuse a row later, for what the running plant is by then, nothing more is sent. What was refused is in the report and no error; an
// error means that the import stopped before its end (interrupted, a service that stayed away, a right that is missing), with the report of what was
// done. Run again it goes on.
func Run(ctx context.Context, cfg Config) (*Report, error) {
	if cfg.InFlight == 0 {
		cfg.InFlight = defaultInFlight
	}
	if cfg.CallTimeout == 0 {
		cfg.CallTimeout = defaultCallTimeout
	}
	if cfg.Patience == 0 {
		cfg.Patience = defaultPatience
	}
	i := &importer{cfg: cfg, report: Report{Total: cfg.Season.Rows(), Weighings: Weighings{Total: cfg.Season.Weighings}}}
	if err := i.heads(ctx); err != nil {
		return &i.report, err
	}
	err := i.rows(ctx)
	if err == nil && !i.report.AnyRefused() {
		err = i.weighings(ctx)
	}
	i.report.sort()
	return &i.report, err
}

// importer is one import under way; mu guards the report and what is told of it.
type importer struct {
	cfg    Config
	before []*eventv1.Receipt // each producer's head when the import began

	mu     sync.Mutex
	report Report
	tried  int // rows that were tried before the first was sent
}

// heads notes where each producer stands. An answer at or before that was recorded by an earlier import: it is a repeat.
func (i *importer) heads(ctx context.Context) error {
	d := i.cfg.Doors
	return i.patiently(ctx, func(ctx context.Context) error {
		intake, err := d.Intake.GetHead(ctx, &intakev1.GetHeadRequest{})
		if err != nil {
			return fmt.Errorf("ask intake for its head: %w", err)
		}
		inventory, err := d.Inventory.GetHead(ctx, &inventoryv1.GetHeadRequest{})
		if err != nil {
			return fmt.Errorf("ask inventory for its head: %w", err)
		}
		production, err := d.Production.GetHead(ctx, &productionv1.GetHeadRequest{})
		if err != nil {
			return fmt.Errorf("ask production for its head: %w", err)
		}
		i.before = []*eventv1.Receipt{intake.GetHead().GetAt(), inventory.GetHead().GetAt(), production.GetHead().GetAt()}
		return nil
	})
}

// repeated tells whether an answer was recorded before this import began.
func (i *importer) repeated(r *eventv1.Receipt) bool {
	return r != nil && slices.ContainsFunc(i.before, func(h *eventv1.Receipt) bool {
		return h.GetProducer() == r.GetProducer() && (r.GetEpoch() < h.GetEpoch() || r.GetEpoch() == h.GetEpoch() && r.GetPosition() <= h.GetPosition())
	})
}

// rows tries all rows, claims all lot codes and then sends the rows.
func (i *importer) rows(ctx context.Context) error {
	begun := i.cfg.Now()
	defer func() {
		took := i.cfg.Now().Sub(begun)
		i.note(func(r *Report) { r.Elapsed = took })
	}()
	stages, err := i.newStages(ctx)
	if err != nil {
		return err
	}
	p := newPlan(i.cfg.Season, i.cfg.Doors, stages)
	if err := i.try(ctx, p); err != nil || i.report.Withheld {
		return err
	}
	if err := i.claim(ctx, p); err != nil || i.report.AnyRefused() {
		i.left(p.steps)
		return err
	}
	err = i.carryOut(ctx, p.unsettled(), i.send, i.settle)
	i.left(p.steps)
	return err
}

// newStages is the stages of the season's runs that production does not know: a stage is data, and what it knows of one is left alone.
func (i *importer) newStages(ctx context.Context) ([]string, error) {
	known := map[string]bool{}
	token := ""
	for {
		var answer *productionv1.ListStagesResponse
		err := i.patiently(ctx, func(ctx context.Context) (err error) {
			answer, err = i.cfg.Doors.Production.ListStages(ctx, &productionv1.ListStagesRequest{PageToken: token})
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("list stages: %w", err)
		}
		for _, s := range answer.GetStages() {
			known[s.GetStage()] = true
		}
		if token = answer.GetNextPageToken(); token == "" {
			break
		}
	}
	var fresh []string
	for n := range i.cfg.Season.Runs {
		if stage := i.cfg.Season.Runs[n].Stage; !known[stage] {
			known[stage] = true
			fresh = append(fresh, stage)
		}
	}
	return fresh, nil
}

// claim reserves all lot codes before the first fact.
func (i *importer) claim(ctx context.Context, p *plan) error {
	return i.claimAll(ctx, p.claims(), func(c claim, err error) { i.refuse(c.step(p), err) })
}

// claimAll claims codes in batches, all or nothing each.
func (i *importer) claimAll(ctx context.Context, claims []claim, refuse func(claim, error)) error {
	for batch := range slices.Chunk(claims, claimsPerCall) {
		if err := i.claimOrRefuse(ctx, batch, refuse); err != nil {
			return fmt.Errorf("claim lot codes: %w", err)
		}
	}
	return nil
}

// claimOrRefuse claims a batch. A refused one holds a code that somebody else has used: it is halved until each such row is found.
func (i *importer) claimOrRefuse(ctx context.Context, batch []claim, refuse func(claim, error)) error {
	err := i.claimBatch(ctx, batch)
	switch {
	case !refused(err):
		return err
	case len(batch) == 1:
		refuse(batch[0], err)
		return nil
	}
	half := len(batch) / 2
	if err := i.claimOrRefuse(ctx, batch[:half], refuse); err != nil {
		return err
	}
	return i.claimOrRefuse(ctx, batch[half:], refuse)
}

func (i *importer) claimBatch(ctx context.Context, batch []claim) error {
	req := &inventoryv1.ClaimLotsRequest{}
	var codes []string
	for _, c := range batch {
		req.Claims = append(req.Claims, &inventoryv1.Claim{Lot: string(c.lot), Claimant: c.claimant})
		codes = append(codes, string(c.lot)+" "+c.claimant)
	}
	req.CommandId = claimsID(codes)
	return i.patiently(ctx, func(ctx context.Context) error {
		_, err := i.cfg.Doors.Inventory.ClaimLots(ctx, req)
		return err
	})
}

// step is the command that bears a lot, told with the place of the very row.
func (c claim) step(p *plan) *step {
	s := p.bears[c.lot][0]
	s.at = c.at
	return s
}

// note changes the report and tells how far the import is.
func (i *importer) note(change func(*Report)) {
	i.mu.Lock()
	defer i.mu.Unlock()
	change(&i.report)
	if i.cfg.Progress != nil {
		r := &i.report
		i.cfg.Progress(Progress{Tried: i.tried, Rows: r.Done(), TotalRows: r.Total, Weighings: r.Weighings.Done(), TotalWeighings: r.Weighings.Total,
			Refused: len(r.Refusals)})
	}
}
