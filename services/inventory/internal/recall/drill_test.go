package recall

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
	"huskline/services/inventory/internal/genealogy"
)

var time0 time.Time

// clock gives noon of a day of the season.
func clock(day int) time.Time { return time.Date(2024, 10, day, 12, 0, 0, 0, time.UTC) }

const lb = lot.Quantity(weight.Pound)

// plant is an index fed one fact a day.
func plant(t testing.TB, bodies ...lot.Body) *genealogy.Index {
	t.Helper()
	x := genealogy.New()
	for i, b := range bodies {
		require.NoError(t, x.Apply(lot.Recorded{
			Receipt: lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: int64(i + 1)},
			Event:   lot.Event{Effective: clock(i + 1), Body: b},
		}))
	}
	return x
}

func received(id lot.ID, q lot.Quantity) lot.Received {
	return lot.Received{
		Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: q, Party: "G1", Ownership: lot.Company,
	}
}

func cleaned(day int) lot.RunPosted {
	return lot.RunPosted{
		Run: "R1", Version: 1, Stage: "clean", Final: true,
		Inputs:  []lot.RunInput{{Line: 1, Lot: "D1", Quantity: 100 * lb, At: clock(day)}},
		Outputs: []lot.RunOutput{{Line: 1, Lot: "B1", Item: "CL", Measure: lot.ByWeight, Quantity: 98 * lb, Role: lot.Main, At: clock(day)}},
	}
}

func sold(name string, id lot.ID, q lot.Quantity) lot.Shipped {
	return lot.Shipped{
		Shipment: name, ShipKind: lot.Sale, Consignee: "C1", Carrier: "own truck", Document: "W-" + name,
		Lines: []lot.ShipmentLine{{Line: 1, Lot: id, Quantity: q}},
	}
}

func TestUnknownLotIsNotFoundByName(t *testing.T) {
	t.Parallel()
	x := plant(t, received("D1", 100*lb), cleaned(2))
	for _, of := range []struct {
		name string
		id   lot.ID
		at   time.Time
	}{
		{"no fact names it", "D9", time0},
		{"not there yet", "B1", clock(1)},
	} {
		_, err := Drill(x, of.id, Options{At: of.at})
		if fault.KindOf(err) != fault.KindNotFound || fault.ReasonOf(err) != "lot_unknown" || !strings.Contains(err.Error(), string(of.id)) {
			t.Errorf("%s: drill of %s: %v, want lot_unknown naming it", of.name, of.id, err)
		}
		if _, err := Origins(x, of.id, Options{At: of.at}); fault.ReasonOf(err) != "lot_unknown" {
			t.Errorf("%s: origins of %s: %v, want lot_unknown", of.name, of.id, err)
		}
	}
}

func TestDrillNamesConsigneeHoldAndStep(t *testing.T) {
	t.Parallel()
	x := plant(t, received("D1", 100*lb), cleaned(2), sold("X1", "B1", 60*lb),
		lot.PartyChanged{Party: "C1", Name: "A Customer", Address: "1 Road", Phone: "555-0100"},
		lot.Held{Hold: "H1", Class: lot.SafetyHold, Root: "B1", Lot: "B1"},
		lot.Returned{Return: "RT1", Shipment: "X1", Line: 1, Origin: "B1", Lot: "V1", Item: "CL", Measure: lot.ByWeight, Quantity: 5 * lb})
	got, err := Drill(x, "D1", Options{})
	require.NoError(t, err)
	want := []Consignee{{
		Party:     genealogy.Party{ID: "C1", Name: "A Customer", Address: "1 Road", Phone: "555-0100", Known: true},
		Shipments: []string{"X1"}, Shipped: 60 * weight.Pound, Returned: 5 * weight.Pound,
	}}
	if diff := cmp.Diff(want, got.Consignees); diff != "" {
		t.Errorf("consignees (-want +got):\n%s", diff)
	}
	wantLines := []genealogy.ShipmentLine{{
		Shipment: "X1", Line: 1, Lot: "B1", Kind: lot.Sale, Consignee: "C1", At: clock(3), Quantity: 60 * lb, Returned: 5 * lb,
		Pounds: 60 * weight.Pound, Carrier: "own truck", Document: "W-X1",
	}}
	if diff := cmp.Diff(wantLines, got.Lines); diff != "" {
		t.Errorf("lines (-want +got):\n%s", diff)
	}
	wantSteps := []genealogy.Step{{
		Run: "R1", Version: 1, Stage: "clean", At: clock(2), Input: 100 * weight.Pound, Output: 98 * weight.Pound, Unaccounted: 2 * weight.Pound,
	}}
	if diff := cmp.Diff(wantSteps, got.Steps); diff != "" {
		t.Errorf("steps (-want +got):\n%s", diff)
	}
	held := map[lot.ID]bool{}
	for _, l := range got.Affected {
		held[l.ID] = l.Held
	}
	if diff := cmp.Diff(map[lot.ID]bool{"D1": false, "B1": true, "V1": false}, held); diff != "" {
		t.Errorf("held (-want +got):\n%s", diff)
	}
}

// A gain is shown with its sign, and an empty bin's remainder as what nothing explains.
func TestDrillShowsWhatIsUnaccounted(t *testing.T) {
	t.Parallel()
	gain := cleaned(2)
	gain.Outputs[0].Quantity, gain.GainReason = 103*lb, "water taken up"
	x := plant(t, received("D1", 100*lb), gain,
		lot.BinEmptied{Bin: "B1", Remainder: 3 * lb, Emptying: "E1"},
		lot.Adjusted{Adjustment: "A1", Lot: "B1", Delta: -4 * lb, Account: lot.Account{Name: "damage", WritesOff: true}})
	got, err := Drill(x, "B1", Options{})
	require.NoError(t, err)
	if got.Steps[0].Unaccounted != -3*weight.Pound || got.Steps[0].GainReason != "water taken up" {
		t.Errorf("step %+v, want a gain of 3 lb with its reason", got.Steps[0])
	}
	if got.OwnUnaccounted != 3*weight.Pound || got.Adjusted != -4*weight.Pound || got.OwnOnHand != 96*weight.Pound {
		t.Errorf("unaccounted %s, adjusted %s, on hand %s; want 3, -4, 96", got.OwnUnaccounted, got.Adjusted, got.OwnOnHand)
	}
	if percent, err := got.Accounted.Percent(2); err != nil || percent != "97.09" {
		t.Errorf("accounted %q (%v), want 97.09: 100 of 103 lb", percent, err)
	}
}

func TestDrillSaysWhatIsNotYetKnown(t *testing.T) {
	t.Parallel()
	x := plant(t, cleaned(1), sold("X1", "B1", 60*lb))
	got, err := Drill(x, "B1", Options{})
	require.NoError(t, err)
	want := []genealogy.Waiting{{Lot: "D1", Facts: []string{"run R1"}}}
	if diff := cmp.Diff(want, got.NotKnown); diff != "" {
		t.Errorf("not yet known (-want +got):\n%s", diff)
	}
	if got.Consignees[0].Known {
		t.Errorf("consignee %+v is known, want it marked as not told yet", got.Consignees[0])
	}
	if got, err := Drill(x, "D1", Options{}); err != nil || got.Lot.Born {
		t.Errorf("drill of an unborn lot: %v, born %v; want an answer that says it is not born", err, got.Lot.Born)
	}
}

func TestDrillAtATimeSeesOnlyWhatHadHappened(t *testing.T) {
	t.Parallel()
	x := plant(t, received("D1", 100*lb), cleaned(2), sold("X1", "B1", 60*lb))
	for _, of := range []struct {
		day               int
		affected, shipped int
		onHand            weight.Mass
	}{{1, 0, 0, 100}, {2, 1, 0, 98}, {3, 1, 1, 38}} {
		got, err := Drill(x, "D1", Options{At: clock(of.day)})
		require.NoError(t, err)
		if len(got.AffectedLots) != of.affected || len(got.Lines) != of.shipped || got.OnHand != of.onHand*weight.Pound {
			t.Errorf("day %d: %d affected, %d lines, %s lb on hand; want %d, %d, %d",
				of.day, len(got.AffectedLots), len(got.Lines), got.OnHand, of.affected, of.shipped, of.onHand)
		}
	}
}

func TestPercent(t *testing.T) {
	t.Parallel()
	for _, of := range []struct {
		ratio    Ratio
		decimals int
		want     string
	}{
		{Ratio{9_988, 10_000}, 2, "99.88"}, // the worked drill: 9,988 of 10,000 lb
		{Ratio{1, 3}, 4, "33.3333"},
		{Ratio{2, 3}, 2, "66.67"},
		{Ratio{1, 1}, 6, "100.0"},
		{Ratio{-1, 3}, 2, "-33.33"},
		{Ratio{1, 800}, 2, "0.13"},
		{Ratio{5, 0}, 2, ""},
		{Ratio{9_000_000_000_000_000, 9_000_000_000_000_000}, 2, "100.0"},
	} {
		got, err := of.ratio.Percent(of.decimals)
		if err != nil || got != of.want {
			t.Errorf("%d of %d at %d decimals = %q (%v), want %q", of.ratio.Part, of.ratio.Whole, of.decimals, got, err, of.want)
		}
	}
	if _, err := (Ratio{1, 1}).Percent(0); fault.ReasonOf(err) != "decimals_out_of_range" {
		t.Errorf("0 decimals: %v, want decimals_out_of_range", err)
	}
}
