package inventory_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// fill is an output of a run: pounds into a container at an hour of the fourth, loose where it names none.
type fill struct {
	container string
	pounds    int64
	hour      int
}

// filled posts a complete run that took in 200 lb of a lot and gave one lot by fills.
func (p *plant) filled(from, to string, fills ...fill) *eventv1.RunPosted {
	p.t.Helper()
	r := run{id: "R-" + to, in: map[string]int64{from: 200}, at: day(4, 8)}.request()
	for i, f := range fills {
		r.GetRun().Outputs = append(r.GetRun().Outputs, &eventv1.RunOutput{
			Line: int64(i + 1), Lot: to, Item: "HALF", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: f.pounds * pound, Container: f.container,
			Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: stamp(day(4, f.hour)), FilledTo: stamp(day(4, f.hour)),
		})
	}
	r.Effective = stamp(day(4, 20))
	_, err := p.peer.PostMovement(p.t.Context(), r)
	require.NoError(p.t, err)
	return r.GetRun()
}

// shipFrom sells pounds of a lot from containers.
func (p *plant) shipFrom(id string, pounds int64, at time.Time, containers ...string) (string, error) {
	return p.shipFromPlace(id, "", pounds, at, containers...)
}

func (p *plant) shipFromPlace(id, place string, pounds int64, at time.Time, containers ...string) (string, error) {
	answer, err := p.as("shipper").ShipGoods(p.t.Context(), &inventoryv1.ShipGoodsRequest{
		CommandId: uuid.NewString(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "SHOP", Effective: stamp(at),
		Lines: []*eventv1.ShippedLine{{Lot: id, Place: place, Quantity: pounds * pound, Containers: containers}},
	})
	return answer.GetShipment(), err
}

// dump posts a run that takes pounds of a lot from a container.
func (p *plant) dump(from, container string, pounds int64, to string, at time.Time) error {
	r := run{id: "R-" + to, in: map[string]int64{from: pounds}, out: map[string]int64{to: pounds}, at: at}.request()
	r.GetRun().Inputs[0].Container = container
	_, err := p.peer.PostMovement(p.t.Context(), r)
	return err
}

// containers is what is left in the containers of a lot, and the holds on them.
func (p *plant) containers(id string) (out []string) {
	p.t.Helper()
	answer, err := p.peer.GetLot(p.t.Context(), &inventoryv1.GetLotRequest{Lot: id})
	require.NoError(p.t, err)
	for _, c := range answer.GetLot().GetContainers() {
		out = append(out, fmt.Sprintf("%s %s %d %v", c.GetContainer(), c.GetPlace(), c.GetQuantity()/pound, c.GetHolds()))
	}
	return out
}

// What names a container draws on it and on no other; what names none draws on loose goods. The deliberate break it catches: a draw that
// names none and takes from what lies in containers, or a container that a correction leaves with more than lies there.
func TestContainers(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 1000, day(2, 8))
	posted := p.filled("D-1", "K-1", fill{"C1", 40, 9}, fill{"C2", 50, 10}, fill{"", 30, 11})
	move := func(to string, pounds int64, containers ...string) error {
		_, err := p.as("clerk").MoveLot(t.Context(), &inventoryv1.MoveLotRequest{
			CommandId: uuid.NewString(), Lot: "K-1", Quantity: pounds * pound, ToPlace: to, Effective: stamp(day(5, 8)), Containers: containers,
		})
		return err
	}
	_, err := p.as("clerk").RegisterPlace(t.Context(), &inventoryv1.RegisterPlaceRequest{CommandId: uuid.NewString(), Place: &inventoryv1.Place{Place: "cold"}})
	require.NoError(t, err)
	for _, test := range []struct {
		name, want string
		err        error
	}{
		{"loose goods are fewer", "goods_contained", p.dump("K-1", "", 31, "X-1", day(5, 8))},
		{"more than is left in it", "container_short", p.dump("K-1", "C1", 41, "X-1", day(5, 8))},
		{"no such container", "container_unknown", p.dump("K-1", "C9", 1, "X-1", day(5, 8))},
		{"before it was filled", "before_fill", p.dump("K-1", "C2", 1, "X-1", day(4, 9))},
		{"a part of a container carried away", "container_partial", move("cold", 39, "C1")},
	} {
		require.Equal(t, test.want, reason(test.err), test.name)
	}
	require.NoError(t, move("cold", 40, "C1"))
	require.Equal(t, "container_elsewhere", reason(p.dump("K-1", "C1", 1, "X-1", day(5, 9))))
	shipment, err := p.shipFrom("K-1", 20, day(5, 9), "C2")
	require.NoError(t, err)
	require.NoError(t, p.dump("K-1", "", 10, "X-1", day(5, 9)))
	require.Equal(t, []string{"C1 cold 40 []", "C2  30 []"}, p.containers("K-1"))
	_, err = p.as("clerk").AdjustLot(t.Context(), &inventoryv1.AdjustLotRequest{
		CommandId: uuid.NewString(), Lot: "K-1", Delta: -25 * pound, Reason: "damage", Effective: stamp(day(5, 10)),
	})
	require.NoError(t, err, "20 lb loose, then 5 lb of what stands here")
	require.Equal(t, []string{"C1 cold 40 []", "C2  25 []"}, p.containers("K-1"))
	p.quiet()

	_, err = p.correct(&eventv1.LotsCorrected{Shipments: []*eventv1.LotShipped{{Shipment: shipment, Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Lines: []*eventv1.ShippedLine{
		{Line: 1, Lot: "K-1", Quantity: 15 * pound, Containers: []string{"C2"}},
	}}}})
	require.NoError(t, err)
	require.Equal(t, []string{"C1 cold 40 []", "C2  30 []"}, p.containers("K-1"))
	posted.Version, posted.Outputs[0].Quantity = 2, 30*pound
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{posted}})
	require.Contains(t, []string{"container_short", "stock_short"}, reason(err), "40 lb were carried away in it")
	posted.Outputs[0].Quantity, posted.Outputs[1].Quantity = 40*pound, 55*pound
	_, err = p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{posted}})
	require.NoError(t, err)
	require.Equal(t, []string{"C1 cold 40 []", "C2  35 []"}, p.containers("K-1"))
	p.quiet()
	again := run{id: "R-K-1", out: map[string]int64{"K-1": 1}, at: day(4, 8), open: true, first: 9}.request()
	again.GetRun().Outputs[0].Container = "C1"
	_, err = p.peer.PostMovement(t.Context(), again)
	require.Equal(t, "run_complete", reason(err))
}

// A hold on containers or on a fill window leaves the rest free, and reaches what was made after the first fill that is held. The deliberate
// break it catches: a hold on a part that binds the whole lot, or one that binds nothing below it.
func TestHoldOnAPart(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 1000, day(2, 8))
	p.filled("D-1", "K-1", fill{"C1", 40, 9}, fill{"C2", 50, 12}, fill{"", 20, 10}, fill{"", 30, 13})
	require.NoError(t, p.dump("K-1", "C1", 1, "EARLY", day(4, 11)))
	hold := func(name string, class eventv1.HoldClass, from, to int, containers ...string) error {
		req := &inventoryv1.PlaceHoldRequest{
			CommandId: uuid.NewString(), Hold: name, Lot: "K-1", Class: class, Containers: containers, Reason: "metal", Effective: stamp(day(5, 8)),
		}
		if to > 0 {
			req.FillFrom, req.FillTo = stamp(day(4, from)), stamp(day(4, to))
		}
		_, err := p.as("quality").PlaceHold(t.Context(), req)
		return err
	}
	require.Equal(t, "container_unknown", reason(hold("H-0", commercial, 0, 0, "C9")))
	require.NoError(t, hold("H-1", safety, 0, 0, "C2"))
	require.Equal(t, []string{"K-1"}, p.rest("H-1"), "what was made before the container was filled is free")
	require.NoError(t, hold("H-2", commercial, 12, 14))
	require.Equal(t, []string{"C1  39 []", "C2  50 [H-1 H-2]"}, p.containers("K-1"))

	_, err := p.shipFrom("K-1", 1, day(6, 8), "C2")
	require.Equal(t, "lot_held", reason(err))
	_, err = p.shipFrom("K-1", 21, day(6, 8))
	require.Equal(t, "lot_held", reason(err))
	require.ErrorContains(t, err, "20.000 lb is free and 30.000 lb is held")
	_, err = p.shipFrom("K-1", 9, day(6, 8), "C1")
	require.NoError(t, err)
	_, err = p.shipFrom("K-1", 20, day(6, 8))
	require.NoError(t, err)
	_, err = p.shipFrom("K-1", 1, day(6, 8))
	require.Equal(t, "lot_held", reason(err), "what is left of the loose goods was filled within the window")

	require.NoError(t, p.dump("K-1", "C1", 10, "LATE", day(6, 9)), "free, yet what is made of it is held: nobody knows")
	require.Equal(t, []string{"K-1", "LATE"}, p.rest("H-1"))
	_, err = p.shipFrom("EARLY", 1, day(6, 9))
	require.NoError(t, err)
	_, err = p.as("quality").DecideDisposition(t.Context(), &inventoryv1.DecideDispositionRequest{
		CommandId: uuid.NewString(), Hold: "H-2", Lot: "K-1", Decision: eventv1.Disposition_DISPOSITION_RESORT, Quantity: 5 * pound, Reason: "x",
	})
	require.NoError(t, err)
	require.NoError(t, p.dump("K-1", "", 5, "SORTED", day(6, 10)))
	require.Equal(t, []string{"K-1", "SORTED"}, p.rest("H-2"), "made of what was held under it")
	p.quiet()
}

// What is made of excluded lots is excluded with them, what is made of held ones too is held, whenever it was made. The deliberate break it
// catches: a lot below a safety hold that is neither held nor excluded.
func TestExcludedWithItsParents(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 20, "K-2": 20}, at: day(3, 8)})
	_, err := p.hold("quality", "H-1", "D-1", safety, false)
	require.NoError(t, err)
	require.Equal(t, []string{"D-1", "K-1", "K-2"}, p.rest("H-1"))
	_, err = p.as("quality").ExcludeFromHold(t.Context(), &inventoryv1.ExcludeFromHoldRequest{CommandId: uuid.NewString(), Hold: "H-1", Lot: "K-1", Reason: "clean"})
	require.NoError(t, err)
	require.Equal(t, []string{"D-1", "K-2"}, p.rest("H-1"))
	p.mustPost(run{id: "R-2", in: map[string]int64{"K-1": 10, "D-2": 10}, out: map[string]int64{"M-1": 20}, at: day(4, 8), open: true})
	p.mustPost(run{id: "R-3", in: map[string]int64{"M-1": 5}, out: map[string]int64{"M-2": 5}, at: day(4, 18)})
	excluded := func() []string {
		require.Equal(t, false, len(p.rest("H-1")) == 0)
		answer, err := p.as("auditor").ListHolds(t.Context(), &inventoryv1.ListHoldsRequest{})
		require.NoError(t, err)
		return answer.GetHolds()[0].GetExcluded()
	}
	require.Equal(t, []string{"K-1", "M-1", "M-2"}, excluded())
	_, err = p.ship("M-2", 1, day(5, 8))
	require.NoError(t, err)
	_, err = p.as("quality").DecideDisposition(t.Context(), &inventoryv1.DecideDispositionRequest{
		CommandId: uuid.NewString(), Hold: "H-1", Lot: "K-2", Decision: eventv1.Disposition_DISPOSITION_REWORK, Quantity: 10 * pound, Reason: "x",
	})
	require.NoError(t, err)
	p.mustPost(run{id: "R-2", in: map[string]int64{"K-2": 10}, at: day(5, 8), first: 5})
	require.Equal(t, []string{"D-1", "K-2", "M-1", "M-2"}, p.rest("H-1"), "something held went in")
	require.Equal(t, []string{"K-1"}, excluded())
	_, err = p.ship("M-2", 1, day(6, 8))
	require.Equal(t, "lot_held", reason(err))
	p.quiet()
}

// A drill at printed positions shows where goods stood then, whatever was carried since.
func TestDrillShowsPlacesOfThePast(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 40}, at: day(3, 8)})
	_, err := p.as("clerk").RegisterPlace(t.Context(), &inventoryv1.RegisterPlaceRequest{CommandId: uuid.NewString(), Place: &inventoryv1.Place{Place: "cold"}})
	require.NoError(t, err)
	places := func(asOf []*eventv1.Receipt) (out []string, at []*eventv1.Receipt) {
		answer, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1", AsOf: asOf})
		require.NoError(t, err)
		for _, b := range answer.GetAffected()[0].GetBalances() {
			out = append(out, fmt.Sprintf("%s %d", b.GetPlace(), b.GetQuantity()/pound))
		}
		return out, answer.GetAsOf()
	}
	before, then := places(nil)
	require.Equal(t, []string{" 40"}, before)
	_, err = p.as("clerk").MoveLot(t.Context(), &inventoryv1.MoveLotRequest{
		CommandId: uuid.NewString(), Lot: "K-1", Quantity: 30 * pound, ToPlace: "cold", Effective: stamp(day(4, 8)),
	})
	require.NoError(t, err)
	now, _ := places(nil)
	require.Equal(t, []string{" 10", "cold 30"}, now)
	before, _ = places(then)
	require.Equal(t, []string{" 40"}, before)
}

// A list of holds shows what part of its root each lies on.
func TestHoldsShowTheirScope(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 200, day(2, 8))
	p.filled("D-1", "K-1", fill{"C1", 30, 9}, fill{"C2", 20, 10}, fill{"", 10, 11})
	window := &inventoryv1.PlaceHoldRequest{FillFrom: stamp(day(4, 10)), FillTo: stamp(day(4, 12))}
	for id, req := range map[string]*inventoryv1.PlaceHoldRequest{
		"H-whole": {}, "H-containers": {Containers: []string{"C2", "C1"}}, "H-window": window, "H-since": {FillFrom: stamp(day(4, 10))},
	} {
		req.CommandId, req.Hold, req.Lot, req.Class, req.Reason, req.Effective = uuid.NewString(), id, "K-1", safety, "metal", stamp(day(5, 8))
		_, err := p.as("quality").PlaceHold(t.Context(), req)
		require.NoError(t, err)
	}
	answer, err := p.as("auditor").ListHolds(t.Context(), &inventoryv1.ListHoldsRequest{Lot: "K-1"})
	require.NoError(t, err)
	require.Len(t, answer.GetHolds(), 4)
	for _, h := range answer.GetHolds() {
		var containers []string
		var from, to *timestamppb.Timestamp
		switch h.GetHold() {
		case "H-containers":
			containers = []string{"C2", "C1"}
		case "H-window":
			from, to = window.FillFrom, window.FillTo
		case "H-since":
			from = window.FillFrom
		}
		require.Equal(t, containers, h.GetContainers(), h.GetHold())
		require.True(t, proto.Equal(from, h.GetFillFrom()) && proto.Equal(to, h.GetFillTo()), h)
	}
}
