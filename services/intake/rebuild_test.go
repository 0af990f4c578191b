package intake_test

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake"
	"huskline/services/intake/internal/consumer"
	"huskline/services/intake/internal/delivery"
	"huskline/services/intake/internal/store"
)

// What intake has said makes the same state again in an empty database, single weighings apart: so a database that went back to an earlier
// moment heals from what the others kept. It catches an event that leaves out a part of what it tells.
func TestStateFromEvents(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.record(delivered("D-1"))
	g.record(delivered("D-2"))
	sellers := delivered("D-3")
	sellers.Delivery.Ownership, sellers.Delivery.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_SELLER, nil
	g.record(sellers)
	g.record(delivered(""))
	_, err := g.client.SettlePrice(ctx, &intakev1.SettlePriceRequest{CommandId: id(), Lot: "D-1", PriceMicrosPerLb: 1_300_000, Effective: timestamppb.New(day(9, 9))})
	require.NoError(t, err)
	payOnly := correction("D-1", "1490.5", "500")
	payOnly.PayOnly = true
	for _, c := range []*intakev1.CorrectDeliveryRequest{payOnly, correction("D-2", "900", "500")} {
		_, err := g.client.CorrectDelivery(ctx, c)
		require.NoError(t, err)
	}
	_, err = g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-2", Reason: "twice"})
	require.NoError(t, err)
	_, err = g.client.BuyLot(ctx, &intakev1.BuyLotRequest{CommandId: id(), Lot: "D-3", PriceMicros: 7, Effective: timestamppb.New(day(9, 9))})
	require.NoError(t, err)
	g.post(g.client, line("W", 1, "1"))

	fresh := dbtest.New(t, intake.Migrations(), "intake")
	for _, e := range g.events() {
		err := fresh.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
			return consumer.Reapply(ctx, store.New(tx, clock(), 'A'), e)
		})
		if _, readings := e.Body.(lot.ReadingsStored); readings {
			require.Equal(t, "readings_lost", fault.ReasonOf(err))
			continue
		}
		require.NoError(t, err, e.Body.Kind())
	}
	was, is := store.NewReader(g.db, clock), store.NewReader(fresh, clock)
	want, err := was.Deliveries(ctx, "", "", 100)
	require.NoError(t, err)
	got, err := is.Deliveries(ctx, "", "", 100)
	require.NoError(t, err)
	plain := func(in []delivery.Priced) []delivery.Priced {
		for i := range in {
			in[i].Weighings, in[i].Command = nil, ""
		}
		return in
	}
	if diff := cmp.Diff(plain(want), plain(got), protocmp.Transform()); diff != "" {
		t.Errorf("deliveries (-before +rebuilt):\n%s", diff)
	}
	parties, err := was.Parties(ctx, "", 100)
	require.NoError(t, err)
	again, err := is.Parties(ctx, "", 100)
	require.NoError(t, err)
	require.Equal(t, parties, again)
	items, err := was.Items(ctx, "", 100)
	require.NoError(t, err)
	itemsAgain, err := is.Items(ctx, "", 100)
	require.NoError(t, err)
	require.Equal(t, items, itemsAgain)
}
