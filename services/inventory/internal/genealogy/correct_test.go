package genealogy

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
)

var always time.Time

func came(id lot.ID, q lot.Quantity) lot.Received {
	return lot.Received{Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: q, Party: "G", Ownership: lot.Company}
}

func hour(n int) time.Time { return start.Add(time.Duration(n) * time.Hour) }

func onHand(t *testing.T, x *Index, id lot.ID, at time.Time) lot.Quantity {
	t.Helper()
	q, err := x.View(at).Quantities(id)
	require.NoError(t, err)
	return q.OnHand
}

// A correction stands in place of the part of the same name, at the time that part happened, and quantity zero takes it away.
func TestCorrectionReplacesPartsByName(t *testing.T) {
	t.Parallel()
	pour := func(q lot.Quantity) lot.Poured {
		return lot.Poured{Pour: "PR1", Bin: "P1", Item: "IN", Measure: lot.ByWeight, Lot: "D1", Quantity: q}
	}
	adjust := func(q lot.Quantity) lot.Adjusted { return lot.Adjusted{Adjustment: "A1", Lot: "D1", Delta: q} }
	ship := func(id lot.ID, q lot.Quantity) lot.Shipped {
		return lot.Shipped{Shipment: "X1", Consignee: "C", Lines: []lot.ShipmentLine{{Line: 1, Lot: id, Quantity: q}}}
	}
	facts := []lot.Body{came("D1", 100*lb), came("D2", 50*lb), pour(40 * lb), adjust(-2 * lb), ship("D1", 10*lb)} // hours 1 to 5
	for _, of := range []struct {
		name          string
		set           lot.Corrected
		d1, d2, p1    lot.Quantity
		d1AtHourThree lot.Quantity
	}{
		{"nothing", lot.Corrected{}, 48, 50, 40, 60},
		{"pour", lot.Corrected{Pours: []lot.Poured{pour(30 * lb)}}, 58, 50, 30, 70},
		{"pour taken away", lot.Corrected{Pours: []lot.Poured{pour(0)}}, 88, 50, 0, 100},
		{"adjustment", lot.Corrected{Adjustments: []lot.Adjusted{adjust(3 * lb)}}, 53, 50, 40, 60},
		{"adjustment taken away", lot.Corrected{Adjustments: []lot.Adjusted{adjust(0)}}, 50, 50, 40, 60},
		{"shipment line", lot.Corrected{Shipments: []lot.Shipped{ship("D1", 11*lb)}}, 47, 50, 40, 60},
		{"shipment line of another lot", lot.Corrected{Shipments: []lot.Shipped{ship("D2", 10*lb)}}, 58, 40, 40, 60},
		{"shipment line taken away", lot.Corrected{Shipments: []lot.Shipped{ship("D1", 0)}}, 58, 50, 40, 60},
		{"a pour not told before", lot.Corrected{Pours: []lot.Poured{
			{Pour: "PR2", Bin: "P1", Item: "IN", Measure: lot.ByWeight, Lot: "D1", Quantity: lb},
		}}, 47, 50, 41, 60},
		{"delivery", lot.Corrected{Deliveries: []lot.DeliveryCorrected{{Version: 2, Now: came("D1", 90*lb)}}}, 38, 50, 40, 50},
		{"delivery void", lot.Corrected{Deliveries: []lot.DeliveryCorrected{{Version: 2, Voided: true, Now: came("D2", 50*lb)}}}, 48, 0, 40, 60},
	} {
		set := of.set
		set.Correction = "COR1"
		x := single(t, append(append([]lot.Body{}, facts...), set)...)
		got := []lot.Quantity{
			onHand(t, x, "D1", always), onHand(t, x, "D2", always), onHand(t, x, "P1", always), onHand(t, x, "D1", hour(3)),
		}
		want := []lot.Quantity{of.d1 * lb, of.d2 * lb, of.p1 * lb, of.d1AtHourThree * lb}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: on hand of D1, D2, P1 and D1 at hour 3 (-want +got):\n%s", of.name, diff)
		}
		again := append(append([]lot.Body{}, facts...), set)
		if diff := cmp.Diff(want[0], onHand(t, single(t, append(again, facts...)...), "D1", always)); diff != "" {
			t.Errorf("%s: the plain facts told again undo the correction (-want +got):\n%s", of.name, diff)
		}
	}
}

func TestNewVersionOfARunReplacesAllLines(t *testing.T) {
	t.Parallel()
	out := func(line int64, id lot.ID, q lot.Quantity) lot.RunOutput {
		return lot.RunOutput{Line: line, Lot: id, Item: "K", Measure: lot.ByWeight, Quantity: q, Role: lot.Main, At: hour(3)}
	}
	in := func(line int64, id lot.ID, q lot.Quantity) lot.RunInput {
		return lot.RunInput{Line: line, Lot: id, Quantity: q, At: hour(3)}
	}
	x := single(t, came("D1", 100*lb), came("D2", 100*lb),
		lot.RunPosted{Run: "R1", Version: 1, Inputs: []lot.RunInput{in(1, "D1", 50*lb)}},
		lot.RunPosted{Run: "R1", Version: 1, Outputs: []lot.RunOutput{out(1, "N1", 20*lb)}},
		lot.RunPosted{Run: "R1", Version: 1, Inputs: []lot.RunInput{in(2, "D2", 10*lb)}, Outputs: []lot.RunOutput{out(2, "N2", 39*lb)}, Final: true})
	steps, err := x.View(always).Steps([]lot.ID{"N1"})
	require.NoError(t, err)
	if got := steps[0]; got.Input != 60*weight.Pound || got.Output != 59*weight.Pound || got.Open {
		t.Errorf("run in pieces %+v, want 60 in, 59 out, complete", got)
	}
	require.NoError(t, x.Apply(lot.Recorded{Event: lot.Event{Body: lot.RunPosted{
		Run: "R1", Version: 2, Inputs: []lot.RunInput{in(1, "D1", 60*lb)}, Outputs: []lot.RunOutput{out(1, "N1", 58*lb)}, Final: true,
	}}}))
	require.NoError(t, x.Apply(lot.Recorded{Event: lot.Event{Body: lot.RunPosted{
		Run: "R1", Version: 1, Inputs: []lot.RunInput{in(3, "D2", 5*lb)},
	}}}))
	up, err := x.View(always).Ancestors("N1")
	require.NoError(t, err)
	if diff := cmp.Diff([]lot.ID{"D1"}, up); diff != "" {
		t.Errorf("ancestors of N1 in version 2 (-want +got):\n%s", diff)
	}
	if got := onHand(t, x, "D2", always); got != 100*lb {
		t.Errorf("D2 has %d on hand, want 100 lb: version 2 takes none of it, a late posting of version 1 counts for nothing", got)
	}
	if of, err := x.View(always).Lot("N2"); err != nil || of.Born {
		t.Errorf("N2 %+v (%v), want a lot that no standing fact made", of, err)
	}
}

func TestTitlePasses(t *testing.T) {
	t.Parallel()
	theirs := came("D1", 100*lb)
	theirs.Ownership, theirs.Owner = lot.SellersOwn, "G"
	whole := single(t, theirs, lot.Bought{Purchase: "B1", Lot: "D1", NewLot: "D1", Owner: "G", Quantity: 100 * lb})
	for _, of := range []struct {
		at   time.Time
		want lot.PartyID
	}{{hour(1), "G"}, {hour(2), ""}, {always, ""}} {
		if got, err := whole.View(of.at).Lot("D1"); err != nil || got.Owner != of.want {
			t.Errorf("bought whole: at %s owned by %q (%v), want %q", of.at, got.Owner, err, of.want)
		}
	}
	part := single(t, theirs, lot.Bought{Purchase: "B1", Lot: "D1", NewLot: "Q1", Owner: "G", Quantity: 30 * lb})
	got, err := part.View(always).Lot("Q1")
	require.NoError(t, err)
	if got.Owner != "" || got.Item != "IN" || onHand(t, part, "Q1", always) != 30*lb || onHand(t, part, "D1", always) != 70*lb {
		t.Errorf("bought in part: %+v, want 30 lb of IN of the company and 70 lb left", got)
	}
	origins, err := part.View(always).Origins("Q1")
	require.NoError(t, err)
	if diff := cmp.Diff([]Origin{{"D1", Whole}}, origins); diff != "" {
		t.Errorf("origins of Q1 (-want +got):\n%s", diff)
	}
}

func TestPiecesCountByTheWeightOfOne(t *testing.T) {
	t.Parallel()
	x := single(t, came("D1", 100*lb),
		lot.RunPosted{
			Run: "R1", Version: 1, Final: true, Inputs: []lot.RunInput{{Line: 1, Lot: "D1", Quantity: 10 * lb, At: hour(2)}},
			Outputs: []lot.RunOutput{{Line: 1, Lot: "F1", Item: "BAR", Measure: lot.ByCount, Quantity: 40, Role: lot.Main, At: hour(2)}},
		},
		lot.ItemChanged{Item: "BAR", ItemKind: lot.Finished, Measure: lot.ByCount, Unit: weight.Pound / 4})
	s := x.View(always).Totals()
	if s.OnHand != 100*weight.Pound || s.Unaccounted != 0 {
		t.Errorf("on hand %s, unaccounted %s; want 100 and 0: 40 bars of a quarter pound", s.OnHand, s.Unaccounted)
	}
}

func TestHoldsStandFromTheirTimeUntilTheirEnd(t *testing.T) {
	t.Parallel()
	held := func(hold string, id lot.ID) lot.Held {
		return lot.Held{Hold: hold, Class: lot.SafetyHold, Root: "D1", Lot: id}
	}
	x := single(t, came("D1", lb), came("D2", lb), held("H1", "D1"), held("H1", "D2"),
		lot.HoldEnded{Hold: "H1", Lot: "D2", Excluded: true, Reason: "tested clean"}, lot.HoldEnded{Hold: "H1"})
	for _, of := range []struct {
		at     time.Time
		d1, d2 int
	}{{hour(2), 0, 0}, {hour(4), 1, 1}, {hour(5), 1, 0}, {hour(6), 0, 0}, {always, 0, 0}} {
		v := x.View(of.at)
		d1, err := v.Lot("D1")
		require.NoError(t, err)
		d2, err := v.Lot("D2")
		require.NoError(t, err)
		if len(d1.Holds) != of.d1 || len(d2.Holds) != of.d2 {
			t.Errorf("at %s: D1 %v, D2 %v; want %d and %d holds", of.at, d1.Holds, d2.Holds, of.d1, of.d2)
		}
	}
}

func TestRefusedEventLeavesNothing(t *testing.T) {
	t.Parallel()
	line := lot.RunInput{Line: 1, Lot: "D1", Quantity: lb}
	for _, of := range []struct {
		name, reason string
		body         lot.Body
	}{
		{"below zero", "quantity_out_of_range", came("D1", -1)},
		{"beyond a billion pounds", "quantity_out_of_range", came("D1", maxQuantity+1)},
		{"second line bad", "quantity_out_of_range", lot.RunPosted{Run: "R1", Version: 1, Inputs: []lot.RunInput{line, {Line: 2, Lot: "D2", Quantity: -1}}}},
		{"line beyond 32 bits", "line_out_of_range", lot.Shipped{Shipment: "X", Lines: []lot.ShipmentLine{{Line: 1 << 40, Lot: "D1"}}}},
		{"part of a set", "quantity_out_of_range", lot.Corrected{
			Runs:  []lot.RunPosted{{Run: "R1", Version: 2, Inputs: []lot.RunInput{line}}},
			Pours: []lot.Poured{{Pour: "PR", Lot: "D1", Bin: "P1", Quantity: -1}},
		}},
		{"unit", "unit_out_of_range", lot.ItemChanged{Item: "BAR", Unit: maxUnit + 1}},
		{"pieces", "quantity_out_of_range", lot.Poured{Pour: "PR", Lot: "D1", Bin: "P1", Measure: lot.ByCount, Quantity: maxPieces + 1}},
	} {
		x := New()
		err := x.Apply(lot.Recorded{Receipt: lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: 1}, Event: lot.Event{Body: of.body}})
		if fault.ReasonOf(err) != of.reason || len(x.lots)+len(x.legs)+len(x.runs) != 0 || len(x.Positions()) != 0 {
			t.Errorf("%s: %v with %d lots and %d legs, want %s and nothing", of.name, err, len(x.lots), len(x.legs), of.reason)
		}
	}
}

// A circle can only come from a broken ledger; it must be named, not walked for ever.
func TestACircleIsABug(t *testing.T) {
	t.Parallel()
	pour := func(name string, from, to lot.ID) lot.Poured {
		return lot.Poured{Pour: name, Lot: from, Bin: to, Item: "IN", Measure: lot.ByWeight, Quantity: lb}
	}
	x := single(t, pour("PR1", "P1", "P2"), pour("PR2", "P2", "P1"))
	if _, err := x.View(always).Origins("P1"); err == nil {
		t.Error("origins of a lot made from itself: no error, want a bug named")
	}
	if down, err := x.View(always).Descendants("P1"); err != nil || len(down) != 1 {
		t.Errorf("descendants %v (%v), want P2 alone", down, err)
	}
	if of, err := x.View(always).Lot("P1"); err != nil || of.Owner != "" {
		t.Errorf("lot %+v (%v), want an answer", of, err)
	}
}

// Outputs of an open run into which nothing is known to have gone yet rest on themselves until it is.
func TestOutputBeforeItsInputsRestsOnItself(t *testing.T) {
	t.Parallel()
	x := single(t, came("D1", lb), lot.RunPosted{Run: "R1", Version: 1, Outputs: []lot.RunOutput{
		{Line: 1, Lot: "N1", Item: "K", Measure: lot.ByWeight, Quantity: lb, Role: lot.Main, At: hour(2)},
	}})
	got, err := x.View(always).Origins("N1")
	require.NoError(t, err)
	if diff := cmp.Diff([]Origin{{"N1", Whole}}, got); diff != "" {
		t.Errorf("origins before the input (-want +got):\n%s", diff)
	}
	require.NoError(t, x.Apply(lot.Recorded{Event: lot.Event{Body: lot.RunPosted{
		Run: "R1", Version: 1, Final: true, Inputs: []lot.RunInput{{Line: 1, Lot: "D1", Quantity: lb, At: hour(3)}},
	}}}))
	got, err = x.View(always).Origins("N1")
	require.NoError(t, err)
	if diff := cmp.Diff([]Origin{{"D1", Whole}}, got); diff != "" {
		t.Errorf("origins after it (-want +got):\n%s", diff)
	}
	if s, err := x.View(hour(2)).Steps([]lot.ID{"N1"}); err != nil || !s[0].Open {
		t.Errorf("step at hour 2 %+v (%v), want it open", s, err)
	}
}
