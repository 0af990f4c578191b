package intake_test

import (
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// record records a delivery that must be accepted.
func (g *gate) record(req *intakev1.RecordDeliveryRequest) *intakev1.RecordDeliveryResponse {
	g.t.Helper()
	answer, err := g.client.RecordDelivery(g.t.Context(), req)
	require.NoError(g.t, err)
	return answer
}

func (g *gate) received(code string) *intakev1.Received {
	g.t.Helper()
	answer, err := g.client.GetDelivery(g.t.Context(), &intakev1.GetDeliveryRequest{Lot: code})
	require.NoError(g.t, err)
	return answer.GetReceived()
}

// refuse makes the inventory answer what comes next with err; nil lets it judge again.
func (g *gate) refuse(err error) {
	g.stock.mu.Lock()
	defer g.stock.mu.Unlock()
	g.stock.refuse = err
}

func (g *gate) moves() int {
	g.stock.mu.Lock()
	defer g.stock.mu.Unlock()
	return len(g.stock.moves)
}

func (g *gate) claimed() map[string]string {
	g.stock.mu.Lock()
	defer g.stock.mu.Unlock()
	out := map[string]string{}
	for k, v := range g.stock.claims {
		out[k] = v
	}
	return out
}

func TestLotCodes(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	first, second := g.record(delivered("")).GetLot(), g.record(delivered("")).GetLot()
	want1, err := lot.NewCode('A', 2025, 1)
	require.NoError(t, err)
	want2, err := lot.NewCode('A', 2025, 2)
	require.NoError(t, err)
	require.Equal(t, []string{string(want1), string(want2)}, []string{first, second})
	require.Empty(t, g.claimed(), "codes that intake gives need no claim")

	g.record(delivered("FIELD-7"))
	require.Len(t, g.claimed(), 1)
	third, err := lot.NewCode('A', 2025, 3)
	require.NoError(t, err)
	g.record(delivered(string(third)))
	fourth, err := lot.NewCode('A', 2025, 4)
	require.NoError(t, err)
	require.Equal(t, string(fourth), g.record(delivered("")).GetLot(), "a code in use is stepped over")

	_, err = g.client.RecordDelivery(ctx, delivered("FIELD-7"))
	want(t, err, "lot_code_used")
	misread := first[:len(first)-1] + "0"
	if misread == first {
		misread = first[:len(first)-1] + "1"
	}
	_, err = g.client.RecordDelivery(ctx, delivered(misread))
	if err == nil || fault.ReasonOf(err) == "lot_code_used" {
		t.Errorf("misread code %s: %v", misread, err)
	}
	ours := delivered("RIVAL-1")
	ours.Delivery.Claimant = id()
	g.stock.claims["RIVAL-1"] = id()
	_, err = g.client.RecordDelivery(ctx, ours)
	want(t, err, "lot_code_claimed")
	odd := delivered("ODD-1")
	odd.Delivery.Claimant = "me"
	_, err = g.client.RecordDelivery(ctx, odd)
	want(t, err, "claimant_malformed")
}

// A refused delivery leaves nothing, no claim either, so that it can be sent again put right; an accepted one is answered again the same way,
// also while the inventory is away.
func TestRefusedLeavesNothingAcceptedIsKept(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	bad := delivered("D-1")
	bad.Delivery.Weighings = weighings("10", "20")
	_, err := g.client.RecordDelivery(ctx, bad)
	want(t, err, "tare_above_gross")
	require.Empty(t, g.claimed())

	g.refuse(fault.Unavailable("away", "away"))
	good := delivered("D-1")
	_, err = g.client.RecordDelivery(ctx, good)
	want(t, err, "away")
	g.refuse(nil)
	answer := g.record(good)
	g.refuse(fault.Unavailable("away", "away"))
	again := g.record(good)
	if diff := cmp.Diff(answer, again, protocmp.Transform()); diff != "" {
		t.Errorf("the repeat is answered otherwise (-first +again):\n%s", diff)
	}
	other := proto.Clone(good).(*intakev1.RecordDeliveryRequest)
	other.Delivery.FreightMicros = 5
	g.refuse(nil)
	_, err = g.client.RecordDelivery(ctx, other)
	want(t, err, "command_id_reused")
	issued := delivered("")
	g.refuse(fault.Unavailable("away", "away"))
	g.record(issued)
}

// A text that cannot be stored or printed is refused by its field, and never an internal error. Break it catches: a door without the check.
func TestTextsOfCommands(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	bad := delivered("")
	bad.Delivery.Charges = []*eventv1.LandedCharge{{Name: "broker\x00", AmountMicros: 1}}
	_, err := g.client.RecordDelivery(t.Context(), bad)
	want(t, err, "text_malformed")
	require.ErrorContains(t, err, "delivery.charges.name")
	_, err = g.client.RegisterParty(t.Context(), &intakev1.RegisterPartyRequest{CommandId: id(), Party: &eventv1.PartyChanged{
		Party: "S9", Name: "a\x00", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_SELLER},
	}})
	want(t, err, "text_malformed")
}

func TestTimesOfDeliveries(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ahead := delivered("")
	ahead.Effective = timestamppb.New(clock().Add(5*time.Minute + time.Second))
	_, err := g.client.RecordDelivery(t.Context(), ahead)
	want(t, err, "effective_in_future")
	ahead.Effective = timestamppb.New(clock().Add(5 * time.Minute))
	g.record(ahead)
}

// Two scales, kilograms and pounds, digits and stored readings in one visit. 453.59237 kg are 1,000 lb (NIST Handbook 44, appendix C).
func TestVisitWithTwoScales(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	metric := line("K", 1, "453.59237")
	metric.Unit = "KGM"
	tare := line("W", 1, "250.5")
	tare.Kind = intakev1.ReadingKind_READING_KIND_TARE
	g.post(g.client, metric, tare)
	req := delivered("D-1")
	req.Delivery.Weighings = []*intakev1.Weighing{
		{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Scale: "K", Sequence: 1},
		{Kind: intakev1.ReadingKind_READING_KIND_TARE, Scale: "W", Sequence: 1},
		{Kind: intakev1.ReadingKind_READING_KIND_NET, Digits: "5", Unit: "LBR"},
	}
	require.EqualValues(t, 754_500_000, g.record(req).GetNetMicropounds())
	got := g.received("D-1")
	require.Equal(t, "453.59237", got.GetWeighings()[0].GetDigits(), "the reading's digits are kept with the delivery")
	require.Equal(t, "KGM", got.GetWeighings()[0].GetUnit())
	require.Equal(t, metric.GetTime().AsTime(), got.GetWeighings()[0].GetTime().AsTime())
	require.EqualValues(t, 1_005_000_000, got.GetFacts().GetGrossMicropounds())
}

func TestIngredients(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	receive := func(code, item, alias string, quantity int64) {
		_, err := g.client.ReceiveIngredient(ctx, &intakev1.ReceiveIngredientRequest{
			CommandId: id(), Lot: code, Supplier: "U1", Item: item, Quantity: quantity, CostMicros: 12_340_000, SupplierLot: alias,
			Effective: timestamppb.New(day(2, 9)), BestBy: "2025-06-30",
		})
		require.NoError(t, err)
	}
	receive("R-1", "SUGAR", "X9", 50_000_000)
	receive("R-2", "BOX", "X10", 400)
	receive("R-3", "SUGAR", "X11", 7_000_000)
	receive("R-4", "SUGAR", "X11", 8_000_000)
	byAlias, err := g.client.GetDelivery(ctx, &intakev1.GetDeliveryRequest{Lot: "X10", Party: "U1"})
	require.NoError(t, err)
	facts := byAlias.GetReceived().GetFacts()
	require.Equal(t, "R-2", facts.GetLot())
	require.Equal(t, eventv1.Measure_MEASURE_COUNT, facts.GetMeasure())
	require.EqualValues(t, 400, facts.GetQuantity())
	require.EqualValues(t, 12_340_000, facts.GetPurchaseMicros())
	_, err = g.client.GetDelivery(ctx, &intakev1.GetDeliveryRequest{Lot: "X10", Party: "S1"})
	want(t, err, "lot_unknown")
	_, err = g.client.GetDelivery(ctx, &intakev1.GetDeliveryRequest{Lot: "X11", Party: "U1"})
	want(t, err, "alias_ambiguous")
	_, err = g.client.GetDelivery(ctx, &intakev1.GetDeliveryRequest{Lot: "X9"})
	want(t, err, "lot_unknown")
	g.record(delivered("D-1"))
	page, err := g.client.ListDeliveries(ctx, &intakev1.ListDeliveriesRequest{Party: "U1", PageSize: 3})
	require.NoError(t, err)
	rest, err := g.client.ListDeliveries(ctx, &intakev1.ListDeliveriesRequest{Party: "U1", PageSize: 3, PageToken: page.GetNextPageToken()})
	require.NoError(t, err)
	var lots []string
	for _, r := range append(page.GetReceived(), rest.GetReceived()...) {
		lots = append(lots, r.GetFacts().GetLot())
	}
	require.Equal(t, []string{"R-1", "R-2", "R-3", "R-4"}, lots)
	require.Empty(t, rest.GetNextPageToken())
}

func TestItemsAndParties(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	register := func(from time.Time, change func(*eventv1.ItemChanged)) error {
		i := &eventv1.ItemChanged{Item: "NUT", Name: "nuts", Kind: eventv1.ItemKind_ITEM_KIND_IN_SHELL, Measure: eventv1.Measure_MEASURE_WEIGHT}
		change(i)
		_, err := g.client.RegisterItem(ctx, &intakev1.RegisterItemRequest{CommandId: id(), Item: i, Effective: timestamppb.New(from)})
		return err
	}
	require.NoError(t, register(day(9, 0), func(i *eventv1.ItemChanged) { i.SplitOffMicrosPerLb = new(int64(3)) }))
	require.NoError(t, register(day(5, 0), func(i *eventv1.ItemChanged) { i.SplitOffMicrosPerLb = new(int64(2)) }))
	want(t, register(day(9, 0), func(i *eventv1.ItemChanged) { i.Measure = eventv1.Measure_MEASURE_COUNT }), "item_measure_fixed")
	want(t, register(day(9, 0), func(i *eventv1.ItemChanged) { i.SplitOffMicrosPerLb = new(int64(-1)) }), "price_negative")
	want(t, register(day(9, 0), func(i *eventv1.ItemChanged) { i.SplitOffMicrosPerLb = new(int64(1_000_000_001)) }), "price_out_of_range")
	want(t, register(day(9, 0), func(i *eventv1.ItemChanged) { i.UnitMicropounds = 5_000_000_001 }), "weight_out_of_range")
	want(t, register(day(9, 0), func(i *eventv1.ItemChanged) { i.Allergens = []string{"milk", "milk"} }), "allergen_malformed")
	want(t, register(clock().Add(time.Hour), func(*eventv1.ItemChanged) {}), "effective_in_future")
	items, err := g.client.ListItems(ctx, &intakev1.ListItemsRequest{})
	require.NoError(t, err)
	require.Len(t, items.GetItems(), 3)
	require.EqualValues(t, 3, items.GetItems()[1].GetSplitOffMicrosPerLb(), "the latest effective stands, whichever came last")

	_, err = g.client.RegisterParty(ctx, &intakev1.RegisterPartyRequest{CommandId: id(), Party: &eventv1.PartyChanged{Party: "S1", Name: "renamed",
		Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_SELLER, eventv1.PartyRole_PARTY_ROLE_CUSTOMER}}})
	require.NoError(t, err)
	_, err = g.client.RegisterParty(ctx, &intakev1.RegisterPartyRequest{CommandId: id(), Party: &eventv1.PartyChanged{Party: "S2", Name: "no role"}})
	want(t, err, "party_role_missing")
	page, err := g.client.ListParties(ctx, &intakev1.ListPartiesRequest{PageSize: 2})
	require.NoError(t, err)
	rest, err := g.client.ListParties(ctx, &intakev1.ListPartiesRequest{PageSize: 2, PageToken: page.GetNextPageToken()})
	require.NoError(t, err)
	require.Equal(t, "C1", page.GetParties()[0].GetParty())
	require.Equal(t, "renamed", page.GetParties()[1].GetName())
	require.Equal(t, "U1", rest.GetParties()[0].GetParty())
	var versions int
	require.NoError(t, g.db.Pool().QueryRow(ctx, `select count(*) from party_versions where party = 'S1'`).Scan(&versions))
	require.Equal(t, 2, versions, "what a party was before is kept")

	unknown := delivered("")
	unknown.Delivery.Party = "NOBODY"
	_, err = g.client.RecordDelivery(ctx, unknown)
	want(t, err, "party_unknown")
	unknown = delivered("")
	unknown.Delivery.Item = "NOTHING"
	_, err = g.client.RecordDelivery(ctx, unknown)
	want(t, err, "item_unknown")
}

// Eight commands want one code at once, each with a claimant of its own: one is born.
func TestOneCodeManyClaims(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	var wait sync.WaitGroup
	var mu sync.Mutex
	born := 0
	reasons := map[string]int{}
	for range 8 {
		wait.Go(func() {
			req := delivered("D-1")
			_, err := g.client.RecordDelivery(t.Context(), req)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				born++
			} else {
				reasons[reasonOf(err)]++
			}
		})
	}
	wait.Wait()
	require.Equal(t, 1, born, "refusals: %v", reasons)
	require.Equal(t, 7, reasons["lot_code_used"]+reasons["lot_code_claimed"], "%v", reasons)
}
