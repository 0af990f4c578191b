package inventory_test

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
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/inventory"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// day is the plant's day; the clock stands in the evening of the tenth.
func day(d, hour int) time.Time { return time.Date(2025, 1, d, hour, 0, 0, 0, time.UTC) }

func clock() time.Time { return day(20, 20) }

// producer is another service as inventory sees it: a head, and events to read.
type producer struct {
	t    testing.TB
	name lot.Producer

	mu     sync.Mutex
	events []*eventv1.Envelope
	away   bool
	kept   []*eventv1.Envelope // of inventory's events
	turned bool                // to inventory's second epoch, after all that was kept was given back
}

func (p *producer) say(at time.Time, body lot.Body, lots ...lot.ID) lot.Receipt {
	p.t.Helper()
	payload, err := lotwire.Marshal(uuid.Must(uuid.NewV7()).String(), "test", nil, lot.Event{Lots: lots, Effective: at, Body: body})
	require.NoError(p.t, err)
	p.mu.Lock()
	defer p.mu.Unlock()
	env := &eventv1.Envelope{
		Producer: string(p.name), Epoch: 1, Position: int64(len(p.events) + 1), RecordedMicros: clock().UnixMicro(), Payload: payload,
		Type: body.Kind(), PreviousHash: make([]byte, 32),
	}
	if n := len(p.events); n > 0 {
		env.PreviousHash = p.events[n-1].GetHash()
	}
	env.Hash = lotwire.Hash(env)
	p.events = append(p.events, env)
	return lot.Receipt{Producer: p.name, Epoch: 1, Position: env.GetPosition()}
}

func (p *producer) leave(away bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.away = away
}

func (p *producer) head() (*eventv1.Head, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.away {
		return nil, rpc.ToStatus(fault.Precondition("away", "away"))
	}
	h := &eventv1.Head{At: &eventv1.Receipt{Producer: string(p.name), Epoch: 1, Position: int64(len(p.events))}, Hash: make([]byte, 32)}
	if n := len(p.events); n > 0 {
		h.Hash = p.events[n-1].GetHash()
	}
	return h, nil
}

func (p *producer) after(position int64) []*eventv1.Envelope {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.events[min(int(position), len(p.events)):]
}

// applied is how far the producer has taken inventory's events.
func (p *producer) applied() []*eventv1.Receipt {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.kept) == 0 {
		return nil
	}
	last := p.kept[len(p.kept)-1]
	if p.turned {
		return []*eventv1.Receipt{{Producer: last.GetProducer(), Epoch: last.GetEpoch() + 1}}
	}
	return []*eventv1.Receipt{{Producer: last.GetProducer(), Epoch: last.GetEpoch(), Position: last.GetPosition()}}
}

func (p *producer) keptAfter(epoch, position int64) (out []*eventv1.Envelope) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, env := range p.kept {
		if env.GetEpoch() == epoch && env.GetPosition() > position {
			out = append(out, env)
		}
	}
	p.turned = len(out) == 0
	return out
}

type intakeStub struct {
	intakev1.UnimplementedIntakeServiceServer
	*producer
}

func (s intakeStub) GetHead(context.Context, *intakev1.GetHeadRequest) (*intakev1.GetHeadResponse, error) {
	h, err := s.head()
	return &intakev1.GetHeadResponse{Head: h, Applied: s.applied()}, err
}

func (s intakeStub) ReadKept(req *intakev1.ReadKeptRequest, stream grpc.ServerStreamingServer[intakev1.ReadKeptResponse]) error {
	return stream.Send(&intakev1.ReadKeptResponse{Envelopes: s.keptAfter(req.GetEpoch(), req.GetAfterPosition())})
}

func (s intakeStub) ReadEvents(req *intakev1.ReadEventsRequest, stream grpc.ServerStreamingServer[intakev1.ReadEventsResponse]) error {
	return stream.Send(&intakev1.ReadEventsResponse{Envelopes: s.after(req.GetAfterPosition())})
}

type productionStub struct {
	productionv1.UnimplementedProductionServiceServer
	*producer
}

func (s productionStub) GetHead(context.Context, *productionv1.GetHeadRequest) (*productionv1.GetHeadResponse, error) {
	h, err := s.head()
	return &productionv1.GetHeadResponse{Head: h, Applied: s.applied()}, err
}

func (s productionStub) ReadKept(req *productionv1.ReadKeptRequest, stream grpc.ServerStreamingServer[productionv1.ReadKeptResponse]) error {
	return stream.Send(&productionv1.ReadKeptResponse{Envelopes: s.keptAfter(req.GetEpoch(), req.GetAfterPosition())})
}

func (s productionStub) ReadEvents(req *productionv1.ReadEventsRequest, stream grpc.ServerStreamingServer[productionv1.ReadEventsResponse]) error {
	return stream.Send(&productionv1.ReadEventsResponse{Envelopes: s.after(req.GetAfterPosition())})
}

// plant is inventory with its two neighbours.
type plant struct {
	t          testing.TB
	db         *postgres.DB
	intake     *producer
	production *producer
	peer       inventoryv1.InventoryServiceClient // as production
	listener   *bufconn.Listener
	service    *inventory.Service
	peers      map[lot.Producer]grpc.ClientConnInterface
	stop       func() // the service
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

func newPlant(t testing.TB) *plant {
	t.Helper()
	p := &plant{t: t, intake: &producer{t: t, name: lot.Intake}, production: &producer{t: t, name: lot.Production}}
	intake, production := grpc.NewServer(), grpc.NewServer()
	intakev1.RegisterIntakeServiceServer(intake, intakeStub{producer: p.intake})
	productionv1.RegisterProductionServiceServer(production, productionStub{producer: p.production})
	p.peers = map[lot.Producer]grpc.ClientConnInterface{
		lot.Intake: dial(t, listen(t, intake), ""), lot.Production: dial(t, listen(t, production), ""),
	}
	p.start(dbtest.New(t, inventory.Migrations(), "inventory"))
	t.Cleanup(func() { p.stop() })
	p.basis()
	return p
}

// start starts the service on a database, with a door for people and one for production.
func (p *plant) start(db *postgres.DB) {
	t := p.t
	t.Helper()
	logger := slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelWarn}))
	service, err := inventory.New(inventory.Config{DB: db, Now: clock, Logger: logger, Peers: p.peers})
	require.NoError(t, err)
	p.db = db
	p.service = service
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- service.Run(ctx) }()
	p.stop = func() { cancel(); <-done }
	door := service.Door()
	// The secret is the person's name; everybody here has every role.
	door.Verify = func(_ context.Context, secret string) (access.Actor, error) {
		return access.Actor{Name: secret, Roles: access.TokenRoles()}, nil
	}
	doors := map[string]rpc.Door{inventoryv1.InventoryService_ServiceDesc.ServiceName: door}
	for _, peer := range []lot.Producer{"", lot.Production} {
		server, err := rpc.NewServer(rpc.ServerConfig{Doors: doors, Peer: peer, Logger: logger, Now: clock})
		require.NoError(t, err)
		service.Register(server)
		l := listen(t, server)
		if peer == "" {
			p.listener = l
		} else {
			p.peer = inventoryv1.NewInventoryServiceClient(dial(t, l, ""))
		}
	}
}

// as is a client in the name of a person.
func (p *plant) as(name string) inventoryv1.InventoryServiceClient {
	return inventoryv1.NewInventoryServiceClient(dial(p.t, p.listener, name))
}

// basis registers items and parties.
func (p *plant) basis() {
	for _, i := range []lot.ItemChanged{
		{Item: "NUT", ItemKind: lot.InShell, Measure: lot.ByWeight}, {Item: "HALF", ItemKind: lot.Kernel, Measure: lot.ByWeight},
		{Item: "TIN", ItemKind: lot.Finished, Measure: lot.ByCount, Unit: pound / 2},
		{Item: "SHELL", ItemKind: lot.ByProductItem, Measure: lot.ByWeight}, {Item: "BOX", ItemKind: lot.Packaging, Measure: lot.ByCount},
	} {
		p.intake.say(day(1, 0), i)
	}
	for _, id := range []lot.PartyID{"GROWER", "CLIENT", "OTHER", "SHOP"} {
		p.intake.say(day(1, 0), lot.PartyChanged{Party: id, Name: string(id), Roles: []lot.PartyRole{lot.Customer}})
	}
}

const pound = 1_000_000

// receive lets intake say that pounds of the company's came in.
func (p *plant) receive(id lot.ID, pounds int64, at time.Time) { p.receiveFor(id, pounds, at, "") }

func (p *plant) receiveFor(id lot.ID, pounds int64, at time.Time, owner lot.PartyID) {
	r := lot.Received{
		Lot: id, Source: lot.Delivery, Item: "NUT", Measure: lot.ByWeight, Quantity: lot.Quantity(pounds * pound), Party: "GROWER",
		Ownership: lot.Company, Owner: owner,
	}
	if owner != "" {
		r.Ownership = lot.Custom
	}
	p.intake.say(at, r, id)
}

// reason is the stable reason of an answer's error.
func reason(err error) string { return fault.ReasonOf(rpc.FromStatus(err)) }

func stamp(at time.Time) *timestamppb.Timestamp { return timestamppb.New(at) }

// run is a run's posting: pounds in and out, everything at the given hours of a day.
type run struct {
	id      string
	in, out map[string]int64
	at      time.Time
	open    bool
	first   int64 // number of its first line of each kind, less one
	gain    string
	table   []*eventv1.Contribution
	version int64
}

func (r run) posted() *eventv1.RunPosted {
	m := &eventv1.RunPosted{Run: r.id, Version: max(1, r.version), Stage: "shell", Final: !r.open, GainReason: r.gain, Contributions: r.table}
	n := r.first
	for _, id := range sorted(r.in) {
		n++
		m.Inputs = append(m.Inputs, &eventv1.RunInput{Line: n, Lot: id, Quantity: r.in[id] * pound, At: stamp(r.at)})
	}
	n = r.first
	for _, id := range sorted(r.out) {
		n++
		m.Outputs = append(m.Outputs, &eventv1.RunOutput{
			Line: n, Lot: id, Item: "HALF", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: r.out[id] * pound,
			Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: stamp(r.at.Add(time.Hour)),
		})
	}
	return m
}

func sorted(m map[string]int64) []string {
	var out []string
	for id := range m {
		out = append(out, id)
	}
	for i := range out {
		for j := i + 1; j < len(out); j++ {
			if out[j] < out[i] {
				out[i], out[j] = out[j], out[i]
			}
		}
	}
	return out
}

// request is the movement of a run under a new id.
func (r run) request() *inventoryv1.PostMovementRequest {
	return &inventoryv1.PostMovementRequest{
		CommandId: uuid.NewString(), Try: 1, Effective: stamp(r.at.Add(time.Hour)), Actor: "operator",
		Movement: &inventoryv1.PostMovementRequest_Run{Run: r.posted()},
	}
}

func (p *plant) post(r run) (*inventoryv1.PostMovementResponse, error) {
	return p.peer.PostMovement(p.t.Context(), r.request())
}

func (p *plant) mustPost(r run) *inventoryv1.PostMovementResponse {
	p.t.Helper()
	answer, err := p.post(r)
	require.NoError(p.t, err)
	return answer
}

func (p *plant) correct(c *eventv1.LotsCorrected) (*inventoryv1.PostMovementResponse, error) {
	c.Reason = "misread"
	return p.peer.PostMovement(p.t.Context(), &inventoryv1.PostMovementRequest{
		CommandId: uuid.NewString(), Try: 1, Effective: stamp(clock()), Movement: &inventoryv1.PostMovementRequest_Correction{Correction: c},
	})
}

func (p *plant) ship(id string, pounds int64, at time.Time) (*inventoryv1.ShipGoodsResponse, error) {
	return p.shipTo("SHOP", eventv1.ShipmentKind_SHIPMENT_KIND_SALE, id, pounds, at)
}

func (p *plant) shipTo(who string, kind eventv1.ShipmentKind, id string, pounds int64, at time.Time) (*inventoryv1.ShipGoodsResponse, error) {
	return p.as("shipper").ShipGoods(p.t.Context(), &inventoryv1.ShipGoodsRequest{
		CommandId: uuid.NewString(), Kind: kind, Consignee: who, Effective: stamp(at),
		Lines: []*eventv1.ShippedLine{{Lot: id, Quantity: pounds * pound}},
	})
}

// onHand is the pounds of a lot; those who ask for one not known yet wait for it.
func (p *plant) onHand(id string) int64 {
	p.t.Helper()
	answer, err := p.peer.GetLot(p.t.Context(), &inventoryv1.GetLotRequest{Lot: id})
	require.NoError(p.t, err)
	return answer.GetLot().GetOnHand() / pound
}

// quiet holds all that must be true whenever nothing is under way: legs of every movement add up to nothing, balances are what the legs add up
// to and never below nothing, nothing is in quarantine.
func (p *plant) quiet() {
	p.t.Helper()
	ctx := p.t.Context()
	count := func(what, sql string) {
		var n int64
		require.NoError(p.t, p.db.Pool().QueryRow(ctx, sql).Scan(&n), what)
		require.Zero(p.t, n, what)
	}
	count("movements that do not add up", `select count(*) from (select movement, measure from legs group by 1, 2 having sum(quantity) <> 0) x`)
	count("balances that are not the sum of legs", `select count(*) from
		(select lot, place, owner, sum(quantity) q from legs where lot is not null group by 1, 2, 3) l
		full join balances b using (lot, place, owner) where coalesce(l.q, 0) <> coalesce(b.quantity, 0)`)
	count("moments below nothing", `select count(*) from
		(select sum(quantity) over (partition by lot, place, owner order by effective, key_order, key_name) r from legs where lot is not null) x where r < 0`)
	count("containers that are not the sum of legs", `select count(*) from
		(select lot, container, place, sum(quantity) q from legs where lot is not null and container <> '' group by 1, 2, 3) l
		full join containers c using (lot, container, place) where coalesce(l.q, 0) <> coalesce(c.quantity, 0)`)
	count("containers that hold more than lies there", `select count(*) from
		(select lot, place, sum(quantity) q from containers group by 1, 2) c
		left join (select lot, place, sum(quantity) q from balances group by 1, 2) b using (lot, place) where c.q > coalesce(b.q, 0)`)
	count("events in quarantine", `select count(*) from quarantine where release is null`)
}
