package seasonimport

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"sync"
	"testing"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"

	"huskline/internal/rpc"
)

// plant stands in for the three services: it keeps no stock, but knows what was accepted and refuses, as a fault of the plan, whatever came before
// something it rests on.
type plant struct {
	mu        sync.Mutex
	positions map[string]int64 // by producer
	commands  map[string]accepted
	claims    map[string]string
	known     map[string]bool // "party P", "item I", "lot L", "shipment X", "stage S"
	pours     map[string]int  // of a bin lot
	drawn     map[string]bool
	prices    map[string]int64 // time of the last final price of a lot, microseconds
	faults    []string         // of the plan
	flying    int
	most      int // commands at a time
	parties   int
	meet      chan struct{}
	lines     int64
	released  []string // holds
	readings  map[string]bool
	trials    int // passed

	binPours map[string]int  // of the season: a bin lot may be drawn once it has them all
	refuse   map[string]bool // by command id: refused by a rule
	late     bool            // the rule is of what the plant is by then: no trial is refused by it
	used     bool            // another season is there
	flaky    bool            // each command is unavailable at its first try
	tried    map[string]bool
	answered func() // after each accepted command
}

type accepted struct {
	request proto.Message
	answer  *eventv1.Receipt
}

func newPlant() *plant {
	return &plant{positions: map[string]int64{}, commands: map[string]accepted{}, claims: map[string]string{}, known: map[string]bool{},
		pours: map[string]int{}, drawn: map[string]bool{}, prices: map[string]int64{}, readings: map[string]bool{}, binPours: map[string]int{},
		refuse: map[string]bool{}, tried: map[string]bool{}, meet: make(chan struct{})}
}

// command is what every write request has.
type command interface {
	proto.Message
	GetCommandId() string
}

// accept runs a command as the contract says: known id, same answer; then the refusals that a test asks for; then the effect.
func (p *plant) accept(ctx context.Context, producer string, req command, effect func()) (*eventv1.Receipt, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	id := req.GetCommandId()
	if err := protovalidate.Validate(req); err != nil {
		p.faults = append(p.faults, fmt.Sprintf("%T breaks the contract: %v", req, err))
	}
	if p.flaky && !p.tried[id] {
		p.tried[id] = true
		return nil, status.Error(codes.Unavailable, "not now")
	}
	if had, ok := p.commands[id]; ok {
		if !proto.Equal(had.request, req) {
			return nil, status.Error(codes.AlreadyExists, "same id, another message")
		}
		return had.answer, nil
	}
	trial := rpc.TrialOf(ctx)
	if p.refuse[id] && !(trial && p.late) {
		return nil, status.Error(codes.FailedPrecondition, "a rule of the test")
	}
	if trial {
		p.trials++
		return nil, nil
	}
	if md, _ := metadata.FromIncomingContext(ctx); len(md.Get(rpc.ReceiptHeader)) > 3 {
		p.faults = append(p.faults, fmt.Sprintf("%T relies on receipts %v: more than one of a producer", req, md.Get(rpc.ReceiptHeader)))
	}
	effect()
	p.positions[producer]++
	answer := &eventv1.Receipt{Producer: producer, Epoch: 1, Position: p.positions[producer]}
	p.commands[id] = accepted{proto.Clone(req), answer}
	if p.answered != nil {
		p.answered()
	}
	return answer, nil
}

// needs notes a fault where something a command rests on was not accepted before.
func (p *plant) needs(what string, things ...string) {
	for _, thing := range things {
		if !p.known[thing] {
			p.faults = append(p.faults, what+" came before "+thing)
		}
		if bin, ok := strings.CutPrefix(thing, "lot "); ok && p.pours[bin] < p.binPours[bin] {
			p.faults = append(p.faults, what+" draws from "+bin+" before all its pours")
		}
	}
}

// bears notes a fault where a code was not claimed by whoever bears the lot.
func (p *plant) bears(lot, claimant string) {
	if p.claims[lot] != claimant || claimant == "" {
		p.faults = append(p.faults, "lot "+lot+" is born without the claim of its code")
	}
	p.known["lot "+lot] = true
}

func (p *plant) head(producer string) *eventv1.Head {
	p.mu.Lock()
	defer p.mu.Unlock()
	return &eventv1.Head{At: &eventv1.Receipt{Producer: producer, Epoch: 1, Position: p.positions[producer]}}
}

// count notes how many commands are under way at a time. The first two parties wait for each other, so that an importer that sends one command
// after the other does not get past them.
func (p *plant) count(ctx context.Context, req any, info *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
	p.mu.Lock()
	p.flying++
	p.most = max(p.most, p.flying)
	first := false
	if info.FullMethod == intakev1.IntakeService_RegisterParty_FullMethodName {
		p.parties++
		first = p.parties <= 2
	}
	p.mu.Unlock()
	if first {
		select {
		case p.meet <- struct{}{}:
		case <-p.meet:
		case <-ctx.Done():
		}
	}
	defer func() {
		p.mu.Lock()
		p.flying--
		p.mu.Unlock()
	}()
	return handle(ctx, req)
}

// doors starts the fake and gives its interfaces.
func (p *plant) doors(t *testing.T) Doors {
	t.Helper()
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer(grpc.UnaryInterceptor(p.count))
	intakev1.RegisterIntakeServiceServer(server, &fakeIntake{plant: p})
	inventoryv1.RegisterInventoryServiceServer(server, &fakeInventory{plant: p})
	productionv1.RegisterProductionServiceServer(server, &fakeProduction{plant: p})
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///plant", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close()) })
	return Doors{Intake: intakev1.NewIntakeServiceClient(conn), Inventory: inventoryv1.NewInventoryServiceClient(conn),
		Production: productionv1.NewProductionServiceClient(conn)}
}

type fakeIntake struct {
	intakev1.UnimplementedIntakeServiceServer
	*plant
}

func (f *fakeIntake) GetHead(context.Context, *intakev1.GetHeadRequest) (*intakev1.GetHeadResponse, error) {
	return &intakev1.GetHeadResponse{Head: f.head("intake")}, nil
}

func (f *fakeIntake) RegisterParty(ctx context.Context, r *intakev1.RegisterPartyRequest) (*intakev1.RegisterPartyResponse, error) {
	receipt, err := f.accept(ctx, "intake", r, func() { f.known["party "+r.GetParty().GetParty()] = true })
	return &intakev1.RegisterPartyResponse{Receipt: receipt}, err
}

func (f *fakeIntake) RegisterItem(ctx context.Context, r *intakev1.RegisterItemRequest) (*intakev1.RegisterItemResponse, error) {
	receipt, err := f.accept(ctx, "intake", r, func() { f.known["item "+r.GetItem().GetItem()] = true })
	return &intakev1.RegisterItemResponse{Receipt: receipt}, err
}

func (f *fakeIntake) RecordDelivery(ctx context.Context, r *intakev1.RecordDeliveryRequest) (*intakev1.RecordDeliveryResponse, error) {
	d := r.GetDelivery()
	receipt, err := f.accept(ctx, "intake", r, func() {
		f.needs("delivery "+d.GetLot(), "party "+d.GetParty(), "item "+d.GetItem())
		f.bears(d.GetLot(), d.GetClaimant())
	})
	return &intakev1.RecordDeliveryResponse{Receipt: receipt}, err
}

func (f *fakeIntake) ReceiveIngredient(ctx context.Context, r *intakev1.ReceiveIngredientRequest) (*intakev1.ReceiveIngredientResponse, error) {
	receipt, err := f.accept(ctx, "intake", r, func() {
		f.needs("receipt "+r.GetLot(), "party "+r.GetSupplier(), "item "+r.GetItem())
		f.bears(r.GetLot(), r.GetClaimant())
	})
	return &intakev1.ReceiveIngredientResponse{Receipt: receipt}, err
}

func (f *fakeIntake) SettlePrice(ctx context.Context, r *intakev1.SettlePriceRequest) (*intakev1.SettlePriceResponse, error) {
	receipt, err := f.accept(ctx, "intake", r, func() {
		f.needs("final price of "+r.GetLot(), "lot "+r.GetLot())
		at := r.GetEffective().AsTime().UnixMicro()
		if at <= f.prices[r.GetLot()] {
			f.faults = append(f.faults, "final prices of "+r.GetLot()+" came out of their order")
		}
		f.prices[r.GetLot()] = at
	})
	return &intakev1.SettlePriceResponse{Receipt: receipt}, err
}

func (f *fakeIntake) StreamReadings(s grpc.BidiStreamingServer[intakev1.StreamReadingsRequest, intakev1.StreamReadingsResponse]) error {
	for {
		r, err := s.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		answer := &intakev1.StreamReadingsResponse{CommandId: r.GetCommandId()}
		answer.Receipt, err = f.accept(s.Context(), "intake", r, func() {
			f.lines += int64(len(r.GetReadings()))
			for _, x := range r.GetReadings() {
				f.readings[fmt.Sprintf("%s/%d", x.GetScale(), x.GetSequence())] = r.GetHistoric()
			}
		})
		if err != nil {
			return err
		}
		answer.Stored = int64(len(r.GetReadings()))
		if err := s.Send(answer); err != nil {
			return err
		}
	}
}

type fakeInventory struct {
	inventoryv1.UnimplementedInventoryServiceServer
	*plant
}

func (f *fakeInventory) GetHead(context.Context, *inventoryv1.GetHeadRequest) (*inventoryv1.GetHeadResponse, error) {
	return &inventoryv1.GetHeadResponse{Head: f.head("inventory")}, nil
}

func (f *fakeInventory) ClaimLots(ctx context.Context, r *inventoryv1.ClaimLotsRequest) (*inventoryv1.ClaimLotsResponse, error) {
	f.mu.Lock()
	for _, c := range r.GetClaims() {
		if had := f.claims[c.GetLot()]; had != "" && had != c.GetClaimant() {
			f.mu.Unlock()
			return nil, status.Error(codes.AlreadyExists, "lot "+c.GetLot()+" is claimed by another")
		}
	}
	f.mu.Unlock()
	receipt, err := f.accept(ctx, "inventory", r, func() {
		if len(f.known) > 0 && !f.used && len(r.GetClaims()) > 1 {
			f.faults = append(f.faults, "a claim came after the first fact")
		}
		for _, c := range r.GetClaims() {
			f.claims[c.GetLot()] = c.GetClaimant()
		}
	})
	return &inventoryv1.ClaimLotsResponse{Receipt: receipt}, err
}

func (f *fakeInventory) RecordPour(ctx context.Context, r *inventoryv1.RecordPourRequest) (*inventoryv1.RecordPourResponse, error) {
	receipt, err := f.accept(ctx, "inventory", r, func() {
		f.needs("pour "+r.GetPour(), "lot "+r.GetLot())
		f.pours[r.GetBinLot()]++
		f.bears(r.GetBinLot(), r.GetClaimant())
	})
	return &inventoryv1.RecordPourResponse{Receipt: receipt}, err
}

func (f *fakeInventory) AdjustLot(ctx context.Context, r *inventoryv1.AdjustLotRequest) (*inventoryv1.AdjustLotResponse, error) {
	receipt, err := f.accept(ctx, "inventory", r, func() { f.needs("adjustment "+r.GetAdjustment(), "lot "+r.GetLot()) })
	return &inventoryv1.AdjustLotResponse{Receipt: receipt}, err
}

func (f *fakeInventory) ShipGoods(ctx context.Context, r *inventoryv1.ShipGoodsRequest) (*inventoryv1.ShipGoodsResponse, error) {
	receipt, err := f.accept(ctx, "inventory", r, func() {
		f.needs("shipment "+r.GetShipment(), "party "+r.GetConsignee())
		for _, line := range r.GetLines() {
			f.needs("shipment "+r.GetShipment(), "lot "+line.GetLot())
		}
		f.known["shipment "+r.GetShipment()] = true
	})
	return &inventoryv1.ShipGoodsResponse{Receipt: receipt}, err
}

func (f *fakeInventory) ReturnGoods(ctx context.Context, r *inventoryv1.ReturnGoodsRequest) (*inventoryv1.ReturnGoodsResponse, error) {
	receipt, err := f.accept(ctx, "inventory", r, func() {
		f.needs("return "+r.GetReturnId(), "shipment "+r.GetShipment())
		f.bears(r.GetLot(), r.GetClaimant())
	})
	return &inventoryv1.ReturnGoodsResponse{Receipt: receipt, Hold: "hold-" + r.GetLot()}, err
}

func (f *fakeInventory) ReleaseHold(ctx context.Context, r *inventoryv1.ReleaseHoldRequest) (*inventoryv1.ReleaseHoldResponse, error) {
	receipt, err := f.accept(ctx, "inventory", r, func() { f.released = append(f.released, r.GetHold()) })
	return &inventoryv1.ReleaseHoldResponse{Receipt: receipt}, err
}

type fakeProduction struct {
	productionv1.UnimplementedProductionServiceServer
	*plant
}

func (f *fakeProduction) GetHead(context.Context, *productionv1.GetHeadRequest) (*productionv1.GetHeadResponse, error) {
	return &productionv1.GetHeadResponse{Head: f.head("production")}, nil
}

// ListStages gives two pages, so that an importer that reads the first alone registers the second's stages anew.
func (f *fakeProduction) ListStages(_ context.Context, r *productionv1.ListStagesRequest) (*productionv1.ListStagesResponse, error) {
	if r.GetPageToken() == "" {
		return &productionv1.ListStagesResponse{Stages: []*productionv1.Stage{{Stage: "clean"}, {Stage: "shell"}}, NextPageToken: "next"}, nil
	}
	return &productionv1.ListStagesResponse{Stages: []*productionv1.Stage{{Stage: "sort"}}}, nil
}

func (f *fakeProduction) RegisterStage(ctx context.Context, r *productionv1.RegisterStageRequest) (*productionv1.RegisterStageResponse, error) {
	receipt, err := f.accept(ctx, "production", r, func() { f.known["stage "+r.GetStage().GetStage()] = true })
	return &productionv1.RegisterStageResponse{Receipt: receipt}, err
}

func (f *fakeProduction) RecordRun(ctx context.Context, r *productionv1.RecordRunRequest) (*productionv1.RecordRunResponse, error) {
	run := r.GetRun()
	receipt, err := f.accept(ctx, "production", r, func() {
		what := "run " + run.GetRun()
		if s := run.GetStage(); s != "clean" && s != "shell" && s != "sort" {
			f.needs(what, "stage "+s)
		}
		for _, in := range run.GetInputs() {
			f.needs(what, "lot "+in.GetLot())
		}
		for _, o := range run.GetOutputs() {
			f.needs(what, "item "+o.GetItem())
			f.bears(o.GetLot(), o.GetClaimant())
		}
	})
	return &productionv1.RecordRunResponse{Receipt: receipt}, err
}
