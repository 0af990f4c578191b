// Package caller asks the inventory: for lot codes, and for what intake does to lots after their birth.
package caller

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// timeout is the longest wait for an answer where the caller's own deadline is not sooner.
const timeout = 10 * time.Second

// Inventory is the inventory as intake sees it.
type Inventory struct {
	client inventoryv1.InventoryServiceClient
	head   func(ctx context.Context) (lot.Receipt, error)
}

// New makes a caller. A nil connection is an inventory that is away. head is where intake's own events stand.
func New(conn grpc.ClientConnInterface, head func(ctx context.Context) (lot.Receipt, error)) *Inventory {
	in := &Inventory{head: head}
	if conn != nil {
		in.client = inventoryv1.NewInventoryServiceClient(conn)
	}
	return in
}

func (in *Inventory) away() error {
	if in.client == nil {
		return fault.Unavailable("inventory_away", "the inventory cannot be reached")
	}
	return nil
}

// Claim reserves a lot code for a claimant. command is that of the delivery; repeated it claims the same again.
func (in *Inventory) Claim(ctx context.Context, command string, id lot.ID, claimant string) error {
	if err := in.away(); err != nil {
		return err
	}
	base, err := uuid.Parse(command)
	if err != nil {
		return fault.Invalid("command_id_malformed", "command id %q: it must be a UUID", command)
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	if rpc.TrialOf(ctx) {
		ctx = rpc.WithTrial(ctx)
	}
	_, err = in.client.ClaimLots(ctx, &inventoryv1.ClaimLotsRequest{
		CommandId: uuid.NewSHA1(base, []byte("claim "+string(id))).String(),
		Claims:    []*inventoryv1.Claim{{Lot: string(id), Claimant: claimant}},
	})
	if err != nil {
		return fmt.Errorf("claim lot code %s: %w", id, rpc.FromStatus(err))
	}
	return nil
}

// Post asks for a movement. The inventory first takes in all that intake has said, since the movement may rest on it.
func (in *Inventory) Post(ctx context.Context, move *inventoryv1.PostMovementRequest) (*inventoryv1.PostMovementResponse, error) {
	if err := in.away(); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	head, err := in.head(ctx)
	if err != nil {
		return nil, err
	}
	if head.Position > 0 {
		ctx = rpc.WithReceipts(ctx, head)
	}
	resp, err := in.client.PostMovement(ctx, move)
	return resp, rpc.FromStatus(err)
}
