package main

import (
	"context"
	"fmt"
	"io"
)

const (
	bufConfig   = "internal/tools/buf/buf.yaml"
	bufTemplate = "internal/tools/buf/buf.gen.yaml"
)

// generate makes the code beside the contracts anew. Doing it twice changes nothing.
func generate(ctx context.Context, ws workspace, args []string) error {
	if len(args) > 0 {
		return fmt.Errorf("%w: generate takes no arguments", errUsage)
	}
	return generateInto(ctx, ws, ws.stderr, ws.root)
}

// generateInto writes what the contracts yield below dir, in the folders it has below the top.
func generateInto(ctx context.Context, ws workspace, out io.Writer, dir string) error {
	return ws.tool(ctx, out, "buf", "buf", "generate", "--config", bufConfig, "--template", bufTemplate, "--output", dir)
}
