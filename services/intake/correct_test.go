package intake_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

func reasonOf(err error) string { return fault.ReasonOf(rpc.FromStatus(err)) }

// correction weighs a delivery anew.
func correction(code, gross, tare string) *intakev1.CorrectDeliveryRequest {
	facts := delivered("").GetDelivery()
	facts.Weighings = weighings(gross, tare)
	return &intakev1.CorrectDeliveryRequest{CommandId: id(), Lot: code, Delivery: facts, Reason: "tare of another truck"}
}

// last is the newest events that intake has said, n of them.
func (g *gate) last(n int) []lot.Recorded {
	all := g.events()
	return all[len(all)-n:]
}

// Pay weight and cost alone: no stock moves, the difference is receiving variance, and the final price is reckoned anew.
func TestCorrectPayOnly(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.record(delivered("D-1"))
	_, err := g.client.SettlePrice(ctx, &intakev1.SettlePriceRequest{CommandId: id(), Lot: "D-1", PriceMicrosPerLb: 1_300_000, Effective: timestamppb.New(day(9, 9)), Settlement: "P-1"})
	require.NoError(t, err)
	req := correction("D-1", "1490.5", "500")
	req.PayOnly = true
	for range 2 {
		answer, err := g.client.CorrectDelivery(ctx, req)
		require.NoError(t, err)
		require.EqualValues(t, 2, answer.GetVersion())
	}
	require.Zero(t, g.moves(), "the inventory has no part in it")
	said := g.last(2)
	d := said[0].Body.(lot.DeliveryCorrected)
	require.EqualValues(t, -10_000_000, d.ReceivingVariance)
	require.EqualValues(t, 1_000_500_000, d.Now.Quantity, "the pounds in stock stay")
	require.EqualValues(t, 1_238_130_000, d.Now.Purchase, "990.5 lb at 1.25")
	require.Equal(t, day(2, 9), said[0].Effective, "the nuts came in when they came in")
	again := said[1].Body.(lot.PriceSettled)
	require.Equal(t, "P-1", again.Settlement)
	require.EqualValues(t, 1_287_650_000, again.Purchase, "990.5 lb at 1.30")
	require.Equal(t, day(9, 9), said[1].Effective)
	got := g.received("D-1")
	require.EqualValues(t, 2, got.GetVersion())
	require.Len(t, got.GetSettlements(), 1)
	require.EqualValues(t, 1_287_650_000, got.GetSettlements()[0].GetPurchaseMicros())

	moving := correction("D-1", "1490.5", "500")
	moving.PayOnly, moving.Delivery.Place = true, "BARN"
	_, err = g.client.CorrectDelivery(ctx, moving)
	want(t, err, "pay_only_moves_stock")
	uses := correction("D-1", "1490.5", "500")
	uses.PayOnly, uses.Adjustments = true, []*eventv1.LotAdjusted{{Adjustment: "A-1", Lot: "D-1"}}
	_, err = g.client.CorrectDelivery(ctx, uses)
	want(t, err, "pay_only_with_uses")
}

// What moves stock is the inventory's to judge, as one set with the later uses; what does not is recorded at once.
func TestCorrectStock(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.record(delivered("D-1"))
	price := correction("D-1", "1500.5", "500")
	price.Delivery.PriceMicrosPerLb = new(int64(1_000_000))
	answer, err := g.client.CorrectDelivery(ctx, price)
	require.NoError(t, err)
	require.EqualValues(t, 2, answer.GetVersion())
	require.Zero(t, g.moves(), "a price moves no stock")

	weight := correction("D-1", "1400.5", "500")
	weight.Adjustments = []*eventv1.LotAdjusted{{Adjustment: "A-1", Lot: "D-1", Delta: -5, Reason: "damage", Account: &eventv1.LossAccount{Name: "damage"}}}
	answer, err = g.client.CorrectDelivery(ctx, weight)
	require.NoError(t, err)
	require.EqualValues(t, 3, answer.GetVersion())
	require.Equal(t, 1, g.moves())
	set := g.stock.moves[0].GetCorrection()
	require.Equal(t, weight.GetCommandId(), set.GetCorrection())
	require.EqualValues(t, 900_500_000, set.GetDeliveries()[0].GetNow().GetQuantity())
	require.EqualValues(t, 3, set.GetDeliveries()[0].GetVersion())
	require.Len(t, set.GetAdjustments(), 1)
	said := g.last(1)[0].Body.(lot.DeliveryCorrected)
	require.EqualValues(t, 900_500_000, said.Now.Quantity)
	require.Zero(t, said.ReceivingVariance)
	require.Equal(t, "tare of another truck", said.Reason)
	require.EqualValues(t, 900_500_000, g.received("D-1").GetFacts().GetQuantity())

	// The set comes back as the inventory's event: it started here, so that nothing is written twice.
	corrected := lot.Corrected{Correction: weight.GetCommandId(), Reason: "x", Deliveries: []lot.DeliveryCorrected{said}}
	g.stock.say(day(3, 1), corrected, "D-1")
	elsewhere := said
	elsewhere.Version, elsewhere.Now.Quantity, elsewhere.Reason = 4, 800_000_000, "told elsewhere"
	at := g.stock.say(day(3, 2), lot.Corrected{Correction: id(), Reason: "x", Deliveries: []lot.DeliveryCorrected{elsewhere}}, "D-1")
	g.heard(at)
	got := g.received("D-1")
	require.EqualValues(t, 4, got.GetVersion())
	require.EqualValues(t, 800_000_000, got.GetFacts().GetQuantity())
	gap := elsewhere
	gap.Version = 9
	g.heard(g.stock.say(day(3, 3), lot.Corrected{Correction: id(), Reason: "x", Deliveries: []lot.DeliveryCorrected{gap}}, "D-1"))
	quarantine, err := g.client.ListQuarantine(ctx, &intakev1.ListQuarantineRequest{})
	require.NoError(t, err)
	require.Len(t, quarantine.GetEvents(), 1)
	require.Contains(t, quarantine.GetEvents()[0].GetReason(), "delivery_version")
}

// heard waits until intake has taken in an event of the inventory's.
func (g *gate) heard(at lot.Receipt) {
	g.t.Helper()
	_, err := g.client.GetFeedTotals(rpc.WithReceipts(g.t.Context(), at), &intakev1.GetFeedTotalsRequest{})
	require.NoError(g.t, err)
}

// A refusal comes back as the inventory said it and lets the lot go; while its answer is not known the lot is held for that command alone.
func TestCorrectionRefusedOrUnknown(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.record(delivered("D-1"))
	g.refuse(fault.Precondition("stock_short", "correct the uses, or correct pay weight and cost only"))
	_, err := g.client.CorrectDelivery(ctx, correction("D-1", "600", "500"))
	want(t, err, "stock_short")
	require.ErrorContains(t, err, "correct pay weight and cost only")
	require.EqualValues(t, 1, g.received("D-1").GetVersion())

	g.refuse(fault.Unavailable("away", "away"))
	waiting := correction("D-1", "1400.5", "500")
	_, err = g.client.CorrectDelivery(ctx, waiting)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-1", Reason: "twice"})
	want(t, err, "delivery_held")
	g.refuse(nil)
	answer, err := g.client.CorrectDelivery(ctx, waiting)
	require.NoError(t, err)
	require.EqualValues(t, 2, answer.GetVersion())
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-1", Reason: "twice"})
	require.NoError(t, err)
}

// A role taken away while a correction waits for the inventory does not undo what the inventory then accepts. Break it catches: judging the party
// again once the goods have moved.
func TestRoleTakenAwayWhileACorrectionWaits(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	custom := delivered("D-1")
	custom.Delivery.Party, custom.Delivery.Ownership, custom.Delivery.PriceMicrosPerLb = "C1", eventv1.Ownership_OWNERSHIP_CUSTOM, nil
	g.record(custom)
	waiting := correction("D-1", "1400.5", "500")
	waiting.Delivery.Party, waiting.Delivery.Ownership, waiting.Delivery.PriceMicrosPerLb = "C1", eventv1.Ownership_OWNERSHIP_CUSTOM, nil
	g.refuse(fault.Unavailable("away", "away"))
	_, err := g.client.CorrectDelivery(ctx, waiting)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	_, err = g.client.RegisterParty(ctx, &intakev1.RegisterPartyRequest{CommandId: id(), Party: &eventv1.PartyChanged{
		Party: "C1", Name: "no client any more", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_CUSTOMER},
	}})
	require.NoError(t, err)
	g.refuse(nil)
	answer, err := g.client.CorrectDelivery(ctx, waiting)
	require.NoError(t, err)
	require.EqualValues(t, 2, answer.GetVersion())
	_, err = g.client.CorrectDelivery(ctx, &intakev1.CorrectDeliveryRequest{CommandId: id(), Lot: "D-1", Delivery: waiting.Delivery, Reason: "again"})
	want(t, err, "party_no_custom_client")
}

// Two purchases of one id: the second is refused while the first waits, and may take the id once the inventory has refused the first, which then
// lets nobody else's hold go. Break it catches: an id that is looked for among accepted purchases only.
func TestPurchaseIDIsReserved(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	for _, code := range []string{"D-1", "D-2"} {
		req := delivered(code)
		req.Delivery.Ownership, req.Delivery.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_SELLER, nil
		g.record(req)
	}
	buy := func(code string) *intakev1.BuyLotRequest {
		return &intakev1.BuyLotRequest{CommandId: id(), Lot: code, PriceMicros: 5_000_000, Effective: timestamppb.New(day(5, 0)), Purchase: "B-1"}
	}
	first, second := buy("D-1"), buy("D-2")
	g.refuse(fault.Unavailable("away", "away"))
	_, err := g.client.BuyLot(t.Context(), first)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	_, err = g.client.BuyLot(t.Context(), second)
	want(t, err, "purchase_known")
	g.refuse(fault.Precondition("ticket_touched", "some of it was used"))
	_, err = g.client.BuyLot(t.Context(), first)
	want(t, err, "ticket_touched")
	g.refuse(nil)
	_, err = g.client.BuyLot(t.Context(), second)
	require.NoError(t, err)
	_, err = g.client.BuyLot(t.Context(), first)
	want(t, err, "purchase_known")
	_, err = g.client.VoidDelivery(t.Context(), &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-1", Reason: "twice"})
	require.NoError(t, err, "the ticket was let go")
}

func TestVoid(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.record(delivered("D-1"))
	void := &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-1", Reason: "entered twice"}
	for range 2 {
		answer, err := g.client.VoidDelivery(ctx, void)
		require.NoError(t, err)
		require.EqualValues(t, 2, answer.GetVersion())
	}
	require.Equal(t, 1, g.moves())
	said := g.last(1)[0].Body.(lot.DeliveryCorrected)
	require.True(t, said.Voided)
	require.EqualValues(t, 1_000_500_000, said.Now.Quantity, "where voided, as it was")
	require.True(t, g.received("D-1").GetVoided())
	_, err := g.client.RecordDelivery(ctx, delivered("D-1"))
	want(t, err, "lot_code_used")
	_, err = g.client.CorrectDelivery(ctx, correction("D-1", "20", "10"))
	want(t, err, "delivery_voided")
	_, err = g.client.SettlePrice(ctx, &intakev1.SettlePriceRequest{CommandId: id(), Lot: "D-1", Effective: timestamppb.New(day(9, 9))})
	want(t, err, "delivery_voided")
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "NONE", Reason: "x"})
	want(t, err, "lot_unknown")
}

func TestSettlements(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.record(delivered("D-1"))
	custom := delivered("D-2")
	custom.Delivery.Party, custom.Delivery.Ownership, custom.Delivery.PriceMicrosPerLb = "C1", eventv1.Ownership_OWNERSHIP_CUSTOM, nil
	g.record(custom)
	settle := func(code, settlement string, price int64, at time.Time) error {
		_, err := g.client.SettlePrice(t.Context(), &intakev1.SettlePriceRequest{
			CommandId: id(), Lot: code, PriceMicrosPerLb: price, Effective: timestamppb.New(at), Settlement: settlement,
		})
		return err
	}
	require.NoError(t, settle("D-1", "P-2", 1_400_000, day(12, 0)))
	require.NoError(t, settle("D-1", "P-1", 1_300_000, day(9, 0)))
	require.NoError(t, settle("D-1", "P-3", 1_350_000, day(12, 0)))
	want(t, settle("D-1", "P-1", 1, day(9, 0)), "settlement_known")
	want(t, settle("D-1", "", 1, day(2, 8)), "before_birth")
	want(t, settle("D-1", "", 1, clock().Add(time.Hour)), "effective_in_future")
	want(t, settle("D-1", "", 1_000_000_001, day(9, 0)), "price_out_of_range")
	want(t, settle("D-2", "", 1, day(9, 0)), "custom_not_priced")
	want(t, settle("D-9", "", 1, day(9, 0)), "lot_unknown")
	var got []string
	for _, s := range g.received("D-1").GetSettlements() {
		got = append(got, s.GetSettlement())
	}
	if diff := cmp.Diff([]string{"P-1", "P-2", "P-3"}, got); diff != "" {
		t.Errorf("settlements, the one that stands last (-want +got):\n%s", diff)
	}
}

func TestBuyLot(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	for _, code := range []string{"D-1", "D-2", "D-3"} {
		req := delivered(code)
		req.Delivery.Ownership, req.Delivery.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_SELLER, nil
		g.record(req)
	}
	g.record(delivered("D-4"))
	buy := func(code string, quantity int64, change func(*intakev1.BuyLotRequest)) (string, error) {
		req := &intakev1.BuyLotRequest{CommandId: id(), Lot: code, Quantity: quantity, PriceMicros: 5_000_000, Effective: timestamppb.New(day(5, 0))}
		change(req)
		answer, err := g.client.BuyLot(ctx, req)
		return answer.GetLot(), err
	}
	none := func(*intakev1.BuyLotRequest) {}
	got, err := buy("D-1", 0, none)
	require.NoError(t, err)
	require.Equal(t, "D-1", got, "an untouched ticket bought whole keeps its code")
	said := g.last(1)[0].Body.(lot.Bought)
	require.Equal(t, lot.Bought{Purchase: said.Purchase, Lot: "D-1", NewLot: "D-1", Owner: "S1", Quantity: 1_000_500_000, Price: 5_000_000}, said)
	_, err = buy("D-1", 0, none)
	want(t, err, "owner_wrong")
	_, err = g.client.CorrectDelivery(ctx, correction("D-1", "20", "10"))
	want(t, err, "delivery_bought")

	part, err := buy("D-2", 7_000_000, func(r *intakev1.BuyLotRequest) { r.Purchase = "B-1" })
	require.NoError(t, err)
	first, err := lot.NewCode('A', 2025, 1)
	require.NoError(t, err)
	require.Equal(t, string(first), part)
	require.Equal(t, part, g.stock.moves[1].GetClaims()[0].GetLot())
	_, err = buy("D-2", 7_000_000, func(r *intakev1.BuyLotRequest) { r.Purchase = "B-1" })
	want(t, err, "purchase_known")
	_, err = buy("D-2", 7_000_000, func(r *intakev1.BuyLotRequest) { r.NewLot = "D-4" })
	want(t, err, "lot_code_used")
	_, err = buy("D-2", 2_000_000_000, none)
	want(t, err, "stock_short")
	_, err = buy("D-4", 0, none)
	want(t, err, "owner_wrong")
	_, err = buy("D-3", 0, func(r *intakev1.BuyLotRequest) { r.PriceMicros = 1_000_000_000_000_001 })
	want(t, err, "amount_out_of_range")
	_, err = buy("D-3", 0, func(r *intakev1.BuyLotRequest) { r.Effective = timestamppb.New(day(1, 0)) })
	want(t, err, "before_birth")

	g.refuse(fault.Precondition("ticket_touched", "some of it was used"))
	_, err = buy("D-3", 0, none)
	want(t, err, "ticket_touched")
	g.refuse(nil)
	_, err = buy("D-3", 1_000_000, none)
	require.NoError(t, err, "the refused purchase has let the ticket go")

	_, err = buy("K-1", 1_000_000, none)
	want(t, err, "lot_unknown")
	g.heard(g.stock.say(day(4, 0), lot.RunPosted{Run: "RUN", Version: 1, Stage: "shell", Owner: "C1", Final: true, Outputs: []lot.RunOutput{
		{Line: 1, Lot: "K-1", Item: "NUT", Measure: lot.ByWeight, Quantity: 5, Role: lot.Main, Owner: "C1", At: day(4, 0)},
	}}, "K-1"))
	_, err = buy("K-1", 0, none)
	want(t, err, "quantity_missing")
	_, err = buy("K-1", 1_000_000, none)
	require.NoError(t, err)
	require.Equal(t, lot.PartyID("C1"), g.last(1)[0].Body.(lot.Bought).Owner)
}

func TestTokens(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	req := &intakev1.IssueTokenRequest{
		CommandId: id(), Name: "gate-1", Roles: []string{"weigh-post"}, SecretSha256: make([]byte, 32), Expires: timestamppb.New(clock().Add(time.Hour)),
	}
	for range 2 {
		answer, err := g.client.IssueToken(ctx, req)
		require.NoError(t, err)
		require.Equal(t, req.GetCommandId(), answer.GetTokenId())
	}
	_, err := g.client.RevokeToken(ctx, &intakev1.RevokeTokenRequest{CommandId: id(), TokenId: req.GetCommandId()})
	require.NoError(t, err)
	list, err := g.client.ListTokens(ctx, &intakev1.ListTokensRequest{})
	require.NoError(t, err)
	require.Len(t, list.GetTokens(), 1)
	require.NotNil(t, list.GetTokens()[0].GetRevoked())
	_, err = g.as("post").RecordDelivery(ctx, delivered(""))
	require.Equal(t, fault.KindDenied, fault.KindOf(rpc.FromStatus(err)), "%v", err)
}
