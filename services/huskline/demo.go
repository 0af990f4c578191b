package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/rpc"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/huskline/internal/demoseason"
	"huskline/services/huskline/internal/launch"
	"huskline/services/huskline/internal/seasonfile"
	"huskline/services/huskline/internal/seasonimport"
)

type demoCmd struct {
	Seed uint64 `help:"Seed of the season; the same seed gives the same season." default:"1"`
	Stay bool   `help:"Keep serving after the demonstration, until ctrl-C."`
}

// Run plays a made-up season from nothing and leaves nothing behind.
func (c *demoCmd) Run(s *session) (err error) {
	dir, err := os.MkdirTemp("", "huskline-demo-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	say := func(format string, args ...any) { fmt.Fprintf(s.errout, format+"\n", args...) }
	say("Starting the three services, a private Postgres and a bus in %s", dir)
	plant, err := launch.Start(s.ctx, launch.PlantConfig{
		Dir: filepath.Join(dir, "plant"), GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", Now: s.now, Logger: s.logger("error"),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, plant.Stop()) }()
	addrs, err := parseAddr(plant.Endpoint.GRPC)
	if err != nil {
		return err
	}
	p, err := dialPlant(addrs, plant.Endpoint.Token, nil)
	if err != nil {
		return err
	}
	defer p.close()
	d := demo{session: s, plant: p, season: demoseason.Generate(c.Seed, demoseason.Demo()), say: say}
	if err := d.play(filepath.Join(dir, "season")); err != nil {
		return err
	}
	if c.Stay {
		say("Serving until ctrl-C: huskline --data %s drill %s", filepath.Join(dir, "plant"), d.season.Names.SmallLot)
		return plant.Wait(s.ctx)
	}
	return nil
}

// demo is the season being played.
type demo struct {
	session *session
	plant   *plant
	season  *demoseason.Season
	say     func(format string, args ...any)
}

func (d demo) play(dir string) error {
	d.say("%s: a season that never was. Every grower, item and customer is made up.", demoseason.Business)
	for _, step := range []func(context.Context) error{
		func(ctx context.Context) error { return d.send(ctx, dir) }, d.hold, d.correct, d.show,
	} {
		if err := step(d.session.ctx); err != nil {
			return err
		}
	}
	return nil
}

// send writes the season as a folder and imports it through the public interfaces, as a business that comes from spreadsheets would.
func (d demo) send(ctx context.Context, dir string) error {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	if err := d.season.WriteFolder(dir); err != nil {
		return err
	}
	folder := os.DirFS(dir)
	season, faults, err := seasonfile.Read(ctx, folder, seasonfile.Options{Now: d.session.now})
	if err != nil {
		return err
	}
	if err := faults.Err(); err != nil {
		return err
	}
	d.say("Sending %d deliveries, %d runs, %d shipments and %d weighings (repeats and disorder among them)",
		d.season.Deliveries(), d.season.Runs(), d.season.Shipments(), d.season.Weighings())
	report, err := seasonimport.Run(ctx, seasonimport.Config{Folder: folder, Season: season, Doors: d.plant.doors(), Now: d.session.now, Progress: d.session.progress()})
	if err != nil {
		return err
	}
	d.say("Sent %d rows in %.1f s, %.0f a second; %d weighings stored, %d repeats recognised", report.Sent, report.Elapsed.Seconds(), report.RowsPerSecond(),
		report.Weighings.Stored, report.Weighings.Repeated)
	if report.AnyRefused() {
		return fmt.Errorf("the made-up season was refused: %v", report.Refusals)
	}
	return nil
}

// hold places a safety hold on a bought ingredient and shows that what was made of it cannot leave.
func (d demo) hold(ctx context.Context) error {
	n := d.season.Names
	now := timestamppb.New(d.session.now())
	held, err := d.plant.inventory.PlaceHold(ctx, &inventoryv1.PlaceHoldRequest{
		CommandId: uuid.NewString(), Hold: "HOLD-1", Lot: n.HoldLot, Class: eventv1.HoldClass_HOLD_CLASS_SAFETY, Reason: "supplier's notice: undeclared allergen", Effective: now,
	})
	if err != nil {
		return rpc.FromStatus(err)
	}
	reached, err := d.spread(ctx, held.GetHold())
	if err != nil {
		return err
	}
	d.say("Hold %s on ingredient lot %s reaches %d lots: it and all that was made from it", held.GetHold(), n.HoldLot, reached)
	_, err = d.plant.inventory.ShipGoods(ctx, &inventoryv1.ShipGoodsRequest{
		CommandId: uuid.NewString(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: n.Customer, Channel: "bulk", Effective: now,
		Lines: []*eventv1.ShippedLine{{Lot: n.HeldLot, Quantity: int64(weight.Pound)}},
	})
	if err == nil {
		return fmt.Errorf("lot %s was shipped although it is held through %s", n.HeldLot, n.HoldLot)
	}
	d.say("Shipping of lot %s is refused: %v", n.HeldLot, rpc.FromStatus(err))
	return nil
}

// spread waits until a hold has reached all there is, and counts the lots.
func (d demo) spread(ctx context.Context, hold string) (int, error) {
	for {
		got, err := d.plant.inventory.ListHolds(ctx, &inventoryv1.ListHoldsRequest{PageSize: 1000})
		if err != nil {
			return 0, rpc.FromStatus(err)
		}
		for _, h := range got.GetHolds() {
			if h.GetHold() == hold && !h.GetSpreading() {
				return len(h.GetLots()), nil
			}
		}
		select {
		case <-ctx.Done():
			return 0, ctx.Err()
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// correct reopens a run whose output was written down with two digits changed round.
func (d demo) correct(ctx context.Context) error {
	c := d.season.Names.Correction
	got, err := d.plant.production.GetRun(ctx, &productionv1.GetRunRequest{Run: c.Run})
	if err != nil {
		return rpc.FromStatus(err)
	}
	facts := runFacts(got.GetRun())
	for _, out := range facts.GetOutputs() {
		if out.GetLot() == c.Lot {
			out.Quantity = int64(c.Corrected)
		}
	}
	_, err = d.plant.production.CorrectRun(ctx, &productionv1.CorrectRunRequest{CommandId: uuid.NewString(), Run: facts, Reason: c.Reason})
	if err != nil {
		return rpc.FromStatus(err)
	}
	d.say("Run %s reopened: lot %s is %s lb, not %s lb (%s)", c.Run, c.Lot, c.Corrected, c.Recorded, c.Reason)
	return nil
}

// runFacts is a recorded run as it would be recorded again.
func runFacts(r *productionv1.RunState) *productionv1.RunFacts {
	f := &productionv1.RunFacts{
		Run: r.GetOpened().GetRun(), Stage: r.GetOpened().GetStage(), Line: r.GetOpened().GetLine(), Start: r.GetOpened().GetStart(),
		End: r.GetCompleted().GetEnd(), Recipe: r.GetOpened().GetRecipe(), Contributions: r.GetLines().GetContributions(),
		GainReason: r.GetCompleted().GetGainReason(), Charges: r.GetCharges(),
	}
	for _, in := range r.GetLines().GetInputs() {
		f.Inputs = append(f.Inputs, &productionv1.InputLine{
			Lot: in.GetLot(), Quantity: in.GetQuantity(), Place: in.GetPlace(), DumpedFrom: in.GetDumpedFrom(), DumpedTo: in.GetDumpedTo(), MoisturePpm: in.MoisturePpm,
		})
	}
	for _, out := range r.GetLines().GetOutputs() {
		f.Outputs = append(f.Outputs, &productionv1.OutputLine{
			Lot: out.GetLot(), Item: out.GetItem(), Quantity: out.GetQuantity(), Role: out.GetRole(), Place: out.GetPlace(),
			FilledFrom: out.GetFilledFrom(), FilledTo: out.GetFilledTo(), MoisturePpm: out.MoisturePpm,
		})
	}
	return f
}

// moved finds a shelling run and a finished batch whose cost the late prices moved, so that both columns have something to say; where they moved
// none, the reopened run and the batch that the season names.
func (d demo) moved(ctx context.Context) (*productionv1.GetRunCostResponse, *productionv1.GetLotCostResponse, error) {
	runs, err := d.plant.production.ListRuns(ctx, &productionv1.ListRunsRequest{PageSize: 1000})
	if err != nil {
		return nil, nil, rpc.FromStatus(err)
	}
	var run *productionv1.GetRunCostResponse
	var batch *productionv1.GetLotCostResponse
	for _, r := range runs.GetRuns() {
		stage := r.GetOpened().GetStage()
		if stage == "shell" && !moves(run.GetKernelCost()) {
			if run, err = d.plant.production.GetRunCost(ctx, &productionv1.GetRunCostRequest{Run: r.GetOpened().GetRun()}); err != nil {
				return nil, nil, rpc.FromStatus(err)
			}
		}
		if stage == "cook" && !moves(batch.GetKernelCost()) {
			if batch, err = d.plant.production.GetLotCost(ctx, &productionv1.GetLotCostRequest{Lot: r.GetLines().GetOutputs()[0].GetLot()}); err != nil {
				return nil, nil, rpc.FromStatus(err)
			}
		}
	}
	n := d.season.Names
	if !moves(run.GetKernelCost()) {
		run, err = d.plant.production.GetRunCost(ctx, &productionv1.GetRunCostRequest{Run: n.Correction.Run})
	}
	if err == nil && !moves(batch.GetKernelCost()) {
		batch, err = d.plant.production.GetLotCost(ctx, &productionv1.GetLotCostRequest{Lot: n.Batch})
	}
	return run, batch, rpc.FromStatus(err)
}

// moves tells whether final prices changed a cost.
func moves(c *productionv1.CostAmounts) bool { return paid(c) != final(c) }

// show prints what the whole is for: a drill, a kernel cost sheet, the proof lines.
func (d demo) show(ctx context.Context) error {
	n := d.season.Names
	drill, err := d.plant.inventory.Drill(ctx, &inventoryv1.DrillRequest{Lot: n.SmallLot})
	if err != nil {
		return rpc.FromStatus(err)
	}
	run, batch, err := d.moved(ctx)
	if err != nil {
		return err
	}
	balance, feed, err := d.plant.balance(ctx, &productionv1.GetBalanceRequest{})
	if err != nil {
		return err
	}
	object := struct {
		Drill   drillObject   `json:"drill"`
		Batch   lotCostObject `json:"batch"`
		Run     runCostObject `json:"run"`
		Balance balanceObject `json:"balance"`
	}{drillOf(drill), lotCostOf(batch), runCostOf(run), balanceOf(balance, feed)}
	sheets := append(drillSheets(drill), lotCostSheets(batch)...)
	sheets = append(sheets, runCostSheets(run)...)
	sheets = append(sheets, balanceSheets(balance, feed)...)
	if err := d.session.print(answer{object: object, sheets: sheets}); err != nil {
		return err
	}
	return unproved(balance.GetProof())
}
