package pgserver

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash/crc32"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// archive packs the installed binaries as the public repository packs them: a tar in xz in a zip.
func archive(t *testing.T) []byte {
	t.Helper()
	installed, err := find(t.Context(), nil, "")
	require.NoError(t, err)
	var tarred bytes.Buffer
	w := tar.NewWriter(&tarred)
	home := filepath.Dir(installed.dir)
	libs, err := filepath.Glob(filepath.Join(home, "lib", "*.so"))
	require.NoError(t, err)
	for _, path := range append(libs, installed.initdb(), installed.postgres()) {
		name, err := filepath.Rel(home, path)
		require.NoError(t, err)
		body, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, w.WriteHeader(&tar.Header{Name: name, Mode: 0o700, Size: int64(len(body)), Typeflag: tar.TypeReg}))
		_, err = w.Write(body)
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	var zipped bytes.Buffer
	z := zip.NewWriter(&zipped)
	f, err := z.Create("postgres.txz")
	require.NoError(t, err)
	_, err = f.Write(xzStored(tarred.Bytes()))
	require.NoError(t, err)
	require.NoError(t, z.Close())
	return zipped.Bytes()
}

// xzStored wraps data as an .xz file without compressing it (The .xz File Format 1.2.1, sections 2 to 4, one block, no integrity check).
func xzStored(data []byte) []byte {
	crc := func(b []byte) []byte { return binary.LittleEndian.AppendUint32(nil, crc32.ChecksumIEEE(b)) }
	flags := []byte{0, 0}
	out := append([]byte{0xFD, '7', 'z', 'X', 'Z', 0}, flags...)
	out = append(out, crc(flags)...)
	// Block header: 12 bytes, one filter: LZMA2 (0x21), dictionary of 1 MiB (16).
	header := []byte{2, 0, 0x21, 1, 16, 0, 0, 0}
	out = append(out, header...)
	out = append(out, crc(header)...)
	begun := len(out)
	control := byte(1) // stored, dictionary reset
	for rest := data; len(rest) > 0; control = 2 {
		n := min(len(rest), 1<<16)
		out = append(out, control, byte((n-1)>>8), byte(n-1))
		out = append(out, rest[:n]...)
		rest = rest[n:]
	}
	out = append(out, 0)
	unpadded := uint64(len(header) + 4 + len(out) - begun)
	for (len(out)-begun)%4 != 0 {
		out = append(out, 0)
	}
	index := []byte{0, 1}
	index = binary.AppendUvarint(index, unpadded)
	index = binary.AppendUvarint(index, uint64(len(data)))
	for len(index)%4 != 0 {
		index = append(index, 0)
	}
	index = append(index, crc(index)...)
	out = append(out, index...)
	footer := binary.LittleEndian.AppendUint32(nil, uint32(len(index)/4-1))
	footer = append(footer, flags...)
	out = append(out, crc(footer)...)
	out = append(out, footer...)
	return append(out, 'Y', 'Z')
}

// repository lays the archive out under a folder and returns the artifact's name for this machine.
func repository(t *testing.T, body []byte) (root, artifact string) {
	t.Helper()
	arch := runtime.GOARCH
	if arch == "arm64" {
		arch = "arm64v8"
	}
	if _, err := os.Stat("/etc/alpine-release"); err == nil {
		arch += "-alpine"
	}
	artifact = "embedded-postgres-binaries-" + runtime.GOOS + "-" + arch
	root = t.TempDir()
	dir := filepath.Join(root, "io/zonky/test/postgres", artifact, pinnedVersion)
	require.NoError(t, os.MkdirAll(dir, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(dir, artifact+"-"+pinnedVersion+".jar"), body, 0o644))
	return root, artifact
}

func TestFetchUnpacksOnceAndStarts(t *testing.T) {
	t.Parallel()
	body := archive(t)
	sum := sha256.Sum256(body)
	root, artifact := repository(t, body)
	cache, err := os.MkdirTemp("/tmp", "huskline-test-")
	require.NoError(t, err)
	t.Cleanup(func() { os.RemoveAll(cache) })
	require.NoError(t, os.Chmod(cache, 0o755))

	f := fetcher{repository: "file://" + root, cache: cache, digests: map[string]string{artifact: hex.EncodeToString(sum[:])}}
	got, err := f.fetch(t.Context())
	require.NoError(t, err)
	if want := filepath.Join(cache, "postgres-"+pinnedVersion, "bin"); got.dir != want {
		t.Errorf("got %s, want %s", got.dir, want)
	}
	left, err := os.ReadDir(cache)
	require.NoError(t, err)
	if len(left) != 1 {
		t.Errorf("the cache holds %v, want the one version", left)
	}

	f.repository = "file:///nowhere"
	_, err = f.fetch(t.Context())
	require.NoError(t, err, "a cached version needs no repository")
	s := start(t, Config{Dir: t.TempDir(), BinDirs: []string{got.dir}, UnsafeNoSync: true})
	if got := query(t, s, "select 'in'"); got != "in" {
		t.Errorf("got %q", got)
	}
}

func TestFetchRefusals(t *testing.T) {
	t.Parallel()
	root, artifact := repository(t, []byte("not the archive"))
	srv := httptest.NewServer(http.FileServer(http.Dir(root)))
	t.Cleanup(srv.Close)
	stalled := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { <-r.Context().Done() }))
	t.Cleanup(stalled.Close)
	expired, cancel := context.WithCancel(t.Context())
	cancel()
	digest := map[string]string{artifact: strings.Repeat("0", 64)}
	for _, tc := range []struct {
		name, repository, part string
		digests                map[string]string
		ctx                    context.Context
	}{
		{"wrong digest", srv.URL, "not the pinned", digest, t.Context()},
		{"absent", srv.URL + "/elsewhere", "404", digest, t.Context()},
		{"unreachable", "http://127.0.0.1:1", "refused", digest, t.Context()},
		{"platform without digest", srv.URL, "no digest is known", nil, t.Context()},
		{"cancelled", stalled.URL, "canceled", digest, expired},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			cache := t.TempDir()
			f := fetcher{repository: tc.repository, cache: cache, digests: tc.digests}
			_, err := f.fetch(tc.ctx)
			require.ErrorContains(t, err, tc.part)
			if text := err.Error(); !strings.Contains(text, install) || strings.Contains(text, "\n") {
				t.Errorf("%q is not one sentence that says what to install", text)
			}
			left, err := os.ReadDir(cache)
			require.NoError(t, err)
			if len(left) > 0 {
				t.Errorf("the cache holds %v, want nothing", left)
			}
		})
	}
}

// The place that the library fetches from by itself is where we fetch from too. Break it catches: a new version of the library that keeps it elsewhere.
func TestPublicRepositoryIsTheLibrarys(t *testing.T) {
	t.Parallel()
	if got := publicRepository(); !strings.HasPrefix(got, "https://") {
		t.Errorf("the library's repository is %q, want an https address", got)
	}
}
