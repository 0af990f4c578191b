package production_test

import (
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

func correction(run *productionv1.RunFacts) *productionv1.CorrectRunRequest {
	return &productionv1.CorrectRunRequest{CommandId: uuid.NewString(), Run: run, Reason: "weights of the wrong scale"}
}

func TestCorrection(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	run := shelling("R-1").Run
	run.Inputs[0].Quantity = lb(1000)
	run.Charges = []*eventv1.ChargePosted{{Kind: labour, HoursMillionths: 3_000_000, RateMicros: usd(20)}}
	req := correction(run)
	got, err := p.client.CorrectRun(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, int64(2), got.GetVersion())
	again, err := p.client.CorrectRun(t.Context(), req)
	require.NoError(t, err)
	same(t, "the same command again", again, got)

	said := p.said()[4:]
	require.Equal(t, []string{"run-corrected", "charge-posted", "charge-posted"}, kinds(said))
	body := said[0].Body.(lot.RunCorrected)
	require.Equal(t, lot.Quantity(lb(220)), body.Completed.Unaccounted)
	require.Equal(t, int64(2), body.Completed.Version)
	labourNow := said[1].Body.(lot.ChargePosted)
	require.Equal(t, "R-1/labour", labourNow.Replaces)
	nothing := said[2].Body.(lot.ChargePosted)
	require.Equal(t, "R-1/machine", nothing.Replaces)
	require.Zero(t, nothing.Amount)

	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, usd(60), account.GetConversion().GetPaidStockMicros())
	require.Equal(t, usd(1500), account.GetMaterial().GetPaidStockMicros())
	state, err := p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, lb(1000), state.GetRun().GetLines().GetInputs()[0].GetQuantity())
	require.Len(t, state.GetRun().GetCharges(), 2)

	third := shelling("R-1").Run
	got, err = p.client.CorrectRun(t.Context(), correction(third))
	require.NoError(t, err)
	require.Equal(t, int64(3), got.GetVersion())
	account, err = p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, usd(50)+500_000, account.GetConversion().GetPaidStockMicros(), "as it was at first")
}

// A correction of weights alone leaves the charges; one that gives some stands in place of all of them, and an amount of 0 takes the last away.
func TestChargesOfACorrection(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	for _, c := range []struct {
		name    string
		charges []*eventv1.ChargePosted
		want    int64
		names   []string
	}{
		{"none given", nil, usd(50) + 500_000, []string{"R-1/labour", "R-1/machine"}},
		{"one of the second kind", []*eventv1.ChargePosted{{Kind: machine, AmountMicros: usd(7)}}, usd(7), []string{"R-1/labour/3", "R-1/machine/3"}},
		{"none given, again", nil, usd(7), []string{"R-1/labour/3", "R-1/machine/3"}},
		{"nothing", []*eventv1.ChargePosted{{Kind: machine}}, 0, []string{"R-1/labour/3/5", "R-1/machine/5"}},
		{"nothing of what was not there", []*eventv1.ChargePosted{{Kind: labour, AmountMicros: usd(1)}, {Kind: machine}, {Kind: other}}, usd(1),
			[]string{"R-1/labour/6", "R-1/machine/6"}},
	} {
		run := shelling("R-1").Run
		run.Charges = c.charges
		_, err := p.client.CorrectRun(t.Context(), correction(run))
		require.NoError(t, err, c.name)
		account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
		require.NoError(t, err)
		require.Equal(t, c.want, account.GetConversion().GetPaidStockMicros(), c.name)
		var names []string
		for _, posted := range p.run("R-1").GetCharges() {
			names = append(names, posted.GetCharge())
		}
		require.Equal(t, c.names, names, c.name)
	}
}

func TestCorrectionRefused(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	p.inventory.judge = func(r *inventoryv1.PostMovementRequest) error {
		if runs := r.GetCorrection().GetRuns(); len(runs) > 0 && runs[0].GetInputs()[0].GetQuantity() == lb(2000) {
			return fault.Precondition("stock_short", "too little")
		}
		return nil
	}
	run := shelling("R-1").Run
	run.Inputs[0].Quantity = lb(2000)
	_, err = p.client.CorrectRun(t.Context(), correction(run))
	require.Equal(t, "stock_short", reason(err))
	run = shelling("R-1").Run
	run.Inputs[0].Quantity = lb(900)
	got, err := p.client.CorrectRun(t.Context(), correction(run))
	require.NoError(t, err)
	require.Equal(t, int64(2), got.GetVersion())
	_, err = p.client.CorrectRun(t.Context(), correction(shelling("R-9").Run))
	require.Equal(t, "run_unknown", reason(err))
	twice := correction(shelling("R-1").Run)
	twice.LaterRuns = []*productionv1.RunFacts{shelling("R-1").Run}
	_, err = p.client.CorrectRun(t.Context(), twice)
	require.Equal(t, "run_repeated", reason(err))
}

// The inventory's word of a set may be heard before the answer to its command. It is told once, by the command.
func TestOwnSetHeardBeforeItsAnswer(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	var lost atomic.Bool
	lost.Store(true)
	p.inventory.lose = func(*inventoryv1.PostMovementRequest) bool { return lost.Load() }
	run := shelling("R-1").Run
	run.Inputs[0].Quantity, run.Charges = lb(900), nil
	req := correction(run)
	_, err = p.client.CorrectRun(t.Context(), req)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Empty(t, account.GetMissing())
	require.Equal(t, lb(900), account.GetInputMicropounds(), "pounds are what the inventory says")
	_, err = p.client.CorrectRun(t.Context(), correction(run))
	require.Equal(t, "run_busy", reason(err))
	lost.Store(false)
	got, err := p.client.CorrectRun(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, int64(2), got.GetVersion())
	require.Equal(t, []string{"run-corrected"}, kinds(p.said()[4:]))
	state, err := p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, lb(120), state.GetRun().GetCompleted().GetUnaccountedMicropounds())
}

// Intake corrects a delivery together with the run that used it. Production writes the new version from what the inventory tells, and says so.
func TestSetOfIntake(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	old, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	state, err := p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
	require.NoError(t, err)
	posted := p.posted(state.GetRun())
	posted.Version, posted.Final = 2, true
	posted.Inputs[0].Quantity = lot.Quantity(lb(790))
	p.inventory.say(t, lot.Event{Lots: []lot.ID{"D-1"}, Effective: noon, Body: lot.Corrected{Correction: uuid.NewString(), Reason: "tare of the wrong truck", Runs: []lot.RunPosted{posted}}})

	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, lb(790), account.GetInputMicropounds())
	require.Empty(t, account.GetMissing())
	var body lot.RunCorrected
	require.Eventually(t, func() bool {
		said := p.said()
		var ok bool
		body, ok = said[len(said)-1].Body.(lot.RunCorrected)
		return ok
	}, 10*time.Second, 20*time.Millisecond, "what follows from another's set is said soon after")
	require.Equal(t, lot.RunCompleted{
		Run: "R-1", Version: 2, End: at(10, 0).AsTime(), Input: lot.Quantity(lb(790)), Output: lot.Quantity(lb(780)), Unaccounted: lot.Quantity(lb(10)),
	}, body.Completed)
	require.Equal(t, "tare of the wrong truck", body.Reason)

	// Read as of the positions printed before, nothing has changed.
	past, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1", AsOf: old.GetAsOf()})
	require.NoError(t, err)
	same(t, "as of the first positions", past, old)
	_, err = p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1", AsOf: old.GetAsOf(), KnownAt: at(12, 0)})
	require.Equal(t, "known_at_and_as_of", reason(err))
	known, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1", KnownAt: at(12, 0)})
	require.NoError(t, err)
	require.Equal(t, lb(790), known.GetInputMicropounds())
	_, err = p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1", KnownAt: at(11, 59)})
	require.Equal(t, "run_unknown", reason(err), "nothing was known then")
}

// A set of intake's has carried a run to version 2 when ours comes in, and is not heard yet. Production reads up and judges again. Break it
// catches: the refusal passed on, though the correction stands.
func TestCorrectionRightAfterASetOfIntake(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	set := p.posted(p.run("R-1"))
	set.Version, set.Inputs[0].Quantity = 2, lot.Quantity(lb(790))
	told := false
	p.inventory.judge = func(r *inventoryv1.PostMovementRequest) error {
		if !told {
			told = true
			body := lot.Corrected{Correction: uuid.NewString(), Reason: "tare of the wrong truck", Runs: []lot.RunPosted{set}}
			p.inventory.say(t, lot.Event{Lots: []lot.ID{"D-1"}, Effective: noon, Body: body})
		}
		if v := r.GetCorrection().GetRuns()[0].GetVersion(); v != 3 {
			return fault.Conflict("run_version", "run R-1: version %d does not follow version 2", v)
		}
		return nil
	}
	run := shelling("R-1").Run
	run.Inputs[0].Quantity = lb(900)
	got, err := p.client.CorrectRun(t.Context(), correction(run))
	require.NoError(t, err)
	require.Equal(t, int64(3), got.GetVersion())
	p.settled()
	account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
	require.NoError(t, err)
	require.Equal(t, lb(900), account.GetInputMicropounds())
}

// What the inventory tells of a run is compared with what it was asked; a difference is set aside, and said by every answer about its lots.
func TestDifferenceIsSetAside(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	p.inventory.quiet = true
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	state, err := p.client.GetRun(t.Context(), &productionv1.GetRunRequest{Run: "R-1"})
	require.NoError(t, err)
	wrong := p.posted(state.GetRun())
	wrong.Outputs[0].Quantity++
	p.inventory.say(t, lot.Event{Lots: []lot.ID{"D-1", "K-1"}, Effective: at(10, 0).AsTime(), Body: wrong})
	answer, err := p.client.GetLotCost(t.Context(), &productionv1.GetLotCostRequest{Lot: "D-1"})
	require.NoError(t, err)
	require.NotEmpty(t, answer.GetMissing())
	aside, err := p.client.ListQuarantine(t.Context(), &productionv1.ListQuarantineRequest{})
	require.NoError(t, err)
	require.Len(t, aside.GetEvents(), 1)
	require.Contains(t, aside.GetEvents()[0].GetReason(), "run_differs: ", "the reason and its detail")
	retried, err := p.client.RetryQuarantine(t.Context(), &productionv1.RetryQuarantineRequest{CommandId: uuid.NewString(), At: aside.GetEvents()[0].GetAt()})
	require.NoError(t, err)
	require.Equal(t, "run_differs", retried.GetReason())
}

// posted is a run's lines as the inventory would tell them.
func (p *plant) posted(s *productionv1.RunState) lot.RunPosted {
	p.t.Helper()
	posted := lot.RunPosted{Run: lot.RunID(s.GetOpened().GetRun()), Version: s.GetLines().GetVersion(), Stage: s.GetOpened().GetStage(), Final: true}
	for _, in := range s.GetLines().GetInputs() {
		posted.Inputs = append(posted.Inputs, lot.RunInput{
			Line: in.GetLine(), Lot: lot.ID(in.GetLot()), Quantity: lot.Quantity(in.GetQuantity()), At: in.GetAt().AsTime(), MoisturePPM: -1,
		})
	}
	for _, out := range s.GetLines().GetOutputs() {
		posted.Outputs = append(posted.Outputs, lot.RunOutput{
			Line: out.GetLine(), Lot: lot.ID(out.GetLot()), Item: lot.ItemID(out.GetItem()), Measure: lot.Measure(out.GetMeasure()),
			Quantity: lot.Quantity(out.GetQuantity()), Role: lot.Role(out.GetRole()), At: out.GetAt().AsTime(), MoisturePPM: -1,
		})
	}
	return posted
}

func TestTokens(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	secret := make([]byte, 32)
	issued, err := p.client.IssueToken(t.Context(), &productionv1.IssueTokenRequest{
		CommandId: uuid.NewString(), Name: "line-1", Roles: []string{"operator"}, SecretSha256: secret, Expires: at(23, 0),
	})
	require.NoError(t, err)
	list, err := p.client.ListTokens(t.Context(), &productionv1.ListTokensRequest{})
	require.NoError(t, err)
	require.Equal(t, issued.GetTokenId(), list.GetTokens()[0].GetTokenId())
	require.Nil(t, list.GetTokens()[0].GetRevoked())
	_, err = p.client.RevokeToken(t.Context(), &productionv1.RevokeTokenRequest{CommandId: uuid.NewString(), TokenId: issued.GetTokenId()})
	require.NoError(t, err)
	list, err = p.client.ListTokens(t.Context(), &productionv1.ListTokensRequest{})
	require.NoError(t, err)
	require.WithinDuration(t, noon, list.GetTokens()[0].GetRevoked().AsTime(), time.Second)
	_, err = p.client.RevokeToken(t.Context(), &productionv1.RevokeTokenRequest{CommandId: uuid.NewString(), TokenId: "none"})
	require.Equal(t, "token_unknown", reason(err))
}
