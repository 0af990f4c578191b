package backup

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
)

func TestFollowing(t *testing.T) {
	t.Parallel()
	for segment, want := range map[string]string{
		"000000010000000000000001": "000000010000000000000002",
		"0000000100000000000000FF": "000000010000000100000000",
		"00000002000000FF000000FF": "000000020000010000000000",
	} {
		if got, err := following(segment); got != want || err != nil {
			t.Errorf("after %s: %s %v, want %s", segment, got, err, want)
		}
	}
	for _, bad := range []string{"", "00000001000000000000000", "00000001000000000000000G", "00000002.history"} {
		if _, err := following(bad); err == nil {
			t.Errorf("after %q: no error", bad)
		}
	}
}

// Every single byte of a manifest is held to its digest, and a manifest of a later format is refused by name.
func TestManifestHoldsToItsDigest(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	_, err := readManifest(dir)
	require.Equal(t, "backup_missing", fault.ReasonOf(err))
	want := &manifest{
		Format: format, System: "7", Timeline: 1, Postgres: 17, Slot: "s", Begin: time.Unix(1, 0).UTC(), End: time.Unix(2, 0).UTC(),
		Folders: []string{"base"}, Base: []file{{"PG_VERSION", 3, "00"}}, Log: []file{{"000000010000000000000001", 4, "01"}},
	}
	require.NoError(t, want.write(dir))
	got, err := readManifest(dir)
	require.NoError(t, err)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
	require.EqualValues(t, 7, got.bytes())
	path := filepath.Join(dir, manifestFile)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	for i := range text {
		text[i] ^= 1
		require.NoError(t, os.WriteFile(path, text, 0o600))
		if _, err := readManifest(dir); fault.ReasonOf(err) != "backup_damaged" {
			t.Errorf("byte %d changed: %v, want backup_damaged", i, err)
		}
		text[i] ^= 1
	}
	want.Format++
	require.NoError(t, want.write(dir))
	_, err = readManifest(dir)
	require.Equal(t, "backup_format", fault.ReasonOf(err))
}
