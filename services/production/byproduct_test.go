package production_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/money"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// pass is a run of an hour with one charge.
func pass(run, stage string, hour int, charge int64) *productionv1.RecordRunRequest {
	return &productionv1.RecordRunRequest{CommandId: uuid.NewString(), Run: &productionv1.RunFacts{
		Run: run, Stage: stage, Start: at(hour, 0), End: at(hour+1, 0),
		Charges: []*eventv1.ChargePosted{{Kind: other, AmountMicros: charge}},
	}}
}

// A plant that takes what its shells bring as other income, and not off the cost of its kernel, gives shells a split-off price of 0: that is
// data, not a switch. The figures are written out by hand, to the cent, in the project's notes on costing, section 4.4: C1 is credited 68.40 and
// shares 13,218.60, C10 shares 13,287.00 in 6,327.14, 6,327.14 and 632.72. Break it catches: a price of zero taken for one, as a credit or as a
// main output's base.
func TestByProductToIncome(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		shells *money.Price
		credit int64
		shared [3]int64 // cents
	}{
		{"credited (C1)", priceOf(15_000), 6_840, [3]int64{629_457, 629_457, 62_946}},
		{"to income (C10)", priceOf(0), 0, [3]int64{632_714, 632_714, 63_272}},
		{"to income, no price at all", nil, 0, [3]int64{632_714, 632_714, 63_272}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			p := newPlant(t)
			for _, i := range []lot.ItemChanged{
				{Item: "inshell", ItemKind: lot.InShell}, {Item: "clean", ItemKind: lot.InShell}, {Item: "trash", ItemKind: lot.WasteItem},
				{Item: "halves", ItemKind: lot.Kernel, SplitOff: priceOf(usd(5))}, {Item: "pieces", ItemKind: lot.Kernel, SplitOff: priceOf(usd(4))},
				{Item: "meal", ItemKind: lot.Kernel, SplitOff: priceOf(usd(2))}, {Item: "shells", ItemKind: lot.ByProductItem, SplitOff: c.shells},
			} {
				i.Measure = lot.ByWeight
				p.intake.say(t, lot.Event{Effective: at(0, 0).AsTime(), Body: i})
			}
			// 10,000 lb landed at 11,175.00.
			p.receive(lot.Received{
				Lot: "A", Source: lot.Delivery, Item: "inshell", Measure: lot.ByWeight, Quantity: lot.Quantity(lb(10_000)), Party: "G-1", Ownership: lot.Company,
				Purchase: money.Amount(usd(11_175)),
			})
			clean := pass("R-1", "clean", 7, usd(192))
			clean.Run.Inputs = []*productionv1.InputLine{{Lot: "A", Quantity: lb(10_000)}}
			clean.Run.Outputs = []*productionv1.OutputLine{
				{Lot: "B", Item: "clean", Quantity: lb(9_600), Role: main}, {Lot: "T", Item: "trash", Quantity: lb(250), Role: waste},
			}
			shell := pass("R-2", "shell", 9, usd(1_920))
			shell.Run.Inputs = []*productionv1.InputLine{{Lot: "B", Quantity: lb(9_600)}}
			shell.Run.Outputs = []*productionv1.OutputLine{
				{Lot: "H", Item: "halves", Quantity: lb(1_920), Role: main}, {Lot: "P", Item: "pieces", Quantity: lb(2_400), Role: main},
				{Lot: "M", Item: "meal", Quantity: lb(480), Role: main}, {Lot: "S", Item: "shells", Quantity: lb(4_560), Role: byProduct},
			}
			for _, req := range []*productionv1.RecordRunRequest{clean, shell} {
				_, err := p.client.RecordRun(t.Context(), req)
				require.NoError(t, err)
			}
			sheet, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-2"})
			require.NoError(t, err)
			cents(t, "credit", sheet.GetByproductCredit().GetPaidStockMicros(), c.credit)
			cents(t, "shared", sheet.GetKernelCost().GetPaidStockMicros(), 1_328_700-c.credit)
			require.Equal(t, "sales value at split-off", sheet.GetBasis())
			require.Empty(t, sheet.GetBasisFault())
			for i, id := range []string{"H", "P", "M"} {
				answer, err := p.client.GetLotCost(t.Context(), &productionv1.GetLotCostRequest{Lot: id})
				require.NoError(t, err)
				cents(t, "cost of "+id, answer.GetCost().GetPaidStockMicros(), c.shared[i])
			}
		})
	}
}

// cents allows what the example's cents, which add up to its total, may differ from an exact share.
func cents(t *testing.T, what string, micros, want int64) {
	t.Helper()
	if d := micros - want*10_000; d >= 10_000 || d <= -10_000 {
		t.Errorf("%s: got %s, want %d cents", what, money.Amount(micros), want)
	}
}

// A price that is told after the run, of one main output of two, cannot be used: the sheet goes by pounds and says why.
func TestPriceOfOneOutputToldLater(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	tell := func(item lot.ItemID, price *money.Price) {
		body := lot.ItemChanged{Item: item, ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: price}
		p.intake.say(t, lot.Event{Effective: at(0, 0).AsTime(), Body: body})
	}
	tell("granules", nil)
	req := shelling("R-1")
	req.Run.Outputs[0].Item, req.Run.Outputs[1].Item = "meal", "granules"
	_, err := p.client.RecordRun(t.Context(), req)
	require.NoError(t, err)
	ask := func() *productionv1.GetRunCostResponse {
		sheet, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1"})
		require.NoError(t, err)
		return sheet
	}
	require.Equal(t, []string{"weight", ""}, []string{ask().GetBasis(), ask().GetBasisFault()})
	tell("meal", priceOf(usd(2)))
	sheet := ask()
	require.Equal(t, "weight", sheet.GetBasis())
	require.Contains(t, sheet.GetBasisFault(), "granules has no split-off price")
	tell("granules", priceOf(usd(1)))
	require.Equal(t, []string{"sales value at split-off", ""}, []string{ask().GetBasis(), ask().GetBasisFault()})
}
