package production_test

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

func (p *plant) open(run string) {
	p.t.Helper()
	_, err := p.client.OpenRun(p.t.Context(), &productionv1.OpenRunRequest{
		CommandId: uuid.NewString(), Run: run, Stage: "shell", Line: "line 1", Start: at(8, 0),
	})
	require.NoError(p.t, err)
}

func dump(run, id string, pounds int64) *productionv1.DumpInputRequest {
	return &productionv1.DumpInputRequest{CommandId: uuid.NewString(), Run: run, Input: &productionv1.InputLine{Lot: id, Quantity: lb(pounds), DumpedFrom: at(8, 10)}}
}

func fill(run, id string, pounds int64) *productionv1.FillOutputRequest {
	return &productionv1.FillOutputRequest{CommandId: uuid.NewString(), Run: run, Output: &productionv1.OutputLine{
		Lot: id, Item: "halves", Quantity: lb(pounds), Role: main, FilledTo: at(9, 0),
	}}
}

func TestOpenRun(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.open("R-1")
	first := dump("R-1", "D-1", 300)
	_, err := p.client.DumpInput(t.Context(), first)
	require.NoError(t, err)
	_, err = p.client.DumpInput(t.Context(), first)
	require.NoError(t, err, "the same dump again is the same dump")
	_, err = p.client.DumpInput(t.Context(), dump("R-1", "D-1", 200))
	require.NoError(t, err)
	_, err = p.client.FillOutput(t.Context(), fill("R-1", "K-1", 100))
	require.NoError(t, err)
	_, err = p.client.FillOutput(t.Context(), fill("R-1", "K-1", 50))
	require.NoError(t, err, "a lot is filled further")

	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.True(t, account.GetOpen())
	kernel, err := p.client.GetLotCost(t.Context(), &productionv1.GetLotCostRequest{Lot: "K-1"})
	require.NoError(t, err)
	require.True(t, kernel.GetProvisional(), "what came out of an open run has a provisional cost")
	list, err := p.client.ListRuns(t.Context(), &productionv1.ListRunsRequest{OpenOnly: true})
	require.NoError(t, err)
	require.Len(t, list.GetRuns(), 1)
	require.Nil(t, list.GetRuns()[0].GetCompleted())

	end := &productionv1.CompleteRunRequest{CommandId: uuid.NewString(), Run: "R-1", End: at(10, 0)}
	done, err := p.client.CompleteRun(t.Context(), end)
	require.NoError(t, err)
	require.Equal(t, []int64{lb(500), lb(150), lb(350)}, []int64{done.GetInputMicropounds(), done.GetOutputMicropounds(), done.GetUnaccountedMicropounds()})
	require.Equal(t, []string{"run-opened", "run-completed"}, kinds(p.said()))
	lines := map[int64]bool{}
	for _, move := range p.inventory.asked {
		for _, in := range move.GetRun().GetInputs() {
			lines[in.GetLine()] = true
		}
		for _, out := range move.GetRun().GetOutputs() {
			lines[out.GetLine()] = true
		}
	}
	require.Len(t, lines, 4, "every dump and fill has a line of its own")

	_, err = p.client.DumpInput(t.Context(), dump("R-1", "D-1", 1))
	require.Equal(t, "run_complete", reason(err))
	account, err = p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.False(t, account.GetOpen())
	require.Equal(t, usd(750), account.GetMaterial().GetPaidStockMicros(), "500 of 1,000 lb bought at $1.50")
}

func TestOpenRunRules(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.open("R-1")
	_, err := p.client.DumpInput(t.Context(), dump("R-1", "D-1", 300))
	require.NoError(t, err)
	_, err = p.client.FillOutput(t.Context(), fill("R-1", "K-1", 100))
	require.NoError(t, err)
	ctx := t.Context()
	for name, c := range map[string]struct {
		reason string
		try    func(ctx context.Context) error
	}{
		"dump into a run that is not there": {"run_unknown", func(ctx context.Context) error {
			_, err := p.client.DumpInput(ctx, dump("R-9", "D-1", 1))
			return err
		}},
		"dump without its time": {"effective_missing", func(ctx context.Context) error {
			req := dump("R-1", "D-1", 1)
			req.Input.DumpedFrom = nil
			_, err := p.client.DumpInput(ctx, req)
			return err
		}},
		"dump before the run": {"dump_outside_run", func(ctx context.Context) error {
			req := dump("R-1", "D-1", 1)
			req.Input.DumpedFrom = at(7, 0)
			_, err := p.client.DumpInput(ctx, req)
			return err
		}},
		"dump of an own output": {"run_cycle", func(ctx context.Context) error {
			_, err := p.client.DumpInput(ctx, dump("R-1", "K-1", 1))
			return err
		}},
		"fill of an own input": {"run_cycle", func(ctx context.Context) error {
			_, err := p.client.FillOutput(ctx, fill("R-1", "D-1", 1))
			return err
		}},
		"fill as another item": {"output_differs", func(ctx context.Context) error {
			req := fill("R-1", "K-1", 1)
			req.Output.Item = "pieces"
			_, err := p.client.FillOutput(ctx, req)
			return err
		}},
		"fill tomorrow": {"effective_in_future", func(ctx context.Context) error {
			req := fill("R-1", "K-2", 1)
			req.Output.FilledTo = at(13, 0)
			_, err := p.client.FillOutput(ctx, req)
			return err
		}},
		"end before a fill": {"fill_outside_run", func(ctx context.Context) error {
			_, err := p.client.CompleteRun(ctx, &productionv1.CompleteRunRequest{CommandId: uuid.NewString(), Run: "R-1", End: at(8, 30)})
			return err
		}},
		"open again": {"run_known", func(ctx context.Context) error {
			_, err := p.client.OpenRun(ctx, &productionv1.OpenRunRequest{CommandId: uuid.NewString(), Run: "R-1", Stage: "shell", Start: at(8, 0)})
			return err
		}},
		"open at a stage that is not there": {"stage_unknown", func(ctx context.Context) error {
			_, err := p.client.OpenRun(ctx, &productionv1.OpenRunRequest{CommandId: uuid.NewString(), Run: "R-2", Stage: "polish", Start: at(8, 0)})
			return err
		}},
		"correct while open": {"run_open", func(ctx context.Context) error {
			_, err := p.client.CorrectRun(ctx, &productionv1.CorrectRunRequest{CommandId: uuid.NewString(), Run: shelling("R-1").Run, Reason: "why"})
			return err
		}},
	} {
		if err := c.try(ctx); reason(err) != c.reason {
			t.Errorf("%s: %v, want reason %s", name, err, c.reason)
		}
	}
	require.Len(t, p.inventory.asked, 2)
}

func TestCompletionRefusedLeavesTheRunOpen(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.open("R-1")
	_, err := p.client.DumpInput(t.Context(), dump("R-1", "D-1", 300))
	require.NoError(t, err)
	p.inventory.judge = func(r *inventoryv1.PostMovementRequest) error {
		if r.GetRun().GetFinal() {
			return fault.Precondition("lot_held", "hold H-1 lies on it")
		}
		return nil
	}
	_, err = p.client.CompleteRun(t.Context(), &productionv1.CompleteRunRequest{CommandId: uuid.NewString(), Run: "R-1", End: at(10, 0)})
	require.Equal(t, "lot_held", reason(err))
	_, err = p.client.DumpInput(t.Context(), dump("R-1", "D-1", 100))
	require.NoError(t, err)
}

// Whose an open run is comes out with its first dump; its opening is then told once more.
func TestOpenRunOfAnOwner(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.open("R-1")
	_, err := p.client.DumpInput(t.Context(), dump("R-1", "D-2", 300))
	require.NoError(t, err)
	p.settled()
	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, int64(2), account.GetAsOf()[0].GetPosition(), "own head: opened, and opened for C-1")
	said := p.said()
	require.Equal(t, lot.PartyID("C-1"), said[1].Body.(lot.RunOpened).Owner)
	require.Contains(t, said[1].After, lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 1}, "it builds on the posting")
}

func TestStages(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	_, err := p.client.RegisterStage(t.Context(), &productionv1.RegisterStageRequest{CommandId: uuid.NewString(), Stage: &productionv1.Stage{Stage: "roast"}})
	require.NoError(t, err)
	var codes []string
	token := ""
	for {
		page, err := p.client.ListStages(t.Context(), &productionv1.ListStagesRequest{PageSize: 4, PageToken: token})
		require.NoError(t, err)
		for _, s := range page.GetStages() {
			codes = append(codes, s.GetStage())
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	require.Equal(t, []string{"blend", "clean", "condition", "cook", "crack", "dry", "pack", "roast", "shell", "size", "sort"}, codes)
}

func TestCharges(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	req := shelling("R-1")
	_, err := p.client.RecordRun(t.Context(), req)
	require.NoError(t, err)
	second := shelling("R-2")
	second.Run.Inputs = []*productionv1.InputLine{{Lot: "K-1", Quantity: lb(200), DumpedFrom: at(10, 0)}}
	second.Run.Start, second.Run.End, second.Run.Stage, second.Run.Charges = at(10, 0), at(11, 0), "sort", nil
	second.Run.Outputs = []*productionv1.OutputLine{{Lot: "K-9", Item: "halves", Quantity: lb(200), Role: main}}
	_, err = p.client.RecordRun(t.Context(), second)
	require.NoError(t, err)
	post := func(c *eventv1.ChargePosted) (*productionv1.PostChargeResponse, error) {
		return p.client.PostCharge(t.Context(), &productionv1.PostChargeRequest{CommandId: uuid.NewString(), Charge: c, Effective: at(11, 0)})
	}
	got, err := post(&eventv1.ChargePosted{Charge: "E-1", Runs: []string{"R-2", "R-1"}, Kind: other, AmountMicros: usd(100)})
	require.NoError(t, err)
	require.Equal(t, usd(100), got.GetAmountMicros())
	conversion := func(run string) int64 {
		account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: run})
		require.NoError(t, err)
		return account.GetConversion().GetPaidStockMicros()
	}
	require.Equal(t, usd(50)+500_000+usd(80), conversion("R-1"), "split by pounds charged: 800 of 1,000")
	require.Equal(t, usd(20), conversion("R-2"))

	_, err = post(&eventv1.ChargePosted{Charge: "E-2", Runs: []string{"R-1", "R-2"}, Kind: other, AmountMicros: usd(200), Replaces: "E-1"})
	require.NoError(t, err)
	require.Equal(t, usd(40), conversion("R-2"))
	for name, c := range map[string]struct {
		reason string
		charge *eventv1.ChargePosted
	}{
		"id used before":          {"charge_known", &eventv1.ChargePosted{Charge: "E-1", Runs: []string{"R-1"}, Kind: other, AmountMicros: 1}},
		"run not there":           {"run_unknown", &eventv1.ChargePosted{Runs: []string{"R-9"}, Kind: other, AmountMicros: 1}},
		"no run":                  {"charge_runs", &eventv1.ChargePosted{Kind: other, AmountMicros: 1}},
		"a run named twice":       {"charge_runs", &eventv1.ChargePosted{Runs: []string{"R-2", "R-1", "R-2"}, Kind: other, AmountMicros: 1}},
		"out of range":            {"amount_out_of_range", &eventv1.ChargePosted{Runs: []string{"R-1"}, Kind: other, AmountMicros: usd(1_000_000_000) + 1}},
		"below zero":              {"charge_negative", &eventv1.ChargePosted{Runs: []string{"R-1"}, Kind: other, AmountMicros: -1}},
		"replaces what is not":    {"charge_unknown", &eventv1.ChargePosted{Runs: []string{"R-1"}, Kind: other, AmountMicros: 1, Replaces: "E-9"}},
		"replaces what is behind": {"charge_replaced", &eventv1.ChargePosted{Runs: []string{"R-1"}, Kind: other, AmountMicros: 1, Replaces: "E-1"}},
	} {
		if _, err := post(c.charge); reason(err) != c.reason {
			t.Errorf("%s: %v, want reason %s", name, err, c.reason)
		}
	}
	_, err = p.client.PostCharge(t.Context(), &productionv1.PostChargeRequest{
		CommandId: uuid.NewString(), Charge: &eventv1.ChargePosted{Runs: []string{"R-1"}, Kind: other, AmountMicros: 1}, Effective: at(12, 6),
	})
	require.Equal(t, "effective_in_future", fault.ReasonOf(rpc.FromStatus(err)))
}
