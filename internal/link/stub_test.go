package link_test

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

func (s *service) register(r grpc.ServiceRegistrar) {
	switch s.self {
	case lot.Intake:
		intakev1.RegisterIntakeServiceServer(r, &intake{service: s})
	case lot.Inventory:
		inventoryv1.RegisterInventoryServiceServer(r, &inventory{service: s})
	default:
		productionv1.RegisterProductionServiceServer(r, &production{service: s})
	}
}

// away is the answer of a service that is not there. It is not the code that clients repeat by themselves.
func away() error { return status.Error(codes.Aborted, "down") }

func (s *service) standing(ctx context.Context) (inbox.Standing, error) {
	d, err := s.at()
	if err != nil {
		return inbox.Standing{}, away()
	}
	return d.Standing(ctx)
}

func (s *service) events(ctx context.Context, epoch, after int64, send func([]*eventv1.Envelope) error) error {
	d, err := s.at()
	if err != nil {
		return away()
	}
	return d.ReadEvents(ctx, epoch, after, 0, send)
}

func (s *service) kept(ctx context.Context, of string, epoch, after int64, send func([]*eventv1.Envelope) error) error {
	d, err := s.at()
	if err != nil {
		return away()
	}
	return d.ReadKept(ctx, of, epoch, after, send)
}

type intake struct {
	intakev1.UnimplementedIntakeServiceServer
	*service
}

func (s *intake) GetHead(ctx context.Context, _ *intakev1.GetHeadRequest) (*intakev1.GetHeadResponse, error) {
	st, err := s.standing(ctx)
	return &intakev1.GetHeadResponse{Head: st.Head, Earlier: st.Earlier, Applied: lotwire.Receipts(st.Applied)}, err
}

func (s *intake) ReadEvents(req *intakev1.ReadEventsRequest, stream grpc.ServerStreamingServer[intakev1.ReadEventsResponse]) error {
	return s.events(stream.Context(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&intakev1.ReadEventsResponse{Envelopes: page})
	})
}

func (s *intake) ReadKept(req *intakev1.ReadKeptRequest, stream grpc.ServerStreamingServer[intakev1.ReadKeptResponse]) error {
	return s.kept(stream.Context(), req.GetProducer(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&intakev1.ReadKeptResponse{Envelopes: page})
	})
}

type inventory struct {
	inventoryv1.UnimplementedInventoryServiceServer
	*service
}

func (s *inventory) GetHead(ctx context.Context, _ *inventoryv1.GetHeadRequest) (*inventoryv1.GetHeadResponse, error) {
	st, err := s.standing(ctx)
	return &inventoryv1.GetHeadResponse{Head: st.Head, Earlier: st.Earlier, Applied: lotwire.Receipts(st.Applied)}, err
}

func (s *inventory) ReadEvents(req *inventoryv1.ReadEventsRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadEventsResponse]) error {
	return s.events(stream.Context(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&inventoryv1.ReadEventsResponse{Envelopes: page})
	})
}

func (s *inventory) ReadKept(req *inventoryv1.ReadKeptRequest, stream grpc.ServerStreamingServer[inventoryv1.ReadKeptResponse]) error {
	return s.kept(stream.Context(), req.GetProducer(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&inventoryv1.ReadKeptResponse{Envelopes: page})
	})
}

type production struct {
	productionv1.UnimplementedProductionServiceServer
	*service
}

func (s *production) GetHead(ctx context.Context, _ *productionv1.GetHeadRequest) (*productionv1.GetHeadResponse, error) {
	st, err := s.standing(ctx)
	return &productionv1.GetHeadResponse{Head: st.Head, Earlier: st.Earlier, Applied: lotwire.Receipts(st.Applied)}, err
}

func (s *production) ReadEvents(req *productionv1.ReadEventsRequest, stream grpc.ServerStreamingServer[productionv1.ReadEventsResponse]) error {
	return s.events(stream.Context(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&productionv1.ReadEventsResponse{Envelopes: page})
	})
}

func (s *production) ReadKept(req *productionv1.ReadKeptRequest, stream grpc.ServerStreamingServer[productionv1.ReadKeptResponse]) error {
	return s.kept(stream.Context(), req.GetProducer(), req.GetEpoch(), req.GetAfterPosition(), func(page []*eventv1.Envelope) error {
		return stream.Send(&productionv1.ReadKeptResponse{Envelopes: page})
	})
}
