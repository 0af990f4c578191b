package main

import "context"

// simulate runs the deterministic simulation, handing on the arguments: a package that only tests may use is run, not imported.
func simulate(ctx context.Context, ws workspace, args []string) error {
	return ws.exec(ctx, ws.stdout, "go", append([]string{"run", "./internal/sim/run"}, args...)...)
}
