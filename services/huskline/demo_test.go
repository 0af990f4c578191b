package main

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// TestDemo plays the made-up season as a stranger would. It catches a demonstration that ends in an error or without its sheets, a proof line that
// does not hold, and what is left behind.
func TestDemo(t *testing.T) {
	t.Parallel()
	temporary := t.TempDir()
	require.NoError(t, os.Chmod(temporary, 0o755))
	r := planttest.CallWith(t, []string{"TMPDIR=" + temporary}, "demo")
	require.Equal(t, exitDone, r.Code, r.Err)
	for _, text := range []string{"RECALL DRILL", "KERNEL COST SHEET", "Proof lines", "Affected lots", "Complete as of"} {
		if !strings.Contains(r.Out, text) {
			t.Errorf("%q is not in what the demonstration prints:\n%s", text, r.Out)
		}
	}
	left, err := os.ReadDir(temporary)
	require.NoError(t, err)
	require.Empty(t, left, "left behind")
}
