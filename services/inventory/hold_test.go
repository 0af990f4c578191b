package inventory_test

import (
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

func (p *plant) hold(by, id, on string, class eventv1.HoldClass, recall bool) (*inventoryv1.PlaceHoldResponse, error) {
	return p.as(by).PlaceHold(p.t.Context(), &inventoryv1.PlaceHoldRequest{
		CommandId: uuid.NewString(), Hold: id, Lot: on, Class: class, Reason: "positive test", Recall: recall, Effective: stamp(clock()),
	})
}

const (
	safety     = eventv1.HoldClass_HOLD_CLASS_SAFETY
	commercial = eventv1.HoldClass_HOLD_CLASS_COMMERCIAL
)

// rest waits until a hold has reached all it has to, and gives the lots it is on.
func (p *plant) rest(id string) []string {
	p.t.Helper()
	var lots []string
	require.Eventually(p.t, func() bool {
		answer, err := p.as("auditor").ListHolds(p.t.Context(), &inventoryv1.ListHoldsRequest{EndedToo: true, PageSize: 1000})
		if err != nil {
			return false
		}
		for _, h := range answer.GetHolds() {
			if h.GetHold() == id && !h.GetSpreading() {
				lots = h.GetLots()
				return true
			}
		}
		return false
	}, 20*time.Second, 20*time.Millisecond)
	return lots
}

func TestSafetyHoldSpreads(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 20, "K-2": 20}, at: day(3, 8)})
	p.mustPost(run{id: "R-2", in: map[string]int64{"K-1": 10, "D-2": 10}, out: map[string]int64{"M-1": 10}, at: day(4, 8)})
	_, err := p.hold("quality", "H-1", "D-1", safety, false)
	require.NoError(t, err)
	require.Equal(t, []string{"D-1", "K-1", "K-2", "M-1"}, p.rest("H-1"))
	for _, id := range []string{"D-1", "K-2", "M-1"} {
		_, err := p.ship(id, 1, day(6, 8))
		require.Equal(t, "lot_held", reason(err), id)
	}
	_, err = p.ship("D-2", 1, day(6, 8))
	require.NoError(t, err)
	exclude := func(id string) error {
		_, err := p.as("quality").ExcludeFromHold(t.Context(), &inventoryv1.ExcludeFromHoldRequest{
			CommandId: uuid.NewString(), Hold: "H-1", Lot: id, Reason: "tested clean",
		})
		return err
	}
	require.Equal(t, "hold_root", reason(exclude("D-1")))
	require.Equal(t, "hold_elsewhere", reason(exclude("D-2")))
	require.NoError(t, exclude("M-1"))
	_, err = p.ship("M-1", 1, day(6, 8))
	require.NoError(t, err)
	drill, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1"})
	require.NoError(t, err)
	require.Equal(t, []string{"H-1"}, drill.GetHolds())
	_, err = p.as("quality").ReleaseHold(t.Context(), &inventoryv1.ReleaseHoldRequest{CommandId: uuid.NewString(), Hold: "H-1", Reason: "clean"})
	require.NoError(t, err)
	_, err = p.ship("K-2", 1, day(6, 8))
	require.NoError(t, err)
	p.quiet()
}

func TestCommercialHoldDoesNotSpread(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 20}, at: day(3, 8)})
	_, err := p.hold("quality", "H-1", "D-1", commercial, true)
	require.NoError(t, err)
	require.Equal(t, []string{"D-1"}, p.rest("H-1"))
	_, err = p.ship("K-1", 1, day(6, 8))
	require.NoError(t, err)
	release := func(by string) error {
		_, err := p.as(by).ReleaseHold(t.Context(), &inventoryv1.ReleaseHoldRequest{CommandId: uuid.NewString(), Hold: "H-1", Reason: "clean"})
		return err
	}
	require.Equal(t, "recall_same_person", reason(release("quality")))
	require.NoError(t, release("second"))
	require.Equal(t, "hold_ended", reason(release("second")))
	p.quiet()
}

// Held goods go into a run under a disposition only, up to what it covers, and what is made of them stays held.
func TestDisposition(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	_, err := p.hold("quality", "H-1", "D-1", safety, false)
	require.NoError(t, err)
	r := run{id: "R-1", in: map[string]int64{"D-1": 30}, out: map[string]int64{"K-1": 20}, at: day(3, 8)}
	_, err = p.post(r)
	require.Equal(t, "lot_held", reason(err))
	decide := func(d eventv1.Disposition, pounds int64) {
		_, err := p.as("quality").DecideDisposition(t.Context(), &inventoryv1.DecideDispositionRequest{
			CommandId: uuid.NewString(), DispositionId: fmt.Sprintf("Q-%d", d), Hold: "H-1", Lot: "D-1", Decision: d, Quantity: pounds * pound, Reason: "x",
		})
		require.NoError(t, err)
	}
	decide(eventv1.Disposition_DISPOSITION_RETURN, 50)
	_, err = p.post(r)
	require.Equal(t, "lot_held", reason(err), "to give back is not to put into a run")
	decide(eventv1.Disposition_DISPOSITION_RESORT, 40)
	p.mustPost(r)
	_, err = p.ship("K-1", 1, day(6, 8))
	require.Equal(t, "lot_held", reason(err))
	_, err = p.post(run{id: "R-2", in: map[string]int64{"D-1": 11}, out: map[string]int64{"K-2": 5}, at: day(3, 8)})
	require.Equal(t, "lot_held", reason(err), "10 lb are left of it")
	back := &inventoryv1.ShipGoodsRequest{
		CommandId: uuid.NewString(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_SELLER, Consignee: "GROWER", Effective: stamp(day(6, 8)),
		Lines: []*eventv1.ShippedLine{{Lot: "D-1", Quantity: 50 * pound}},
	}
	_, err = p.as("shipper").ShipGoods(t.Context(), back)
	require.Equal(t, "lot_held", reason(err), "its disposition is not named")
	back.DispositionId = "Q-4"
	_, err = p.as("shipper").ShipGoods(t.Context(), back)
	require.NoError(t, err)
	count := &inventoryv1.AdjustLotRequest{CommandId: uuid.NewString(), Lot: "D-1", Delta: -pound, Reason: "moisture", Effective: stamp(day(7, 8))}
	_, err = p.as("clerk").AdjustLot(t.Context(), count)
	require.NoError(t, err, "held goods dry out too")
	for why, account := range map[string]string{"gift": "given-away", "staff": ""} {
		_, err := p.as("clerk").RegisterReason(t.Context(), &inventoryv1.RegisterReasonRequest{
			CommandId: uuid.NewString(), Reason: why, Account: &eventv1.LossAccount{Name: account},
		})
		require.NoError(t, err)
	}
	for _, why := range []string{"given-away", "destroyed", "overfill", "gift", "staff"} {
		count.CommandId, count.Reason = uuid.NewString(), why
		_, err = p.as("clerk").AdjustLot(t.Context(), count)
		require.Equal(t, "lot_held", reason(err), why)
	}
	p.quiet()
}

// A held lot is dumped, under a disposition, into a run that gave outputs before: they are held too, and so is what was made of them.
func TestHoldReachesWhatAnOpenRunGaveBefore(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-2": 50}, out: map[string]int64{"K-1": 20}, at: day(3, 8), open: true})
	p.mustPost(run{id: "R-2", in: map[string]int64{"K-1": 10}, out: map[string]int64{"M-1": 10}, at: day(4, 8)})
	_, err := p.hold("quality", "H-1", "D-1", safety, false)
	require.NoError(t, err)
	require.Equal(t, []string{"D-1"}, p.rest("H-1"))
	_, err = p.as("quality").DecideDisposition(t.Context(), &inventoryv1.DecideDispositionRequest{
		CommandId: uuid.NewString(), Hold: "H-1", Lot: "D-1", Decision: eventv1.Disposition_DISPOSITION_TREAT, Quantity: 10 * pound, Reason: "x",
	})
	require.NoError(t, err)
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 10}, at: day(5, 8), open: true, first: 1})
	_, err = p.ship("M-1", 1, day(6, 8))
	require.Equal(t, "lot_held", reason(err), "reached, or seen from below while it spreads")
	p.mustPost(run{id: "R-1", out: map[string]int64{"K-5": 5}, at: day(6, 8), first: 5})
	require.Equal(t, []string{"D-1", "K-1", "K-5", "M-1"}, p.rest("H-1"))
	p.quiet()
}

// Lots are born all the time while a hold spreads down a long chain; at rest it is on every descendant. The deliberate break it catches: a
// birth that does not take over the holds of its inputs, or a spreader that does not lock the lot whose children it reads.
func TestHoldSpreadsWhileLotsAreBorn(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 1000, day(2, 8))
	require.EqualValues(t, 1000, p.onHand("D-1"))
	const chains, length = 6, 12
	var all sync.WaitGroup
	made := make([][]string, chains)
	for c := range chains {
		all.Go(func() {
			from := "D-1"
			for n := range length {
				to := fmt.Sprintf("L-%d-%02d", c, n)
				r := run{id: "R-" + to, in: map[string]int64{from: int64(100 - n)}, out: map[string]int64{to: int64(100 - n)}, at: day(3, 8).Add(time.Duration(n) * time.Hour)}
				if _, err := p.post(r); err != nil {
					if reason(err) != "lot_held" {
						t.Errorf("chain %d: %v", c, err)
					}
					return
				}
				made[c] = append(made[c], to)
				from = to
				if c == 0 && n == 3 {
					if _, err := p.hold("quality", "H-1", "D-1", safety, false); err != nil {
						t.Errorf("hold: %v", err)
					}
				}
			}
		})
	}
	all.Wait()
	want := map[string]bool{"D-1": true}
	for _, lots := range made {
		for _, id := range lots {
			want[id] = true
		}
	}
	got := p.rest("H-1")
	require.Len(t, got, len(want))
	for _, id := range got {
		require.True(t, want[id], id)
	}
	p.quiet()
}

func TestReturnIsHeldAtBirth(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	shipped, err := p.ship("D-1", 50, day(3, 8))
	require.NoError(t, err)
	back := func(id string, pounds int64, d int) (*inventoryv1.ReturnGoodsResponse, error) {
		return p.as("shipper").ReturnGoods(t.Context(), &inventoryv1.ReturnGoodsRequest{
			CommandId: uuid.NewString(), Shipment: shipped.GetShipment(), Lot: id, Quantity: pounds * pound, Effective: stamp(day(d, 8)),
		})
	}
	_, err = back("V-1", 1, 2)
	require.Equal(t, "before_shipment", reason(err))
	came, err := back("V-1", 30, 5)
	require.NoError(t, err)
	_, err = back("V-2", 21, 5)
	require.Equal(t, "return_beyond", reason(err))
	own, err := back("", 20, 5)
	require.NoError(t, err)
	require.Len(t, own.GetLot(), 10)
	_, err = p.ship("V-1", 1, day(6, 8))
	require.Equal(t, "lot_held", reason(err))
	_, err = p.as("quality").ReleaseHold(t.Context(), &inventoryv1.ReleaseHoldRequest{CommandId: uuid.NewString(), Hold: came.GetHold(), Reason: "sound"})
	require.NoError(t, err)
	_, err = p.ship("V-1", 30, day(6, 8))
	require.NoError(t, err)
	drill, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1"})
	require.NoError(t, err)
	require.EqualValues(t, 80*pound, drill.GetShipped())
	require.EqualValues(t, 50*pound, drill.GetReturned())
	_, err = p.correct(&eventv1.LotsCorrected{Shipments: []*eventv1.LotShipped{{
		Shipment: shipped.GetShipment(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "SHOP",
		Lines: []*eventv1.ShippedLine{{Line: 1, Lot: "D-1", Quantity: 49 * pound}},
	}}})
	require.Equal(t, "return_beyond", reason(err))
	p.quiet()
}

func TestBlindCount(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 50, day(2, 8))
	_, err := p.ship("D-1", 10, day(6, 8))
	require.NoError(t, err)
	sheet, err := p.as("clerk").OpenCount(t.Context(), &inventoryv1.OpenCountRequest{CommandId: uuid.NewString(), Effective: stamp(day(5, 8))})
	require.NoError(t, err)
	require.Equal(t, []string{"D-1", "D-2"}, sheet.GetLots())
	count := func(by, id string, pounds int64) (bool, error) {
		answer, err := p.as(by).RecordCount(t.Context(), &inventoryv1.RecordCountRequest{
			CommandId: uuid.NewString(), Sheet: sheet.GetSheet(), Lot: id, Counted: pounds * pound,
		})
		return answer.GetRecountNeeded(), err
	}
	finish := func() (*inventoryv1.CloseCountResponse, error) {
		return p.as("clerk").CloseCount(t.Context(), &inventoryv1.CloseCountRequest{CommandId: uuid.NewString(), Sheet: sheet.GetSheet()})
	}
	again, err := count("ann", "D-1", 97)
	require.NoError(t, err)
	require.True(t, again)
	_, err = finish()
	require.Equal(t, "count_incomplete", reason(err))
	again, err = count("ann", "D-2", 50)
	require.NoError(t, err)
	require.False(t, again)
	_, err = finish()
	require.Equal(t, "recount_missing", reason(err))
	_, err = count("ann", "D-1", 98)
	require.Equal(t, "recount_same_person", reason(err))
	_, err = count("bob", "D-1", 98)
	require.NoError(t, err)
	done, err := finish()
	require.NoError(t, err)
	require.Len(t, done.GetDifferences(), 1)
	require.EqualValues(t, 88, p.onHand("D-1"), "98 lb lay there when the position was frozen, 10 lb left later")
	_, err = finish()
	require.Equal(t, "sheet_closed", reason(err))
	p.quiet()
}
