package rpc

import (
	"context"

	"google.golang.org/grpc/metadata"
)

// TrialHeader is the metadata key of a trial: a command that is judged, and leaves nothing whatever comes of it. Its value is "yes". The answer is as for
// the command itself, save that one that is not recorded already has no receipt. Goods that a run or a correction moves are judged by the command itself
// only, since inventory is asked no movement.
const TrialHeader = "huskline-trial"

// TrialOf tells whether the call is a trial.
func TrialOf(ctx context.Context) bool {
	md, _ := metadata.FromIncomingContext(ctx)
	said := md.Get(TrialHeader)
	return len(said) > 0 && said[0] == "yes"
}

// WithTrial makes an outgoing call a trial.
func WithTrial(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, TrialHeader, "yes")
}
