package demoseason

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/services/huskline/internal/seasonfile"
)

// TestTheImporterTakesIt: the checks that an import makes before it sends anything find no fault in a made season.
func TestTheImporterTakesIt(t *testing.T) {
	t.Parallel()
	for seed := range uint64(3) {
		dir := t.TempDir()
		require.NoError(t, Generate(seed, Demo()).WriteFolder(dir))
		read, faults, err := seasonfile.Read(t.Context(), os.DirFS(dir), seasonfile.Options{})
		require.NoError(t, err)
		if faults.Any() {
			t.Errorf("seed %d: %v", seed, faults.Listed)
		}
		t.Logf("seed %d: %d rows, %d weighings", seed, read.Rows(), read.Weighings)
	}
}
