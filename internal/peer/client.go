package peer

import (
	"context"

	"google.golang.org/grpc"

	"huskline/internal/lot"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// client is what the three contracts have in common under different message names.
type client struct {
	read func(ctx context.Context, epoch, after int64) (func() (page, error), error)
	kept func(ctx context.Context, of lot.Producer, epoch, after int64) (func() (page, error), error)
	head func(ctx context.Context) (standing, error)
}

func clientOf(producer lot.Producer, conn grpc.ClientConnInterface) client {
	switch producer {
	case lot.Intake:
		c := intakev1.NewIntakeServiceClient(conn)
		return client{
			read: func(ctx context.Context, epoch, after int64) (func() (page, error), error) {
				stream, err := c.ReadEvents(ctx, &intakev1.ReadEventsRequest{Epoch: epoch, AfterPosition: after})
				return func() (page, error) { return stream.Recv() }, err
			},
			kept: func(ctx context.Context, of lot.Producer, epoch, after int64) (func() (page, error), error) {
				stream, err := c.ReadKept(ctx, &intakev1.ReadKeptRequest{Producer: string(of), Epoch: epoch, AfterPosition: after})
				return func() (page, error) { return stream.Recv() }, err
			},
			head: func(ctx context.Context) (standing, error) { return c.GetHead(ctx, &intakev1.GetHeadRequest{}) },
		}
	case lot.Inventory:
		c := inventoryv1.NewInventoryServiceClient(conn)
		return client{
			read: func(ctx context.Context, epoch, after int64) (func() (page, error), error) {
				stream, err := c.ReadEvents(ctx, &inventoryv1.ReadEventsRequest{Epoch: epoch, AfterPosition: after})
				return func() (page, error) { return stream.Recv() }, err
			},
			kept: func(ctx context.Context, of lot.Producer, epoch, after int64) (func() (page, error), error) {
				stream, err := c.ReadKept(ctx, &inventoryv1.ReadKeptRequest{Producer: string(of), Epoch: epoch, AfterPosition: after})
				return func() (page, error) { return stream.Recv() }, err
			},
			head: func(ctx context.Context) (standing, error) { return c.GetHead(ctx, &inventoryv1.GetHeadRequest{}) },
		}
	}
	c := productionv1.NewProductionServiceClient(conn)
	return client{
		read: func(ctx context.Context, epoch, after int64) (func() (page, error), error) {
			stream, err := c.ReadEvents(ctx, &productionv1.ReadEventsRequest{Epoch: epoch, AfterPosition: after})
			return func() (page, error) { return stream.Recv() }, err
		},
		kept: func(ctx context.Context, of lot.Producer, epoch, after int64) (func() (page, error), error) {
			stream, err := c.ReadKept(ctx, &productionv1.ReadKeptRequest{Producer: string(of), Epoch: epoch, AfterPosition: after})
			return func() (page, error) { return stream.Recv() }, err
		},
		head: func(ctx context.Context) (standing, error) { return c.GetHead(ctx, &productionv1.GetHeadRequest{}) },
	}
}
