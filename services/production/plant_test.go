package production_test

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/dbtest"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/production"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// noon is the plant's clock in these tests.
var noon = time.Date(2025, 11, 3, 12, 0, 0, 0, time.UTC)

// log is what another service has said, with real links.
type log struct {
	producer lot.Producer
	mu       sync.Mutex
	envs     []*eventv1.Envelope     // of the present epoch
	ended    [][]*eventv1.Envelope   // of epochs that ended: 1, 2 …
	applied  func() *eventv1.Receipt // of production's events; nil: none
	kept     []*eventv1.Envelope     // of production's events
}

func (l *log) say(t testing.TB, e lot.Event) *eventv1.Receipt {
	t.Helper()
	id, err := uuid.NewV7()
	require.NoError(t, err)
	return l.record(t, lot.Recorded{EventID: id.String(), RecordedAt: noon, Actor: "test", Event: e})
}

func (l *log) record(t testing.TB, e lot.Recorded) *eventv1.Receipt {
	t.Helper()
	payload, err := lotwire.Marshal(e.EventID, e.Actor, e.After, e.Event)
	require.NoError(t, err)
	l.mu.Lock()
	defer l.mu.Unlock()
	env := &eventv1.Envelope{
		Producer: string(l.producer), Epoch: l.epoch(), Position: int64(len(l.envs) + 1), RecordedMicros: e.RecordedAt.UnixMicro(),
		PreviousHash: l.hash(), Payload: payload, Type: e.Body.Kind(),
	}
	env.Hash = lotwire.Hash(env)
	l.envs = append(l.envs, env)
	return &eventv1.Receipt{Producer: env.Producer, Epoch: env.Epoch, Position: env.Position}
}

func (l *log) epoch() int64 { return int64(len(l.ended) + 1) }

func (l *log) hash() []byte {
	for _, envs := range append([][]*eventv1.Envelope{l.envs}, l.ended...) {
		if len(envs) > 0 {
			return envs[len(envs)-1].Hash
		}
	}
	return make([]byte, sha256.Size)
}

// back loses what was said after a position, and says it again in a new epoch, as a service that was restored does.
func (l *log) back(t testing.TB, position int64) {
	t.Helper()
	l.mu.Lock()
	lost := l.envs[position:]
	l.envs, l.ended = nil, append(l.ended, l.envs[:position:position])
	l.mu.Unlock()
	for _, env := range lost {
		e, err := lotwire.Unmarshal(env)
		require.NoError(t, err)
		l.record(t, e)
	}
}

func (l *log) earlier() (heads []*eventv1.Head) {
	for i, envs := range l.ended {
		last := envs[len(envs)-1]
		heads = append(heads, &eventv1.Head{At: &eventv1.Receipt{Producer: string(l.producer), Epoch: int64(i + 1), Position: last.Position}, Hash: last.Hash})
	}
	return heads
}

func (l *log) head() *eventv1.Head {
	l.mu.Lock()
	defer l.mu.Unlock()
	return &eventv1.Head{At: &eventv1.Receipt{Producer: string(l.producer), Epoch: l.epoch(), Position: int64(len(l.envs))}, Hash: l.hash()}
}

func (l *log) after(epoch, position int64) []*eventv1.Envelope {
	l.mu.Lock()
	defer l.mu.Unlock()
	all := append(l.ended[:len(l.ended):len(l.ended)], l.envs)
	if epoch > l.epoch() {
		return nil
	}
	rest := all[epoch-1][min(position, int64(len(all[epoch-1]))):]
	return rest[:min(len(rest), 256)]
}

func (l *log) taken() []*eventv1.Receipt {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.applied == nil {
		return nil
	}
	return []*eventv1.Receipt{l.applied()}
}

func (l *log) keptAfter(epoch, position int64) (page []*eventv1.Envelope) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, env := range l.kept {
		if env.GetEpoch() == epoch && env.GetPosition() > position {
			page = append(page, env)
		}
	}
	return page
}

// intake answers as intake would, as far as production asks.
type intake struct {
	intakev1.UnimplementedIntakeServiceServer
	*log
}

func (s *intake) ReadEvents(r *intakev1.ReadEventsRequest, stream grpc.ServerStreamingServer[intakev1.ReadEventsResponse]) error {
	for at := r.GetAfterPosition(); ; at += 256 {
		page := s.after(r.GetEpoch(), at)
		if err := stream.Send(&intakev1.ReadEventsResponse{Envelopes: page}); err != nil || len(page) < 256 {
			return err
		}
	}
}

func (s *intake) GetHead(context.Context, *intakev1.GetHeadRequest) (*intakev1.GetHeadResponse, error) {
	return &intakev1.GetHeadResponse{Head: s.head(), Applied: s.taken(), Earlier: s.earlier()}, nil
}

func (s *intake) ReadKept(r *intakev1.ReadKeptRequest, stream grpc.ServerStreamingServer[intakev1.ReadKeptResponse]) error {
	return stream.Send(&intakev1.ReadKeptResponse{Envelopes: s.keptAfter(r.GetEpoch(), r.GetAfterPosition())})
}

// inventory answers as the inventory would to a movement that nothing stands against, once for each id and try. judge may refuse; lose makes the
// answer get lost on the way.
type inventory struct {
	inventoryv1.UnimplementedInventoryServiceServer
	*log
	t     testing.TB
	judge func(*inventoryv1.PostMovementRequest) error
	lose  func(*inventoryv1.PostMovementRequest) bool

	posting sync.Mutex
	done    map[string]*inventoryv1.PostMovementResponse
	asked   []*inventoryv1.PostMovementRequest
	sums    map[string]*inventoryv1.PostMovementResponse // by run and version
	owners  map[string]string                            // by lot
	quiet   bool                                         // says no event of what it accepts
}

func (s *inventory) ReadEvents(r *inventoryv1.ReadEventsRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadEventsResponse]) error {
	for at := r.GetAfterPosition(); ; at += 256 {
		page := s.after(r.GetEpoch(), at)
		if err := stream.Send(&inventoryv1.ReadEventsResponse{Envelopes: page}); err != nil || len(page) < 256 {
			return err
		}
	}
}

func (s *inventory) GetHead(context.Context, *inventoryv1.GetHeadRequest) (*inventoryv1.GetHeadResponse, error) {
	return &inventoryv1.GetHeadResponse{Head: s.head(), Applied: s.taken(), Earlier: s.earlier()}, nil
}

func (s *inventory) ReadKept(r *inventoryv1.ReadKeptRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadKeptResponse]) error {
	return stream.Send(&inventoryv1.ReadKeptResponse{Envelopes: s.keptAfter(r.GetEpoch(), r.GetAfterPosition())})
}

func (s *inventory) PostMovement(_ context.Context, r *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	s.posting.Lock()
	defer s.posting.Unlock()
	key := fmt.Sprintf("%s/%d", r.GetCommandId(), r.GetTry())
	if s.lose != nil && s.done[key] != nil && s.lose(r) {
		return nil, errors.New("the answer got lost")
	}
	if done, ok := s.done[key]; ok {
		return done, nil
	}
	s.asked = append(s.asked, proto.Clone(r).(*inventoryv1.PostMovementRequest))
	if s.judge != nil {
		if err := s.judge(r); err != nil {
			return nil, err
		}
	}
	answer := s.accept(r)
	s.done[key] = answer
	if s.lose != nil && s.lose(r) {
		return nil, errors.New("the answer got lost")
	}
	return answer, nil
}

func (s *inventory) accept(r *inventoryv1.PostMovementRequest) *inventoryv1.PostMovementResponse {
	answer := &inventoryv1.PostMovementResponse{}
	event := lot.Event{Effective: r.GetEffective().AsTime()}
	if r.GetCorrection() != nil {
		set, err := lotwire.ParseCorrected(r.GetCorrection())
		require.NoError(s.t, err)
		for i := range set.Runs {
			set.Runs[i] = s.owned(set.Runs[i])
			s.add(set.Runs[i])
		}
		event.Body = set
	} else {
		p, err := lotwire.ParseRunPosted(r.GetRun())
		require.NoError(s.t, err)
		p = s.owned(p)
		event.Body, answer = p, s.add(p)
	}
	answer = proto.Clone(answer).(*inventoryv1.PostMovementResponse)
	if s.quiet {
		answer.Receipt = s.head().GetAt()
		return answer
	}
	answer.Receipt = s.say(s.t, event)
	return answer
}

func (s *inventory) owned(p lot.RunPosted) lot.RunPosted {
	for _, in := range p.Inputs {
		p.Owner = lot.PartyID(s.owners[string(in.Lot)])
	}
	for i := range p.Outputs {
		p.Outputs[i].Owner = p.Owner
		s.owners[string(p.Outputs[i].Lot)] = string(p.Owner)
	}
	return p
}

func (s *inventory) add(p lot.RunPosted) *inventoryv1.PostMovementResponse {
	key := fmt.Sprintf("%s/%d", p.Run, p.Version)
	if s.sums[key] == nil {
		s.sums[key] = &inventoryv1.PostMovementResponse{}
	}
	for _, in := range p.Inputs {
		s.sums[key].InputMicropounds += int64(in.Quantity)
	}
	for _, out := range p.Outputs {
		if out.Measure == lot.ByWeight {
			s.sums[key].OutputMicropounds += int64(out.Quantity)
		}
	}
	return s.sums[key]
}

// plant is a production service between an intake and an inventory made for the test.
type plant struct {
	t         testing.TB
	db        *postgres.DB
	intake    *intake
	inventory *inventory
	client    productionv1.ProductionServiceClient
	peers     map[lot.Producer]grpc.ClientConnInterface
	stop      func()
	later     atomic.Int64 // nanoseconds that the clock is past noon
}

func newPlant(t testing.TB) *plant {
	t.Helper()
	p := newStoppedPlant(t)
	p.start()
	return p
}

func newStoppedPlant(t testing.TB) *plant {
	t.Helper()
	p := &plant{t: t, db: dbtest.New(t, production.Migrations(), "production")}
	p.intake = &intake{log: &log{producer: lot.Intake}}
	p.inventory = &inventory{
		log: &log{producer: lot.Inventory}, t: t, done: map[string]*inventoryv1.PostMovementResponse{},
		sums: map[string]*inventoryv1.PostMovementResponse{}, owners: map[string]string{},
	}
	others := serve(t, func(s grpc.ServiceRegistrar) {
		intakev1.RegisterIntakeServiceServer(s, p.intake)
		inventoryv1.RegisterInventoryServiceServer(s, p.inventory)
	})
	p.peers = map[lot.Producer]grpc.ClientConnInterface{lot.Intake: others, lot.Inventory: others}
	return p
}

func (p *plant) now() time.Time { return noon.Add(time.Duration(p.later.Load())) }

// start runs the service on the plant's database; start again after stop is a restart.
func (p *plant) start() {
	p.t.Helper()
	logger := slog.New(slog.DiscardHandler)
	service, err := production.New(production.Config{DB: p.db, Peers: p.peers, Now: p.now, Logger: logger})
	require.NoError(p.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- service.Run(ctx) }()
	var once sync.Once
	p.stop = func() {
		once.Do(func() {
			cancel()
			require.NoError(p.t, <-ended)
		})
	}
	p.t.Cleanup(p.stop)
	conn := serve(p.t, service.Register)
	p.client = productionv1.NewProductionServiceClient(conn)
}

// serve is a connection to a server in this process, whose every caller is Maria.
func serve(t testing.TB, register func(grpc.ServiceRegistrar)) grpc.ClientConnInterface {
	t.Helper()
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer(
		grpc.UnaryInterceptor(func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
			answer, err := next(access.WithActor(ctx, access.Actor{Name: "maria"}), req)
			return answer, rpc.ToStatus(err)
		}),
		grpc.StreamInterceptor(func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
			return rpc.ToStatus(next(srv, ss))
		}))
	register(server)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := rpc.Dial(rpc.DialConfig{Target: "test", Dialer: func(ctx context.Context, _ string) (net.Conn, error) {
		return listener.DialContext(ctx)
	}})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}
