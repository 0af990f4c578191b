package intake_test

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/dbtest"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/pgserver"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// copied stops the service, copies its database as it is now, and starts it again.
func (g *gate) copied() (dsn string) {
	g.t.Helper()
	g.stop()
	g.db.Close()
	cfg, err := pgx.ParseConfig(g.db.DSN())
	require.NoError(g.t, err)
	name, owner, role := cfg.Database+"_earlier", postgres.OwnerRole(string(lot.Intake)), postgres.RunRole(string(lot.Intake))
	admin, err := postgres.WithRole(g.db.DSN(), pgserver.Superuser, "postgres")
	require.NoError(g.t, err)
	dbtest.Exec(g.t, admin, "create database "+name+" template "+cfg.Database+" owner "+owner)
	g.t.Cleanup(func() { dbtest.Exec(g.t, admin, "drop database "+name+" with (force)") })
	dbtest.Exec(g.t, admin, "grant connect on database "+name+" to "+role)
	dsn, err = postgres.WithRole(g.db.DSN(), role, name)
	require.NoError(g.t, err)
	g.db = dbtest.Open(g.t, g.db.DSN())
	g.start()
	return dsn
}

// back starts the service on an earlier copy of its database. The inventory holds what it had said by now.
func (g *gate) back(dsn string) {
	g.t.Helper()
	kept, err := outbox.Read(g.t.Context(), g.db.Pool(), 1, 0, 0)
	require.NoError(g.t, err)
	g.stop()
	g.db = dbtest.Open(g.t, dsn)
	db := g.db
	g.stock.mu.Lock()
	g.stock.kept = kept
	g.stock.applied = func() *eventv1.Receipt {
		head, err := outbox.ReadHead(context.Background(), db.Pool())
		if err == nil && head.GetAt().GetEpoch() > 1 {
			return head.GetAt()
		}
		return &eventv1.Receipt{Producer: string(lot.Intake), Epoch: 1, Position: int64(len(kept))}
	}
	g.stock.mu.Unlock()
	g.start()
}

// past is the ids of all that intake has said, in order.
func (g *gate) past() (ids []string) {
	g.t.Helper()
	for epoch := int64(1); epoch <= 2; epoch++ {
		envs, err := outbox.Read(g.t.Context(), g.db.Pool(), epoch, 0, 0)
		require.NoError(g.t, err)
		for _, env := range envs {
			e, err := lotwire.Unmarshal(env)
			require.NoError(g.t, err)
			ids = append(ids, e.EventID)
		}
	}
	return ids
}

// state is what the gate looks like from outside. Single weighings are in no event.
func (g *gate) state() []proto.Message {
	g.t.Helper()
	ctx := g.t.Context()
	parties, err := g.client.ListParties(ctx, &intakev1.ListPartiesRequest{})
	require.NoError(g.t, err)
	items, err := g.client.ListItems(ctx, &intakev1.ListItemsRequest{})
	require.NoError(g.t, err)
	deliveries, err := g.client.ListDeliveries(ctx, &intakev1.ListDeliveriesRequest{})
	require.NoError(g.t, err)
	return []proto.Message{parties, items, deliveries}
}

// sent are commands with their first answers.
type sent struct {
	g    *gate
	do   []func() (proto.Message, error)
	want []proto.Message
}

// method is one of the client, of whatever client the gate has by then.
type method[Q, A proto.Message] func(intakev1.IntakeServiceClient, context.Context, Q, ...grpc.CallOption) (A, error)

// send does a command once, and keeps it with its answer.
func send[Q, A proto.Message](s *sent, call method[Q, A], req Q) A {
	s.g.t.Helper()
	do := func() (A, error) { return call(s.g.client, s.g.t.Context(), req) }
	answer, err := do()
	require.NoError(s.g.t, err, "%T", req)
	s.want = append(s.want, answer)
	s.do = append(s.do, func() (proto.Message, error) { return do() })
	return answer
}

// The database goes back to an earlier moment; the inventory holds what followed. Breaks it catches: an own event whose effect is left out, one
// that is said anew, a lost command that is done again, a code given twice.
func TestRestored(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.record(delivered("D-1"))
	first := g.record(delivered(""))
	earlier := g.copied()
	type client = intakev1.IntakeServiceClient
	lost := &sent{g: g}
	send(lost, client.RegisterParty, &intakev1.RegisterPartyRequest{CommandId: id(), Party: &eventv1.PartyChanged{
		Party: "S2", Name: "another seller", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_SELLER},
	}})
	second := send(lost, client.RecordDelivery, delivered(""))
	send(lost, client.RecordDelivery, delivered("D-2"))
	sellers := delivered("D-3")
	sellers.Delivery.Ownership, sellers.Delivery.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_SELLER, nil
	send(lost, client.RecordDelivery, sellers)
	send(lost, client.CorrectDelivery, correction("D-1", "900", "500"))
	send(lost, client.VoidDelivery, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-2", Reason: "twice"})
	send(lost, client.SettlePrice, &intakev1.SettlePriceRequest{CommandId: id(), Lot: "D-1", PriceMicrosPerLb: 1_300_000, Effective: timestamppb.New(day(9, 9))})
	send(lost, client.BuyLot, &intakev1.BuyLotRequest{CommandId: id(), Lot: "D-3", PriceMicros: 7, Effective: timestamppb.New(day(9, 9))})
	before, said, moves := g.state(), g.past(), g.moves()

	g.back(earlier)
	for i, do := range lost.do {
		got, err := do()
		require.NoError(t, err, "%T", lost.want[i])
		if diff := cmp.Diff(lost.want[i], got, protocmp.Transform(), protocmp.IgnoreFields(got, "receipt")); diff != "" {
			t.Errorf("%T again (-first +now):\n%s", got, diff)
		}
	}
	require.Equal(t, moves, g.moves(), "the inventory was asked for nothing again")
	weighings := protocmp.IgnoreFields(&intakev1.Received{}, "weighings")
	if diff := cmp.Diff(before, g.state(), protocmp.Transform(), weighings); diff != "" {
		t.Errorf("state (-before +after):\n%s", diff)
	}
	require.Equal(t, said, g.past(), "the old ids in the old order, and none besides")
	third := g.record(delivered(""))
	require.NotContains(t, []string{first.GetLot(), second.GetLot()}, third.GetLot())
}
