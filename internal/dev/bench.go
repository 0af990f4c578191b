package main

import (
	"context"
	"fmt"
	"maps"
	"slices"
)

// benches names the measurements: each is a main package inside the service that owns what it measures, so that it
// may reach that service's internals.
func benches() map[string]string {
	return map[string]string{
		"door": "./services/intake/internal/bench",
	}
}

// bench runs one measurement, handing on the remaining arguments; without a name it lists them.
func bench(ctx context.Context, ws workspace, args []string) error {
	table := benches()
	if len(args) == 0 {
		for _, name := range slices.Sorted(maps.Keys(table)) {
			fmt.Fprintf(ws.stdout, "%-16s %s\n", name, table[name])
		}
		return nil
	}
	pkg, ok := table[args[0]]
	if !ok {
		return fmt.Errorf("%w: no bench %q, there are %v", errUsage, args[0], slices.Sorted(maps.Keys(table)))
	}
	return ws.exec(ctx, ws.stdout, "go", append([]string{"run", pkg}, args[1:]...)...)
}
