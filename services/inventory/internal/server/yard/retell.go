package yard

import (
	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// Retell answers a request of this door again, told by its events; nil where it is another door's, or where they do not tell the answer.
func Retell(req command.Request, events []lot.Recorded) proto.Message {
	switch b := events[0].Body.(type) {
	case lot.Shipped:
		return &inventoryv1.ShipGoodsResponse{Shipment: b.Shipment}
	case lot.Held:
		return &inventoryv1.PlaceHoldResponse{Hold: b.Hold, Lots: 1, Spreading: b.Class == lot.SafetyHold}
	case lot.Disposed:
		return &inventoryv1.DecideDispositionResponse{DispositionId: b.DispositionID}
	case lot.Returned:
		answer := &inventoryv1.ReturnGoodsResponse{Lot: string(b.Lot)}
		for _, e := range events[1:] {
			if held, ok := e.Body.(lot.Held); ok && held.Root == b.Lot {
				answer.Hold = held.Hold
			}
		}
		return answer
	}
	return nil
}
