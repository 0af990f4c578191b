package intake_test

import (
	"context"
	"log/slog"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/access"
	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/intake"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// day is the plant's day; the clock stands in the evening of the twentieth.
func day(d, hour int) time.Time { return time.Date(2025, 1, d, hour, 0, 0, 0, time.UTC) }

func clock() time.Time { return day(20, 20) }

// stock is the inventory as intake sees it: it claims, judges movements as the test wants, and says events.
type stock struct {
	inventoryv1.UnimplementedInventoryServiceServer
	t testing.TB

	mu     sync.Mutex
	events []*eventv1.Envelope
	claims map[string]string
	moves  []*inventoryv1.PostMovementRequest
	refuse error // of the next movements

	applied func() *eventv1.Receipt // of intake's events; nil: none
	kept    []*eventv1.Envelope     // of intake's events
}

func (s *stock) ClaimLots(_ context.Context, req *inventoryv1.ClaimLotsRequest) (*inventoryv1.ClaimLotsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse != nil && fault.KindOf(s.refuse) == fault.KindUnavailable {
		return nil, rpc.ToStatus(s.refuse)
	}
	n := int64(0)
	for _, c := range req.GetClaims() {
		switch by, ok := s.claims[c.GetLot()]; {
		case !ok:
			s.claims[c.GetLot()] = c.GetClaimant()
			n++
		case by != c.GetClaimant():
			return nil, rpc.ToStatus(fault.Conflict("lot_code_claimed", "lot %s: claimed by %s", c.GetLot(), by))
		}
	}
	return &inventoryv1.ClaimLotsResponse{Claimed: n}, nil
}

func (s *stock) PostMovement(_ context.Context, req *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse != nil {
		return nil, rpc.ToStatus(s.refuse)
	}
	s.moves = append(s.moves, req)
	return &inventoryv1.PostMovementResponse{Receipt: &eventv1.Receipt{Producer: "inventory", Epoch: 1, Position: int64(len(s.events))}}, nil
}

func (s *stock) GetHead(context.Context, *inventoryv1.GetHeadRequest) (*inventoryv1.GetHeadResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := &eventv1.Head{At: &eventv1.Receipt{Producer: "inventory", Epoch: 1, Position: int64(len(s.events))}, Hash: make([]byte, 32)}
	if n := len(s.events); n > 0 {
		h.Hash = s.events[n-1].GetHash()
	}
	answer := &inventoryv1.GetHeadResponse{Head: h}
	if s.applied != nil {
		answer.Applied = append(answer.Applied, s.applied())
	}
	return answer, nil
}

func (s *stock) ReadKept(req *inventoryv1.ReadKeptRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadKeptResponse]) error {
	s.mu.Lock()
	var page []*eventv1.Envelope
	for _, env := range s.kept {
		if env.GetEpoch() == req.GetEpoch() && env.GetPosition() > req.GetAfterPosition() {
			page = append(page, env)
		}
	}
	s.mu.Unlock()
	return stream.Send(&inventoryv1.ReadKeptResponse{Envelopes: page})
}

func (s *stock) ReadEvents(req *inventoryv1.ReadEventsRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadEventsResponse]) error {
	s.mu.Lock()
	page := s.events[min(int(req.GetAfterPosition()), len(s.events)):]
	s.mu.Unlock()
	return stream.Send(&inventoryv1.ReadEventsResponse{Envelopes: page})
}

// say adds an event of the inventory's.
func (s *stock) say(at time.Time, body lot.Body, lots ...lot.ID) lot.Receipt {
	s.t.Helper()
	payload, err := lotwire.Marshal(uuid.Must(uuid.NewV7()).String(), "test", nil, lot.Event{Lots: lots, Effective: at, Body: body})
	require.NoError(s.t, err)
	s.mu.Lock()
	defer s.mu.Unlock()
	env := &eventv1.Envelope{
		Producer: "inventory", Epoch: 1, Position: int64(len(s.events) + 1), RecordedMicros: clock().UnixMicro(), Payload: payload, Type: body.Kind(),
		PreviousHash: make([]byte, 32),
	}
	if n := len(s.events); n > 0 {
		env.PreviousHash = s.events[n-1].GetHash()
	}
	env.Hash = lotwire.Hash(env)
	s.events = append(s.events, env)
	return lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: env.GetPosition()}
}

// gate is intake with its neighbour.
type gate struct {
	t        testing.TB
	db       *postgres.DB
	stock    *stock
	listener *bufconn.Listener
	client   intakev1.IntakeServiceClient // an administrator
	visits   intakev1.VisitServiceClient  // the same
	peer     *grpc.ClientConn             // to the stock
	stop     func()                       // stops the service, not its door
}

func listen(t testing.TB, server *grpc.Server) *bufconn.Listener {
	t.Helper()
	l := bufconn.Listen(1 << 20)
	done := make(chan error, 1)
	go func() { done <- server.Serve(l) }()
	t.Cleanup(func() { server.Stop(); <-done })
	return l
}

func dial(t testing.TB, l *bufconn.Listener, token string) *grpc.ClientConn {
	t.Helper()
	conn, err := rpc.Dial(rpc.DialConfig{Target: "x", Token: token, Dialer: func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

func newGate(t testing.TB) *gate {
	t.Helper()
	g := &gate{t: t, stock: &stock{t: t, claims: map[string]string{}}}
	inventory := grpc.NewServer()
	inventoryv1.RegisterInventoryServiceServer(inventory, g.stock)
	g.db, g.peer = dbtest.New(t, intake.Migrations(), "intake"), dial(t, listen(t, inventory), "")
	g.start()
	g.basis()
	return g
}

// start runs the service on the gate's database; after a stop that is a restart.
func (g *gate) start() {
	t := g.t
	t.Helper()
	logger := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))
	service, err := intake.New(intake.Config{
		DB: g.db, Now: clock, Logger: logger, Peers: map[lot.Producer]grpc.ClientConnInterface{lot.Inventory: g.peer},
	})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- service.Run(ctx) }()
	g.stop = sync.OnceFunc(func() { cancel(); <-done })
	t.Cleanup(g.stop)
	door := service.Door()
	// The secret is the person's name: "post" may only post readings, everybody else has every role.
	door.Verify = func(_ context.Context, secret string) (access.Actor, error) {
		if secret == "post" {
			return access.Actor{Name: secret, Roles: []access.Role{access.WeighPost}}, nil
		}
		return access.Actor{Name: secret, Roles: access.TokenRoles()}, nil
	}
	server, err := rpc.NewServer(rpc.ServerConfig{
		Doors:  map[string]rpc.Door{intakev1.IntakeService_ServiceDesc.ServiceName: door, intakev1.VisitService_ServiceDesc.ServiceName: door},
		Logger: logger, Now: clock,
	})
	require.NoError(t, err)
	service.Register(server)
	g.listener = listen(t, server)
	g.client = g.as("anna")
	g.visits = intakev1.NewVisitServiceClient(dial(t, g.listener, "anna"))
}

// as is a client in the name of a person.
func (g *gate) as(name string) intakev1.IntakeServiceClient {
	return intakev1.NewIntakeServiceClient(dial(g.t, g.listener, name))
}

func id() string { return uuid.NewString() }

// basis registers the parties and items of the tests.
func (g *gate) basis() {
	ctx := g.t.Context()
	for _, p := range []*eventv1.PartyChanged{
		{Party: "S1", Name: "a seller", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_SELLER}},
		{Party: "C1", Name: "a client", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_CUSTOM_CLIENT}},
		{Party: "U1", Name: "a supplier", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_SUPPLIER}},
	} {
		_, err := g.client.RegisterParty(ctx, &intakev1.RegisterPartyRequest{CommandId: id(), Party: p})
		require.NoError(g.t, err)
	}
	for _, i := range []*eventv1.ItemChanged{
		{Item: "NUT", Name: "nuts", Kind: eventv1.ItemKind_ITEM_KIND_IN_SHELL, Measure: eventv1.Measure_MEASURE_WEIGHT},
		{Item: "BOX", Name: "boxes", Kind: eventv1.ItemKind_ITEM_KIND_PACKAGING, Measure: eventv1.Measure_MEASURE_COUNT},
		{Item: "SUGAR", Name: "sugar", Kind: eventv1.ItemKind_ITEM_KIND_INGREDIENT, Measure: eventv1.Measure_MEASURE_WEIGHT},
	} {
		_, err := g.client.RegisterItem(ctx, &intakev1.RegisterItemRequest{CommandId: id(), Item: i, Effective: timestamppb.New(day(1, 0))})
		require.NoError(g.t, err)
	}
}

// want fails unless err is a fault of this reason; "" wants none.
func want(t *testing.T, err error, reason string) {
	t.Helper()
	if got := fault.ReasonOf(rpc.FromStatus(err)); got != reason || (err != nil) != (reason != "") {
		t.Errorf("got reason %q (%v), want %q", got, err, reason)
	}
}

// weighings is a visit in pounds.
func weighings(gross, tare string) []*intakev1.Weighing {
	return []*intakev1.Weighing{
		{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Digits: gross, Unit: "LBR"},
		{Kind: intakev1.ReadingKind_READING_KIND_TARE, Digits: tare, Unit: "LBR"},
	}
}

// delivered is a delivery of the company's at 1.25 a pound.
func delivered(code string) *intakev1.RecordDeliveryRequest {
	return &intakev1.RecordDeliveryRequest{CommandId: id(), Effective: timestamppb.New(day(2, 9)), Delivery: &intakev1.DeliveryFacts{
		Lot: code, Party: "S1", Ownership: eventv1.Ownership_OWNERSHIP_COMPANY, Item: "NUT", Weighings: weighings("1500.5", "500"),
		PriceMicrosPerLb: new(int64(1_250_000)),
	}}
}
