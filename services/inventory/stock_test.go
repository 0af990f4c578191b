package inventory_test

import (
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// A lot comes in, a run makes two of it, one is shipped, the drill finds it all.
func TestFromGateToCustomer(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	answer := p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40, "K-2": 35}, at: day(3, 8)})
	require.EqualValues(t, 80*pound, answer.GetInputMicropounds())
	require.EqualValues(t, 75*pound, answer.GetOutputMicropounds())
	_, err := p.ship("K-1", 15, day(4, 8))
	require.NoError(t, err)
	require.EqualValues(t, 20, p.onHand("D-1"))
	require.EqualValues(t, 25, p.onHand("K-1"))
	drill, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1"})
	require.NoError(t, err)
	require.Empty(t, drill.GetMissing())
	require.Len(t, drill.GetAffected(), 2)
	require.EqualValues(t, 15*pound, drill.GetShipped())
	require.EqualValues(t, 100_000_000, drill.GetAccountedPpmPct())
	require.Equal(t, "SHOP", drill.GetConsignees()[0].GetParty())
	origins, err := p.as("auditor").Origins(t.Context(), &inventoryv1.OriginsRequest{Lot: "K-1"})
	require.NoError(t, err)
	require.Equal(t, "D-1", origins.GetOrigins()[0].GetLot())
	past, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1", AsOf: drill.GetAsOf()})
	require.NoError(t, err)
	require.EqualValues(t, 15*pound, past.GetShipped())
	p.quiet()
}

// A draw in the past is judged at every later moment, and the refusal says how much there was and when. The deliberate break it catches:
// judging a back-dated leg by the balance of today.
func TestBackdatedDraw(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	_, err := p.ship("D-1", 90, day(10, 8))
	require.NoError(t, err)
	adjust := func(delta int64, reason string, d int) error {
		_, err := p.as("clerk").AdjustLot(t.Context(), &inventoryv1.AdjustLotRequest{
			CommandId: uuid.NewString(), Lot: "D-1", Delta: delta * pound, Reason: reason, Effective: stamp(day(d, 9)),
		})
		return err
	}
	require.NoError(t, adjust(50, "count", 12), "60 lb lie there now, but on the fifth only 10 lb could be spared")
	_, err = p.ship("D-1", 20, day(5, 8))
	require.Equal(t, "stock_short", reason(err))
	for _, part := range []string{"20.000 lb", "2025-01-05T08:00:00Z", "2025-01-10T08:00:00Z", "80.000 lb", "10.000 lb too little"} {
		require.ErrorContains(t, err, part)
	}
	_, err = p.ship("D-1", 10, day(5, 8))
	require.NoError(t, err)
	_, err = p.ship("D-1", 1, day(1, 8))
	require.Equal(t, "before_birth", reason(err))
	_, err = p.ship("D-1", 51, day(13, 8))
	require.Equal(t, "stock_short", reason(err))
	require.ErrorContains(t, err, "there was 50.000 lb")
	_, err = p.ship("D-1", 1, clock().Add(6*60*1e9))
	require.Equal(t, "effective_in_future", reason(err))
	p.quiet()
}

// Sixteen callers draw one lot empty at once. The deliberate break it catches: reading the balance without the lot's lock.
func TestDrawsAtOnceNeverGoBelowNothing(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	var shipped atomic.Int64
	var all sync.WaitGroup
	client := p.as("shipper")
	for i := range 40 {
		all.Go(func() {
			_, err := client.ShipGoods(t.Context(), &inventoryv1.ShipGoodsRequest{
				CommandId: uuid.NewString(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "SHOP", Effective: stamp(day(3+i%5, 8)),
				Lines: []*eventv1.ShippedLine{{Lot: "D-1", Quantity: 7 * pound}},
			})
			switch reason(err) {
			case "":
				shipped.Add(7)
			case "stock_short":
			default:
				t.Errorf("ship: %v", err)
			}
		})
	}
	all.Wait()
	require.EqualValues(t, 98, shipped.Load())
	require.EqualValues(t, 2, p.onHand("D-1"))
	p.quiet()
}

func TestSameCommandTwice(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	req := run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40}, at: day(3, 8)}.request()
	first, err := p.peer.PostMovement(t.Context(), req)
	require.NoError(t, err)
	again, err := p.peer.PostMovement(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, first.GetReceipt().GetPosition(), again.GetReceipt().GetPosition())
	req.GetRun().Stage = "clean"
	_, err = p.peer.PostMovement(t.Context(), req)
	require.Equal(t, "command_id_reused", reason(err))
	require.EqualValues(t, 20, p.onHand("D-1"))
	p.quiet()
}

// A refusal stands for its try; the next try is judged anew. The deliberate break it catches: judging a try again after it was refused.
func TestRefusalIsKeptPerTry(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 50, day(2, 8))
	req := run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40}, at: day(3, 8)}.request()
	_, err := p.peer.PostMovement(t.Context(), req)
	require.Equal(t, "stock_short", reason(err))
	text := err.Error()
	_, err = p.as("clerk").AdjustLot(t.Context(), &inventoryv1.AdjustLotRequest{
		CommandId: uuid.NewString(), Lot: "D-1", Delta: 50 * pound, Reason: "count", Effective: stamp(day(2, 9)),
	})
	require.NoError(t, err)
	_, err = p.peer.PostMovement(t.Context(), req)
	require.EqualError(t, err, text, "the same try gives the same answer")
	req.Try = 2
	_, err = p.peer.PostMovement(t.Context(), req)
	require.NoError(t, err)
	require.EqualValues(t, 20, p.onHand("D-1"))
	p.quiet()
}

// What a producer that cannot be asked might have said keeps a refusal from being one.
func TestNoJudgementWhileAProducerIsAway(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.intake.leave(true)
	req := run{id: "R-1", in: map[string]int64{"D-1": 80}, out: map[string]int64{"K-1": 40}, at: day(3, 8)}.request()
	_, err := p.peer.PostMovement(t.Context(), req)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	p.intake.leave(false)
	p.receive("D-1", 100, day(2, 8))
	_, err = p.peer.PostMovement(t.Context(), req)
	require.NoError(t, err, "the same try: nothing was stored")
	p.quiet()
}

func TestOwnersAndTitle(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receiveFor("C-1", 100, day(2, 8), "CLIENT")
	p.receiveFor("C-2", 100, day(2, 8), "OTHER")
	p.intake.say(day(2, 8), lot.Received{
		Lot: "S-1", Source: lot.Delivery, Item: "NUT", Measure: lot.ByWeight, Quantity: 50 * pound, Party: "GROWER", Ownership: lot.SellersOwn, Owner: "GROWER",
	}, "S-1")
	for name, in := range map[string]map[string]int64{
		"company and client": {"D-1": 1, "C-1": 1}, "two clients": {"C-1": 1, "C-2": 1},
	} {
		_, err := p.post(run{id: "R-" + strings.ReplaceAll(name, " ", "-"), in: in, out: map[string]int64{"X": 1}, at: day(3, 8)})
		require.Equal(t, "owner_mixed", reason(err), name)
	}
	_, err := p.post(run{id: "R-S", in: map[string]int64{"S-1": 1}, out: map[string]int64{"X": 1}, at: day(3, 8)})
	require.Equal(t, "title_not_passed", reason(err))
	p.mustPost(run{id: "R-C", in: map[string]int64{"C-1": 100}, out: map[string]int64{"CK-1": 45}, at: day(3, 8)})
	_, err = p.ship("CK-1", 1, day(4, 8))
	require.Equal(t, "owner_wrong", reason(err), "a client's goods are not sold")
	_, err = p.shipTo("OTHER", eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_OWNER, "CK-1", 1, day(4, 8))
	require.Equal(t, "owner_wrong", reason(err))
	_, err = p.shipTo("CLIENT", eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_OWNER, "CK-1", 45, day(4, 8))
	require.NoError(t, err)
	_, err = p.shipTo("GROWER", eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_SELLER, "S-1", 10, day(4, 8))
	require.NoError(t, err)
	_, err = p.ship("S-1", 10, day(4, 8))
	require.Equal(t, "title_not_passed", reason(err))
	p.quiet()
}

// Title passes by a purchase: part becomes a lot of the company's, an untouched ticket keeps its code.
func TestPurchase(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receiveFor("C-1", 100, day(2, 8), "CLIENT")
	p.receiveFor("C-2", 100, day(2, 8), "CLIENT")
	buy := func(from, to string, pounds int64) error {
		_, err := p.peer.PostMovement(t.Context(), &inventoryv1.PostMovementRequest{
			CommandId: uuid.NewString(), Try: 1, Effective: stamp(day(3, 8)),
			Movement: &inventoryv1.PostMovementRequest_Bought{Bought: &eventv1.LotBought{
				Purchase: "P-" + from + to, Lot: from, NewLot: to, Owner: "CLIENT", Quantity: pounds * pound, PriceMicros: 1,
			}},
		})
		return err
	}
	require.NoError(t, buy("C-1", "B-1", 40))
	require.NoError(t, buy("C-2", "C-2", 100))
	require.Equal(t, "ticket_touched", reason(buy("C-1", "C-1", 60)))
	_, err := p.ship("B-1", 40, day(4, 8))
	require.NoError(t, err)
	_, err = p.ship("C-2", 100, day(4, 8))
	require.NoError(t, err)
	p.intake.say(day(3, 8), lot.Bought{Purchase: "P-C-1B-1", Lot: "C-1", NewLot: "B-1", Owner: "CLIENT", Quantity: 40 * pound}, "C-1", "B-1")
	p.receive("Z", 1, day(3, 8))
	require.EqualValues(t, 1, p.onHand("Z"))
	p.quiet()
}

func TestBinIsFrozenByItsFirstDraw(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	p.receive("D-2", 100, day(2, 8))
	p.receiveFor("C-1", 100, day(2, 8), "CLIENT")
	clerk := p.as("clerk")
	pour := func(from, bin string, pounds int64, d int) error {
		_, err := clerk.RecordPour(t.Context(), &inventoryv1.RecordPourRequest{
			CommandId: uuid.NewString(), BinLot: bin, Lot: from, Quantity: pounds * pound, Effective: stamp(day(d, 8)),
		})
		return err
	}
	require.NoError(t, pour("D-1", "B-1", 60, 3))
	require.NoError(t, pour("D-2", "B-1", 20, 4))
	require.Equal(t, "owner_mixed", reason(pour("C-1", "B-1", 1, 4)))
	p.mustPost(run{id: "R-1", in: map[string]int64{"B-1": 50}, out: map[string]int64{"K-1": 20}, at: day(5, 8)})
	require.Equal(t, "bin_drawn", reason(pour("D-1", "B-1", 1, 4)))
	require.Equal(t, "bin_drawn", reason(pour("D-1", "B-1", 1, 6)))
	require.NoError(t, pour("B-1", "B-2", 25, 6), "the remainder goes into a new bin lot")
	empty, err := clerk.EmptyBin(t.Context(), &inventoryv1.EmptyBinRequest{CommandId: uuid.NewString(), BinLot: "B-1", Effective: stamp(day(7, 8))})
	require.NoError(t, err)
	require.EqualValues(t, 5*pound, empty.GetRemainder())
	origins, err := p.as("auditor").Origins(t.Context(), &inventoryv1.OriginsRequest{Lot: "K-1"})
	require.NoError(t, err)
	require.EqualValues(t, 750_000_000_000_000_000, origins.GetOrigins()[0].GetShare())
	p.quiet()
}

func TestLotCodes(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	mine, other := uuid.NewString(), uuid.NewString()
	claim := func(claimant string, codes ...string) (*inventoryv1.ClaimLotsResponse, error) {
		req := &inventoryv1.ClaimLotsRequest{CommandId: uuid.NewString()}
		for _, c := range codes {
			req.Claims = append(req.Claims, &inventoryv1.Claim{Lot: c, Claimant: claimant})
		}
		return p.peer.ClaimLots(t.Context(), req)
	}
	answer, err := claim(mine, "K-1", "K-2")
	require.NoError(t, err)
	require.EqualValues(t, 2, answer.GetClaimed())
	answer, err = claim(mine, "K-2", "K-3")
	require.NoError(t, err)
	require.EqualValues(t, 1, answer.GetClaimed())
	_, err = claim(other, "K-4", "K-3")
	require.Equal(t, "lot_code_claimed", reason(err))
	answer, err = claim(other, "K-4")
	require.NoError(t, err, "all or nothing: the refused claim left K-4 free")
	require.EqualValues(t, 1, answer.GetClaimed())
	_, err = claim(mine, "V250000010")
	require.Equal(t, "lot_code_check", reason(err))
	r := run{id: "R-1", in: map[string]int64{"D-1": 10}, out: map[string]int64{"K-1": 5}, at: day(3, 8)}
	_, err = p.post(r)
	require.Equal(t, "lot_code_claimed", reason(err), "claimed by somebody else than the posting's command")
	req := r.request()
	req.Claims = []*inventoryv1.Claim{{Lot: "K-1", Claimant: mine}}
	_, err = p.peer.PostMovement(t.Context(), req)
	require.NoError(t, err)
	req = run{id: "R-2", in: map[string]int64{"D-1": 10}, out: map[string]int64{"K-1": 5}, at: day(3, 8)}.request()
	req.Claims = []*inventoryv1.Claim{{Lot: "K-1", Claimant: mine}}
	_, err = p.peer.PostMovement(t.Context(), req)
	require.Equal(t, "lot_born", reason(err))
	p.quiet()
}
