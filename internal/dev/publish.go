package main

import (
	"context"
	"fmt"
)

// published is the image of the contracts that were last released, which a change may not break.
const published = "internal/tools/buf/published.binpb"

// publish records the contracts as they are as released. From then on `check` refuses a change that would break a
// reader or writer of the old ones, on the wire or in JSON.
func publish(ctx context.Context, ws workspace, args []string) error {
	if len(args) > 0 {
		return fmt.Errorf("%w: publish takes no arguments", errUsage)
	}
	return ws.tool(ctx, ws.stderr, "buf", "buf", "build", "proto", "--config", bufConfig, "--exclude-source-info",
		"--output", ws.path(published))
}
