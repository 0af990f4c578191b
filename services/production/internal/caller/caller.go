// Package caller asks the inventory.
package caller

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"huskline/internal/command"
	"huskline/internal/fault"
	"huskline/internal/rpc"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// timeout bounds a call whose caller set no sooner deadline: the inventory takes locks for at most 5 s, and may wait for the producers.
const timeout = 10 * time.Second

// Inventory asks over a connection; without one its answer is that it cannot be reached.
func Inventory(conn grpc.ClientConnInterface) command.Call {
	if conn == nil {
		return func(context.Context, *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
			return nil, fault.Unavailable("inventory_unknown", "post movement: no connection to the inventory is configured")
		}
	}
	client := inventoryv1.NewInventoryServiceClient(conn)
	return func(ctx context.Context, move *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
		ctx, cancel := context.WithTimeout(ctx, timeout)
		defer cancel()
		answer, err := client.PostMovement(ctx, move)
		return answer, rpc.FromStatus(err)
	}
}
