package server

import (
	"context"
	"slices"

	"google.golang.org/protobuf/proto"

	"huskline/internal/command"
	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/server/goods"
	"huskline/services/inventory/internal/server/yard"
)

// Retell is the answer of a command again whose own row was lost when the database went back to an earlier moment, told by its events. It is
// nil where events do not tell it.
func Retell(ctx context.Context, tx Tx, req command.Request, events []lot.Recorded) (proto.Message, error) {
	switch m := req.(type) {
	case *inventoryv1.PostMovementRequest:
		return goods.RetellMovement(ctx, tx, m)
	case *inventoryv1.AdjustLotRequest:
		return goods.RetellAdjustment(ctx, tx, m)
	}
	events = slices.DeleteFunc(slices.Clone(events), func(e lot.Recorded) bool {
		gain, ok := e.Body.(lot.Adjusted)
		return ok && gain.DrawnBy != "" // what the command itself did follows
	})
	if answer := goods.Retell(events[0].Body); answer != nil {
		return answer, nil
	}
	return yard.Retell(req, events), nil
}
