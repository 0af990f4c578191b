package production_test

import (
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	"huskline/internal/outbox"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

const (
	main      = eventv1.OutputRole_OUTPUT_ROLE_MAIN
	byProduct = eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT
	waste     = eventv1.OutputRole_OUTPUT_ROLE_WASTE
	labour    = eventv1.ChargeKind_CHARGE_KIND_LABOUR
	machine   = eventv1.ChargeKind_CHARGE_KIND_MACHINE
	other     = eventv1.ChargeKind_CHARGE_KIND_OTHER
)

func at(hour, minute int) *timestamppb.Timestamp {
	return timestamppb.New(time.Date(2025, 11, 3, hour, minute, 0, 0, time.UTC))
}

func lb(pounds int64) int64 { return pounds * 1_000_000 }

func usd(dollars int64) int64 { return dollars * 1_000_000 }

// stocked is a plant whose intake has told of items, of lot D-1 (1,000 lb in-shell at $1.50), of D-2 (a custom client's 500 lb) and of boxes B-1.
func stocked(t testing.TB) *plant {
	t.Helper()
	p := newPlant(t)
	price := func(n int64) *money.Price { v := money.Price(n); return &v }
	items := []lot.ItemChanged{
		{Item: "inshell", Name: "In-shell", ItemKind: lot.InShell, Measure: lot.ByWeight},
		{Item: "halves", Name: "Halves", ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: price(usd(6))},
		{Item: "pieces", Name: "Pieces", ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: price(usd(3))},
		{Item: "meal", Name: "Meal", ItemKind: lot.Kernel, Measure: lot.ByWeight},
		{Item: "shells", Name: "Shells", ItemKind: lot.ByProductItem, Measure: lot.ByWeight, SplitOff: price(20_000)},
		{Item: "box", Name: "Gift box", ItemKind: lot.Finished, Measure: lot.ByCount, Unit: 2_000_000},
	}
	for _, i := range items {
		p.intake.say(t, lot.Event{Effective: time.Unix(0, 0).UTC(), Body: i})
	}
	p.receive(lot.Received{
		Lot: "D-1", Source: lot.Delivery, Item: "inshell", Measure: lot.ByWeight, Quantity: lot.Quantity(lb(1000)), Party: "G-1", Ownership: lot.Company,
		Gross: 2_000_000_000, Tare: 1_000_000_000, Price: price(1_500_000), Purchase: money.Amount(usd(1500)),
	})
	p.receive(lot.Received{
		Lot: "D-2", Source: lot.Delivery, Item: "inshell", Measure: lot.ByWeight, Quantity: lot.Quantity(lb(500)), Party: "C-1", Ownership: lot.Custom,
		Owner: "C-1", Gross: 1_000_000_000, Tare: 500_000_000,
	})
	p.receive(lot.Received{
		Lot: "B-1", Source: lot.IngredientReceipt, Item: "box", Measure: lot.ByCount, Quantity: 100, Party: "S-1", Ownership: lot.Company,
		Purchase: money.Amount(usd(50)),
	})
	return p
}

func (p *plant) receive(r lot.Received) {
	p.t.Helper()
	p.inventory.owners[string(r.Lot)] = string(r.Owner)
	p.intake.say(p.t, lot.Event{Lots: []lot.ID{r.Lot}, Effective: at(6, 0).AsTime(), Body: r})
}

// shelling is a good run: D-1 into halves, pieces, shells, with labour and machine hours.
func shelling(run string) *productionv1.RecordRunRequest {
	return &productionv1.RecordRunRequest{CommandId: uuid.NewString(), Run: &productionv1.RunFacts{
		Run: run, Stage: "shell", Line: "line 1", Start: at(8, 0), End: at(10, 0),
		Inputs: []*productionv1.InputLine{{Lot: "D-1", Quantity: lb(800), DumpedFrom: at(8, 5), DumpedTo: at(9, 0)}},
		Outputs: []*productionv1.OutputLine{
			{Lot: "K-1", Claimant: "6d0f6ac0-2f1e-5d5e-9c39-9d7f3a8e0001", Item: "halves", Quantity: lb(200), Role: main},
			{Lot: "K-2", Item: "pieces", Quantity: lb(180), Role: main, FilledTo: at(9, 30)},
			{Lot: "S-1", Item: "shells", Quantity: lb(400), Role: byProduct},
		},
		Charges: []*eventv1.ChargePosted{
			{Kind: labour, HoursMillionths: 2_500_000, RateMicros: usd(20)},
			{Kind: machine, HoursMillionths: 333_333, RateMicros: 1_500_001},
		},
	}}
}

// said is what production itself has said.
func (p *plant) said() []lot.Recorded {
	p.t.Helper()
	envs, err := outbox.Read(p.t.Context(), p.db.Pool(), 1, 0, 0)
	require.NoError(p.t, err)
	var all []lot.Recorded
	for _, env := range envs {
		e, err := lotwire.Unmarshal(env)
		require.NoError(p.t, err)
		all = append(all, e)
	}
	return all
}

func kinds(all []lot.Recorded) []string {
	var out []string
	for _, e := range all {
		out = append(out, e.Body.Kind())
	}
	return out
}

func reason(err error) string { return fault.ReasonOf(rpc.FromStatus(err)) }

func same(t testing.TB, what string, got, want proto.Message) {
	t.Helper()
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("%s (-want +got):\n%s", what, diff)
	}
}

func TestWholeRun(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	req := shelling("R-1")
	got, err := p.client.RecordRun(t.Context(), req)
	require.NoError(t, err)
	want := &productionv1.RecordRunResponse{
		Receipt: &eventv1.Receipt{Producer: "production", Epoch: 1, Position: 4}, Run: "R-1",
		InputMicropounds: lb(800), OutputMicropounds: lb(780), UnaccountedMicropounds: lb(20),
	}
	same(t, "answer", got, want)
	events := p.said()
	require.Equal(t, []string{"run-opened", "charge-posted", "charge-posted", "run-completed"}, kinds(events))
	require.Equal(t, "maria", events[0].Actor)
	first := events[1].Body.(lot.ChargePosted)
	require.Equal(t, lot.ChargePosted{
		Charge: "R-1/labour", Runs: []lot.RunID{"R-1"}, ChargeKind: lot.Labour, HoursMillionths: 2_500_000, Rate: money.Price(usd(20)),
		Amount: money.Amount(usd(50)),
	}, first)
	require.Equal(t, money.Amount(500_000), events[2].Body.(lot.ChargePosted).Amount, "0.333333 h x 1.500001 = 0.49999983…, half up")

	require.Len(t, p.inventory.asked, 1)
	move := p.inventory.asked[0]
	require.Equal(t, []string{"K-1"}, []string{move.GetClaims()[0].GetLot()}, "codes claimed by somebody else than the movement")
	require.Equal(t, at(10, 0).AsTime(), move.GetEffective().AsTime())
	posted := move.GetRun()
	require.True(t, posted.GetFinal())
	require.Equal(t, at(8, 5).AsTime(), posted.GetInputs()[0].GetAt().AsTime(), "an input leaves at the start of dumping")
	require.Equal(t, at(10, 0).AsTime(), posted.GetOutputs()[0].GetAt().AsTime(), "an output appears at the run's end")
	require.Equal(t, at(9, 30).AsTime(), posted.GetOutputs()[1].GetAt().AsTime(), "or when it was full")

	again, err := p.client.RecordRun(t.Context(), req)
	require.NoError(t, err)
	same(t, "the same command again", again, want)
	require.Len(t, p.inventory.asked, 1)

	state, err := p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Len(t, state.GetRun().GetLines().GetOutputs(), 3)
	require.Len(t, state.GetRun().GetCharges(), 2)
	require.Equal(t, lb(20), state.GetRun().GetCompleted().GetUnaccountedMicropounds())
}

// Every rule that production judges before it asks. Nothing is left of a refused run: no event, no code taken, nobody asked.
func TestRefusedRunLeavesNothing(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	for _, c := range []struct {
		name, reason string
		change       func(*productionv1.RunFacts)
	}{
		{"stage not registered", "stage_unknown", func(f *productionv1.RunFacts) { f.Stage = "polish" }},
		{"ends as it starts", "run_ends_before_start", func(f *productionv1.RunFacts) { f.End = f.Start }},
		{"ends tomorrow", "effective_in_future", func(f *productionv1.RunFacts) { f.End = at(12, 6) }},
		{"dumped before the run", "dump_outside_run", func(f *productionv1.RunFacts) { f.Inputs[0].DumpedFrom = at(7, 59) }},
		{"dumped after the run", "dump_outside_run", func(f *productionv1.RunFacts) { f.Inputs[0].DumpedTo = at(10, 1) }},
		{"dumping ends before it begins", "dump_outside_run", func(f *productionv1.RunFacts) { f.Inputs[0].DumpedTo = at(8, 4) }},
		{"filled before the run", "fill_outside_run", func(f *productionv1.RunFacts) { f.Outputs[1].FilledTo = at(7, 0) }},
		{"item not registered", "item_unknown", func(f *productionv1.RunFacts) { f.Outputs[0].Item = "quarters" }},
		{"one main output without price", "run_prices_mixed", func(f *productionv1.RunFacts) { f.Outputs[1].Item = "meal" }},
		{"more out than in", "run_gain_unexplained", func(f *productionv1.RunFacts) { f.Outputs[2].Quantity = lb(421) }},
		{"pieces that weigh more than went in", "run_gain_unexplained", func(f *productionv1.RunFacts) {
			f.Outputs = f.Outputs[:1]
			f.Outputs[0].Item, f.Outputs[0].Quantity = "box", 401
		}},
		{"pieces beyond all weights", "weight_out_of_range", func(f *productionv1.RunFacts) {
			f.Outputs = f.Outputs[:1]
			f.Outputs[0].Item, f.Outputs[0].Quantity = "box", 1<<62
		}},
		{"input is output", "run_cycle", func(f *productionv1.RunFacts) { f.Outputs[2].Lot = "D-1" }},
		{"one lot, two items", "output_differs", func(f *productionv1.RunFacts) { f.Outputs[1].Lot = "K-1" }},
		{"misread code", "lot_code_check", func(f *productionv1.RunFacts) { f.Outputs[0].Lot = "I25000001A" }},
		{"misread run code", "lot_code_check", func(f *productionv1.RunFacts) { f.Run = "R25000001A" }},
		{"claimant is no UUID", "claimant_malformed", func(f *productionv1.RunFacts) { f.Outputs[0].Claimant = "me" }},
		{"contribution of a stranger", "contribution_unknown", func(f *productionv1.RunFacts) { f.Contributions = table("D-9", "K-1", 200) }},
		{"contributions short of an output", "contribution_mismatch", func(f *productionv1.RunFacts) { f.Contributions = table("D-1", "K-1", 199) }},
		{"main output left out of the table", "contribution_mismatch", func(f *productionv1.RunFacts) { f.Contributions = table("D-1", "K-1", 200) }},
		{"charge for another run", "charge_runs", func(f *productionv1.RunFacts) { f.Charges[0].Runs = []string{"R-7"} }},
		{"hours of a charge that has none", "charge_hours", func(f *productionv1.RunFacts) { f.Charges[0].Kind = other }},
		{"amount that is not hours x rate", "charge_amount", func(f *productionv1.RunFacts) { f.Charges[0].AmountMicros = 1 }},
		{"two charges of one id", "charge_repeated", func(f *productionv1.RunFacts) { f.Charges[0].Charge, f.Charges[1].Charge = "C-1", "C-1" }},
	} {
		req := shelling("R-1")
		c.change(req.Run)
		if _, err := p.client.RecordRun(t.Context(), req); reason(err) != c.reason {
			t.Errorf("%s: %v, want reason %s", c.name, err, c.reason)
		}
	}
	require.Empty(t, p.said())
	require.Empty(t, p.inventory.asked)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err, "the good run, after all these")
}

// A text that cannot be stored or printed is refused by its field, and never an internal error. Break it catches: a door without the check.
func TestTextsOfCommands(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	recorded, opened := shelling("R-1"), &productionv1.OpenRunRequest{CommandId: uuid.NewString(), Stage: "shell", Start: at(8, 0), Line: "line\x00"}
	recorded.Run.Recipe = "salted\x1b"
	_, err := p.client.RecordRun(t.Context(), recorded)
	require.Equal(t, "text_malformed", reason(err))
	require.ErrorContains(t, err, "run.recipe")
	_, err = p.client.OpenRun(t.Context(), opened)
	require.Equal(t, "text_malformed", reason(err))
	_, err = p.client.RegisterStage(t.Context(), &productionv1.RegisterStageRequest{
		CommandId: uuid.NewString(), Stage: &productionv1.Stage{Stage: "roast", Name: "roast\x00"},
	})
	require.Equal(t, "text_malformed", reason(err))
}

func table(in, out string, pounds int64) []*eventv1.Contribution {
	return []*eventv1.Contribution{{Input: in, Output: out, Quantity: lb(pounds)}}
}

func TestRunsOfUnusualShape(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.receive(lot.Received{Lot: "D-3", Source: lot.Delivery, Item: "inshell", Measure: lot.ByWeight, Quantity: lot.Quantity(lb(900)), Party: "G-1", Ownership: lot.Company})
	for i, c := range []struct {
		name   string
		change func(*productionv1.RunFacts)
	}{
		{"a gain with its reason", func(f *productionv1.RunFacts) { f.Outputs[2].Quantity, f.GainReason = lb(500), "water of conditioning" }},
		{"one lot filled twice", func(f *productionv1.RunFacts) { f.Outputs[1].Lot, f.Outputs[1].Item = f.Outputs[0].Lot, "halves" }},
		{"one lot dumped twice", func(f *productionv1.RunFacts) {
			f.Inputs[0].Quantity = lb(400)
			f.Inputs = append(f.Inputs, &productionv1.InputLine{Lot: "D-1", Quantity: lb(400)})
		}},
		{"pieces that weigh what went in", func(f *productionv1.RunFacts) {
			f.Outputs = f.Outputs[:1]
			f.Outputs[0].Item, f.Outputs[0].Quantity = "box", 400
		}},
		{"containers", func(f *productionv1.RunFacts) { f.Inputs[0].Container, f.Outputs[0].Container = "BIN-1", "TOTE-1" }},
		{"unpriced main outputs only", func(f *productionv1.RunFacts) { f.Outputs[0].Item, f.Outputs[1].Item = "meal", "meal" }},
		{"a contribution table with losses", func(f *productionv1.RunFacts) {
			f.Inputs = []*productionv1.InputLine{{Lot: "D-1", Quantity: lb(400)}, {Lot: "D-3", Quantity: lb(400)}}
			f.Contributions = append(table("D-1", f.Outputs[0].Lot, 200), table("D-3", f.Outputs[1].Lot, 180)...)
		}},
		{"no outputs at all", func(f *productionv1.RunFacts) { f.Outputs = nil }},
		{"two charges of a kind", func(f *productionv1.RunFacts) { f.Charges[1].Kind = labour }},
	} {
		req := shelling(fmt.Sprintf("R-%d", i))
		for _, out := range req.Run.Outputs {
			out.Lot = fmt.Sprintf("%s-%d", out.Lot, i)
		}
		c.change(req.Run)
		if _, err := p.client.RecordRun(t.Context(), req); err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func TestCodeGivenHere(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	for n := range 2 {
		req := shelling("")
		for _, out := range req.Run.Outputs {
			out.Lot = fmt.Sprintf("%s-%d", out.Lot, n)
		}
		got, err := p.client.RecordRun(t.Context(), req)
		require.NoError(t, err)
		want, err := lot.NewCode('R', 2025, int64(n))
		require.NoError(t, err)
		require.Equal(t, string(want), got.GetRun())
	}
}

// A code belongs to one command from the moment it is reserved. The fake loses its answers, as a crash before the outcome would.
func TestCodeIsReservedWhileInventoryIsAsked(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	var lost atomic.Bool
	lost.Store(true)
	p.inventory.lose = func(*inventoryv1.PostMovementRequest) bool { return lost.Load() }
	first := shelling("R-1")
	_, err := p.client.RecordRun(t.Context(), first)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	_, err = p.client.RecordRun(t.Context(), shelling("R-1"))
	require.Equal(t, "run_known", reason(err), "another command, while the first waits")
	_, err = p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
	require.Equal(t, "run_unknown", reason(err), "what is not accepted is not there")

	p.stop()
	lost.Store(false)
	p.start()
	got, err := p.client.RecordRun(t.Context(), first)
	require.NoError(t, err)
	require.Equal(t, lb(20), got.GetUnaccountedMicropounds())
	require.Len(t, p.inventory.asked, 1, "the movement is one, however often it is asked for")
	require.Equal(t, []string{"run-opened", "charge-posted", "charge-posted", "run-completed"}, kinds(p.said()))
	_, err = p.client.RecordRun(t.Context(), shelling("R-1"))
	require.Equal(t, "run_known", reason(err))
	other := shelling("R-1")
	other.CommandId = first.GetCommandId()
	other.Run.Line = "line 2"
	_, err = p.client.RecordRun(t.Context(), other)
	require.Equal(t, "command_id_reused", reason(err))
}

// Nobody comes again for a run whose answer got lost: after 5 s it is finished all the same.
func TestOrphanIsFinished(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	var lost atomic.Bool
	lost.Store(true)
	p.inventory.lose = func(*inventoryv1.PostMovementRequest) bool { return lost.Load() }
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.Error(t, err)
	lost.Store(false)
	p.later.Store(int64(6 * time.Second))
	require.Eventually(t, func() bool {
		_, err := p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
		return err == nil
	}, 20*time.Second, 50*time.Millisecond)
	require.Len(t, p.said(), 4)
}

func TestRefusedByInventoryThenTriedAgain(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	var short atomic.Bool
	short.Store(true)
	p.inventory.judge = func(r *inventoryv1.PostMovementRequest) error {
		if short.Load() {
			return fault.Precondition("stock_short", "lot D-1: run R-1 takes 800.000 lb at 08:05, when there was 0.000 lb")
		}
		return nil
	}
	req := shelling("R-1")
	_, err := p.client.RecordRun(t.Context(), req)
	require.Equal(t, "stock_short", reason(err))
	require.Contains(t, rpc.FromStatus(err).Error(), "800.000 lb", "as the inventory said it")
	require.Empty(t, p.said())
	short.Store(false)
	_, err = p.client.RecordRun(t.Context(), req)
	require.NoError(t, err, "the same command is judged again")
	require.Equal(t, int64(2), p.inventory.asked[1].GetTry())
	require.Equal(t, p.inventory.asked[0].GetCommandId(), p.inventory.asked[1].GetCommandId())
}

func TestRefusedRunFreesItsCodeAndCharges(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.inventory.judge = func(r *inventoryv1.PostMovementRequest) error {
		if r.GetRun().GetInputs()[0].GetQuantity() == lb(800) {
			return fault.Precondition("stock_short", "too little")
		}
		return nil
	}
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.Equal(t, "stock_short", reason(err))
	corrected := shelling("R-1")
	corrected.Run.Inputs[0].Quantity = lb(790)
	_, err = p.client.RecordRun(t.Context(), corrected)
	require.NoError(t, err)
}

// A bought item may be told while production was not listening: it asks before it refuses.
func TestItemToldJustNow(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	p.intake.say(t, lot.Event{Effective: time.Unix(0, 0).UTC(), Body: lot.ItemChanged{Item: "quarters", ItemKind: lot.Kernel, Measure: lot.ByWeight}})
	req := shelling("R-2")
	req.Run.Outputs = []*productionv1.OutputLine{{Lot: "K-9", Item: "quarters", Quantity: lb(100), Role: main}}
	_, err = p.client.RecordRun(t.Context(), req)
	require.NoError(t, err)
}

func TestOwnerOfRunIsOwnerOfInputs(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	req := shelling("R-1")
	req.Run.Inputs = []*productionv1.InputLine{{Lot: "D-2", Quantity: lb(500)}}
	req.Run.Outputs[2].Quantity = lb(100)
	_, err := p.client.RecordRun(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, lot.PartyID("C-1"), p.said()[0].Body.(lot.RunOpened).Owner)
	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Zero(t, account.GetByproductCredit().GetPaidStockMicros(), "a custom client's shells stay his")
	require.Equal(t, usd(50)+500_000, account.GetConversion().GetPaidServiceMicros())
	require.Zero(t, account.GetConversion().GetPaidStockMicros())
}
