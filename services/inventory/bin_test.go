package inventory_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// A bin holds one lot at a time, whatever brings another: outputs and returns too, and two outputs of one run. The run that draws a bin empty may
// fill it again, and a correction may put an output where it lay. The deliberate breaks it catches: a way in that does not ask, or asks without
// the bin's lock, so that it sees no lots there.
func TestBinHoldsOneLot(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	for _, bin := range []string{"BIN", "BIN-2"} {
		_, err := p.as("clerk").RegisterPlace(t.Context(), &inventoryv1.RegisterPlaceRequest{
			CommandId: uuid.NewString(), Place: &inventoryv1.Place{Place: bin, Bin: true},
		})
		require.NoError(t, err)
	}
	fill := func(r run, places ...string) error {
		req := r.request()
		for i, place := range places {
			req.GetRun().GetOutputs()[i].Place = place
		}
		for _, in := range req.GetRun().GetInputs() {
			if in.GetLot() != "D-1" {
				in.Place = "BIN"
			}
		}
		_, err := p.peer.PostMovement(t.Context(), req)
		return err
	}
	require.NoError(t, fill(run{id: "R-1", in: map[string]int64{"D-1": 20}, out: map[string]int64{"K-1": 10}, at: day(3, 8)}, "BIN"))
	err := fill(run{id: "R-2", in: map[string]int64{"D-1": 20}, out: map[string]int64{"K-2": 10}, at: day(3, 9)}, "BIN")
	require.Equal(t, "bin_occupied", reason(err))
	require.ErrorContains(t, err, "bin BIN: it holds lot K-1")
	err = fill(run{id: "R-2", in: map[string]int64{"D-1": 20}, out: map[string]int64{"K-2": 5, "K-3": 5}, at: day(3, 9)}, "BIN-2", "BIN-2")
	require.Equal(t, "bin_occupied", reason(err))
	shipped, err := p.ship("D-1", 10, day(4, 8))
	require.NoError(t, err)
	back := func(place string) error {
		_, err := p.as("shipper").ReturnGoods(t.Context(), &inventoryv1.ReturnGoodsRequest{
			CommandId: uuid.NewString(), Shipment: shipped.GetShipment(), Quantity: 5 * pound, Place: place, Effective: stamp(day(5, 8)),
		})
		return err
	}
	require.Equal(t, "bin_occupied", reason(back("BIN")))
	require.NoError(t, back("BIN-2"))
	require.NoError(t, fill(run{id: "R-3", in: map[string]int64{"K-1": 10}, out: map[string]int64{"K-4": 9}, at: day(5, 8)}, "BIN"))
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{{
		Run: "R-1", Version: 2, Stage: "shell", Final: true,
		Inputs: []*eventv1.RunInput{{Line: 1, Lot: "D-1", Quantity: 20 * pound, At: stamp(day(3, 8))}},
		Outputs: []*eventv1.RunOutput{{
			Line: 1, Lot: "K-1", Item: "HALF", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: 11 * pound, Place: "BIN",
			Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: stamp(day(3, 9)),
		}},
	}}})
	require.NoError(t, err, "it lay there then")
	p.quiet()
}
