package inventory_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// An open run is dumped and filled piece by piece; its outputs may be drawn before it ends.
func TestOpenRun(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.mustPost(run{id: "R-1", out: map[string]int64{"K-1": 10}, at: day(3, 7), open: true})
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 60}, at: day(3, 8), open: true})
	_, err := p.ship("K-1", 8, day(3, 9))
	require.NoError(t, err)
	_, err = p.post(run{id: "R-1", in: map[string]int64{"D-1": 1}, at: day(3, 8), open: true})
	require.Equal(t, "line_known", reason(err))
	p.mustPost(run{id: "R-1", out: map[string]int64{"K-1": 5}, at: day(3, 9), open: true, first: 1})
	answer := p.mustPost(run{id: "R-1", out: map[string]int64{"K-2": 30}, at: day(3, 9), first: 2})
	require.EqualValues(t, 60*pound, answer.GetInputMicropounds())
	require.EqualValues(t, 45*pound, answer.GetOutputMicropounds())
	require.EqualValues(t, 7, p.onHand("K-1"))
	_, err = p.post(run{id: "R-1", in: map[string]int64{"D-1": 1}, at: day(3, 8), open: true, first: 5})
	require.Equal(t, "run_complete", reason(err))
	p.production.say(day(3, 10), lot.RunCompleted{Run: "R-1", Version: 1, End: day(3, 10), Input: 60 * pound, Output: 45 * pound, Unaccounted: 15 * pound})
	p.receive("Z", 1, day(3, 8))
	require.EqualValues(t, 1, p.onHand("Z"))
	p.quiet()
	p.production.say(day(3, 10), lot.RunCompleted{Run: "R-1", Version: 1, End: day(3, 10), Input: 61 * pound, Output: 45 * pound, Unaccounted: 16 * pound})
	require.Eventually(t, func() bool {
		answer, err := p.as("auditor").ListQuarantine(t.Context(), &inventoryv1.ListQuarantineRequest{})
		return err == nil && len(answer.GetEvents()) == 1
	}, 20*time.Second, 20*time.Millisecond, "a balance that differs from the ledger's goes to quarantine")
}

// A run is never fed from what was made of its own outputs, however far down. The deliberate break it catches: looking one level up.
func TestRunIsNotFedFromItself(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 90}, out: map[string]int64{"K-1": 40}, at: day(3, 8), open: true})
	p.mustPost(run{id: "R-2", in: map[string]int64{"K-1": 40}, out: map[string]int64{"K-2": 40}, at: day(4, 8)})
	p.mustPost(run{id: "R-3", in: map[string]int64{"K-2": 40}, out: map[string]int64{"K-3": 40}, at: day(5, 8)})
	for in, want := range map[string]string{"K-1": "stock_short", "K-3": "run_cycle"} {
		_, err := p.post(run{id: "R-1", in: map[string]int64{in: 1}, at: day(6, 8), open: true, first: 9})
		if in == "K-1" {
			want = "run_cycle"
		}
		require.Equal(t, want, reason(err), in)
	}
	_, err := p.post(run{id: "R-4", in: map[string]int64{"K-3": 1}, out: map[string]int64{"K-3": 1}, at: day(6, 8)})
	require.Equal(t, "run_cycle", reason(err))
	p.quiet()
}

func TestGainNeedsItsReason(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	r := run{id: "R-1", in: map[string]int64{"D-1": 10}, out: map[string]int64{"K-1": 11}, at: day(3, 8)}
	_, err := p.post(r)
	require.Equal(t, "run_gain_unexplained", reason(err))
	require.ErrorContains(t, err, "11.000 lb came out and 10.000 lb went in")
	r.gain = "steamed"
	p.mustPost(r)
	p.quiet()
}

func TestContributionTable(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	row := func(in, out string, pounds int64) *eventv1.Contribution {
		return &eventv1.Contribution{Input: in, Output: out, Quantity: pounds * pound}
	}
	r := run{id: "R-1", in: map[string]int64{"D-1": 50, "D-2": 50}, out: map[string]int64{"K-1": 40, "K-2": 45}, at: day(3, 8)}
	for _, test := range []struct {
		name  string
		table []*eventv1.Contribution
		want  string
	}{
		{"output not covered", []*eventv1.Contribution{row("D-1", "K-1", 39), row("D-2", "K-2", 45)}, "contribution_mismatch"},
		{"more than the input", []*eventv1.Contribution{row("D-1", "K-1", 40), row("D-1", "K-2", 45)}, "contribution_mismatch"},
		{"main output left out", []*eventv1.Contribution{row("D-1", "K-1", 40)}, "contribution_mismatch"},
		{"unknown input", []*eventv1.Contribution{row("D-3", "K-1", 40), row("D-2", "K-2", 45)}, "contribution_unknown"},
		{"twice", []*eventv1.Contribution{row("D-1", "K-1", 20), row("D-1", "K-1", 20), row("D-2", "K-2", 45)}, "contribution_repeated"},
		{"exact", []*eventv1.Contribution{row("D-1", "K-1", 40), row("D-1", "K-2", 5), row("D-2", "K-2", 40)}, ""},
	} {
		r.table = test.table
		_, err := p.post(r)
		require.Equal(t, test.want, reason(err), test.name)
	}
	drill, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "K-1"})
	require.NoError(t, err)
	require.Len(t, drill.GetAncestors(), 1)
	p.quiet()
}

// A run is corrected after part of its output was shipped: what the shipment needs must stay, the rest follows the new version.
func TestCorrectionAfterShipment(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40, "K-9": 5}, at: day(3, 8)})
	shipped, err := p.ship("K-1", 30, day(4, 8))
	require.NoError(t, err)
	version := func(in, out int64) *eventv1.RunPosted {
		return run{id: "R-1", in: map[string]int64{"D-1": in}, out: map[string]int64{"K-1": out}, at: day(3, 8), version: 2}.posted()
	}
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{version(90, 25)}})
	require.Equal(t, "stock_short", reason(err))
	require.ErrorContains(t, err, "25.000 lb")
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{version(101, 40)}})
	require.Equal(t, "stock_short", reason(err))
	require.EqualValues(t, 20, p.onHand("D-1"), "a refused set leaves nothing")
	_, err = p.correct(&eventv1.LotsCorrected{Shipments: []*eventv1.LotShipped{{
		Shipment: shipped.GetShipment(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Lines: []*eventv1.ShippedLine{{Line: 2, Lot: "D-1", Quantity: pound}},
	}}})
	require.Equal(t, "line_unknown", reason(err))
	require.ErrorContains(t, err, "shipment "+shipped.GetShipment()+": it has no line 2")
	answer, err := p.correct(&eventv1.LotsCorrected{
		Runs: []*eventv1.RunPosted{version(90, 25)},
		Shipments: []*eventv1.LotShipped{{
			Shipment: shipped.GetShipment(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "SHOP", Lines: []*eventv1.ShippedLine{{Line: 1, Lot: "K-1", Quantity: 24 * pound}},
		}},
	})
	require.NoError(t, err, "judged as a whole")
	require.EqualValues(t, 90*pound, answer.GetInputMicropounds())
	require.EqualValues(t, 10, p.onHand("D-1"))
	require.EqualValues(t, 1, p.onHand("K-1"))
	gone, err := p.peer.GetLot(t.Context(), &inventoryv1.GetLotRequest{Lot: "K-9"})
	require.NoError(t, err)
	require.True(t, gone.GetLot().GetVoided())
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{version(90, 25)}})
	require.Equal(t, "run_version", reason(err))
	back := run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40, "K-9": 5}, at: day(3, 8), version: 3}.posted()
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{back}})
	require.NoError(t, err, "a lot that was taken away comes back")
	require.EqualValues(t, 5, p.onHand("K-9"))
	require.EqualValues(t, 16, p.onHand("K-1"))
	p.quiet()
}

func TestDeliveryCorrection(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40}, at: day(3, 8)})
	now := func(pounds int64) *eventv1.LotReceived {
		return &eventv1.LotReceived{
			Lot: "D-1", Source: eventv1.Source_SOURCE_DELIVERY, Item: "NUT", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: pounds * pound,
			Party: "GROWER", Ownership: eventv1.Ownership_OWNERSHIP_COMPANY,
		}
	}
	set := func(version, pounds int64, voided bool) error {
		_, err := p.correct(&eventv1.LotsCorrected{Deliveries: []*eventv1.DeliveryCorrected{{Version: version, Voided: voided, Reason: "x", Now: now(pounds)}}})
		return err
	}
	err := set(2, 70, false)
	require.Equal(t, "stock_short", reason(err))
	require.ErrorContains(t, err, "receiving variance")
	require.Equal(t, "stock_short", reason(set(2, 100, true)), "what was used cannot be voided")
	require.Equal(t, "delivery_version", reason(set(3, 90, false)))
	require.NoError(t, set(2, 90, false))
	require.EqualValues(t, 10, p.onHand("D-1"))
	p.intake.say(day(3, 8), lot.DeliveryCorrected{Version: 2, Reason: "x", Now: lot.Received{
		Lot: "D-1", Source: lot.Delivery, Item: "NUT", Measure: lot.ByWeight, Quantity: 90 * pound, Party: "GROWER", Ownership: lot.Company,
	}}, "D-1")
	p.receive("D-2", 5, day(3, 8))
	require.EqualValues(t, 5, p.onHand("D-2"))
	_, err = p.correct(&eventv1.LotsCorrected{Deliveries: []*eventv1.DeliveryCorrected{{Version: 2, Voided: true, Reason: "x", Now: &eventv1.LotReceived{
		Lot: "D-2", Source: eventv1.Source_SOURCE_DELIVERY, Item: "NUT", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: 5 * pound, Party: "GROWER",
		Ownership: eventv1.Ownership_OWNERSHIP_COMPANY,
	}}}})
	require.NoError(t, err)
	_, err = p.ship("D-2", 1, day(5, 8))
	require.Equal(t, "lot_voided", reason(err))
	p.quiet()
}

// A correction may not make a run its own ancestor.
func TestCorrectionClosesNoLoop(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 40}, at: day(3, 8)})
	p.mustPost(run{id: "R-2", in: map[string]int64{"K-1": 20}, out: map[string]int64{"K-2": 20}, at: day(4, 8)})
	_, err := p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{
		run{id: "R-1", in: map[string]int64{"D-1": 40, "K-2": 5}, out: map[string]int64{"K-1": 40}, at: day(5, 8), version: 2}.posted(),
	}})
	require.Contains(t, []string{"run_cycle", "stock_short", "before_birth"}, reason(err))
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{
		run{id: "R-1", in: map[string]int64{"D-1": 40, "K-2": 5}, out: map[string]int64{"K-1": 40}, at: day(3, 8), version: 2}.posted(),
		run{id: "R-2", in: map[string]int64{"K-1": 20}, out: map[string]int64{"K-2": 20}, at: day(4, 8), version: 2}.posted(),
	}})
	require.Equal(t, "run_cycle", reason(err))
	p.quiet()
}

func TestPackagingIsCounted(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.intake.say(day(2, 8), lot.Received{
		Lot: "BX-1", Source: lot.IngredientReceipt, Item: "BOX", Measure: lot.ByCount, Quantity: 500, Party: "GROWER", Ownership: lot.Company,
	}, "BX-1")
	r := run{id: "R-1", in: map[string]int64{"D-1": 10}, out: map[string]int64{"K-1": 10}, at: day(3, 8)}
	req := r.request()
	req.GetRun().Inputs = append(req.GetRun().Inputs, &eventv1.RunInput{Line: 7, Lot: "BX-1", Quantity: 12, At: stamp(r.at)})
	answer, err := p.peer.PostMovement(t.Context(), req)
	require.NoError(t, err)
	require.EqualValues(t, 10*pound, answer.GetInputMicropounds(), "boxes are no pounds")
	req = run{id: "R-2", at: day(3, 8)}.request()
	req.GetRun().Inputs = []*eventv1.RunInput{{Line: 1, Lot: "BX-1", Quantity: 489, At: stamp(r.at)}}
	_, err = p.peer.PostMovement(t.Context(), req)
	require.ErrorContains(t, err, "there was 488 pieces")
	p.quiet()
}

func TestMoveAndPlaces(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	clerk := p.as("clerk")
	move := func(id, from, to string, pounds int64, d int) error {
		_, err := clerk.MoveLot(t.Context(), &inventoryv1.MoveLotRequest{
			CommandId: uuid.NewString(), Lot: id, Quantity: pounds * pound, FromPlace: from, ToPlace: to, Effective: stamp(day(d, 8)),
		})
		return err
	}
	require.Equal(t, "place_unknown", reason(move("D-1", "", "COLD", 40, 3)))
	for place, bin := range map[string]bool{"COLD": false, "BIN": true} {
		_, err := clerk.RegisterPlace(t.Context(), &inventoryv1.RegisterPlaceRequest{
			CommandId: uuid.NewString(), Place: &inventoryv1.Place{Place: place, Bin: bin},
		})
		require.NoError(t, err)
	}
	require.NoError(t, move("D-1", "", "COLD", 40, 3))
	require.Equal(t, "stock_short", reason(move("D-1", "COLD", "BIN", 10, 2)), "before it was there")
	require.NoError(t, move("D-1", "COLD", "BIN", 10, 4))
	require.Equal(t, "bin_occupied", reason(move("D-2", "", "BIN", 10, 4)))
	answer, err := p.peer.GetLot(t.Context(), &inventoryv1.GetLotRequest{Lot: "D-1"})
	require.NoError(t, err)
	require.Len(t, answer.GetLot().GetBalances(), 3)
	p.quiet()
}

// A pour that was forgotten comes in after the bin was drawn, in a correction set; one that never was goes.
func TestPoursAreCorrected(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	_, err := p.as("clerk").RecordPour(t.Context(), &inventoryv1.RecordPourRequest{
		CommandId: uuid.NewString(), Pour: "P-1", BinLot: "B-1", Lot: "D-1", Quantity: 60 * pound, Effective: stamp(day(3, 8)),
	})
	require.NoError(t, err)
	p.mustPost(run{id: "R-1", in: map[string]int64{"B-1": 50}, out: map[string]int64{"K-1": 20}, at: day(5, 8)})
	pour := func(id, from string, pounds int64) *eventv1.LotPoured {
		return &eventv1.LotPoured{Pour: id, BinLot: "B-1", Item: "NUT", Measure: eventv1.Measure_MEASURE_WEIGHT, Lot: from, Quantity: pounds * pound}
	}
	_, err = p.correct(&eventv1.LotsCorrected{Pours: []*eventv1.LotPoured{pour("P-1", "D-1", 40)}})
	require.Equal(t, "stock_short", reason(err), "50 lb were drawn")
	_, err = p.correct(&eventv1.LotsCorrected{Pours: []*eventv1.LotPoured{pour("P-1", "D-2", 50)}})
	require.NoError(t, err, "another lot was poured")
	require.EqualValues(t, 100, p.onHand("D-1"))
	require.EqualValues(t, 50, p.onHand("D-2"))
	require.EqualValues(t, 0, p.onHand("B-1"))
	origins, err := p.as("auditor").Origins(t.Context(), &inventoryv1.OriginsRequest{Lot: "K-1"})
	require.NoError(t, err)
	require.Equal(t, "D-2", origins.GetOrigins()[0].GetLot())
	_, err = p.correct(&eventv1.LotsCorrected{Pours: []*eventv1.LotPoured{pour("P-1", "D-2", 0)}})
	require.Equal(t, "stock_short", reason(err))
	_, err = p.correct(&eventv1.LotsCorrected{Pours: []*eventv1.LotPoured{pour("P-1", "K-1", 10)}})
	require.Equal(t, "bin_item", reason(err), "a bin holds one item")
	p.quiet()
}

// An adjustment is corrected, and taken away, at the time it was for.
func TestAdjustmentsAreCorrected(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	_, err := p.as("clerk").AdjustLot(t.Context(), &inventoryv1.AdjustLotRequest{
		CommandId: uuid.NewString(), Adjustment: "A-1", Lot: "D-1", Delta: -10 * pound, Reason: "moisture", Effective: stamp(day(3, 8)),
	})
	require.NoError(t, err)
	_, err = p.ship("D-1", 85, day(4, 8))
	require.NoError(t, err)
	set := func(delta int64) error {
		_, err := p.correct(&eventv1.LotsCorrected{Adjustments: []*eventv1.LotAdjusted{{Adjustment: "A-1", Lot: "D-1", Delta: delta * pound, Reason: "damage"}}})
		return err
	}
	err = set(-16)
	require.Equal(t, "stock_short", reason(err))
	require.ErrorContains(t, err, "2025-01-03T08:00:00Z", "judged when it was, not when it was corrected")
	require.NoError(t, set(-15))
	require.EqualValues(t, 0, p.onHand("D-1"))
	require.NoError(t, set(0))
	require.NoError(t, set(-1))
	require.EqualValues(t, 14, p.onHand("D-1"))
	p.quiet()
}

// Pieces weigh what one of them does: more tins than pounds went in is a gain, and a complete run's sums count them in.
func TestCountedGoodsWeigh(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	pack := func(id string, tins int64, open bool) (*inventoryv1.PostMovementResponse, error) {
		r := run{id: id, in: map[string]int64{"D-1": 10}, at: day(3, 8), open: open}.request()
		r.GetRun().Outputs = []*eventv1.RunOutput{{
			Line: 1, Lot: "T-" + id, Item: "TIN", Measure: eventv1.Measure_MEASURE_COUNT, Quantity: tins, Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: stamp(day(3, 9)),
		}}
		return p.peer.PostMovement(t.Context(), r)
	}
	_, err := pack("R-1", 21, false)
	require.Equal(t, "run_gain_unexplained", reason(err))
	answer, err := pack("R-1", 18, false)
	require.NoError(t, err)
	require.EqualValues(t, 9*pound, answer.GetOutputMicropounds())
	p.production.say(day(3, 10), lot.RunCompleted{Run: "R-1", Version: 1, End: day(3, 10), Input: 10 * pound, Output: 9 * pound, Unaccounted: pound})
	_, err = pack("R-2", 4, true)
	require.NoError(t, err)
	last := run{id: "R-2", at: day(3, 9)}.request()
	last.GetRun().Outputs = []*eventv1.RunOutput{{
		Line: 2, Lot: "T-R-2", Item: "TIN", Measure: eventv1.Measure_MEASURE_COUNT, Quantity: 6, Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: stamp(day(3, 9)),
	}}
	answer, err = p.peer.PostMovement(t.Context(), last)
	require.NoError(t, err)
	require.EqualValues(t, 5*pound, answer.GetOutputMicropounds(), "what was filled before is counted in")
	p.receive("Z", 1, day(3, 8))
	require.EqualValues(t, 1, p.onHand("Z"))
	var unaccounted, open int64
	const sql = `select coalesce(sum(quantity) filter (where account = 'unaccounted' and measure = 1), 0), coalesce(sum(quantity) filter (where account like 'run/%'), 0) from legs`
	require.NoError(t, p.db.Pool().QueryRow(t.Context(), sql).Scan(&unaccounted, &open))
	require.EqualValues(t, 6*pound, unaccounted)
	require.Zero(t, open)
	p.quiet()
}
