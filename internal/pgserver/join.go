package pgserver

import (
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"huskline/internal/fault"
)

// Joined is the running server of a data folder as another process sees it.
type Joined struct {
	Cluster string // folder of the database cluster
	socket  string
}

// Join finds the server that another process runs on a data folder. Reason not_running where there is none.
func Join(dir string) (Joined, error) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return Joined{}, fmt.Errorf("data folder: %w", err)
	}
	cluster := filepath.Join(dir, "postgres", "cluster")
	text, err := os.ReadFile(filepath.Join(cluster, "postmaster.pid"))
	if errors.Is(err, fs.ErrNotExist) {
		return Joined{}, fault.Unavailable("not_running", "data folder %s: nothing runs on it; start it with: huskline up --data %s", dir, dir)
	}
	if err != nil {
		return Joined{}, fmt.Errorf("find the postgres of %s: %w", dir, err)
	}
	j := Joined{Cluster: cluster, socket: filepath.Join(dir, "postgres", "run")}
	// The fifth line is the socket's folder as Postgres knows it; one below the place may be named by a descriptor of its own.
	if lines := strings.Split(string(text), "\n"); len(lines) > 4 && !strings.HasPrefix(lines[4], "/proc/self/") && lines[4] != "" {
		j.socket = lines[4]
	}
	return j, nil
}

// DSN is a connection string for a database as a role of the cluster.
func (j Joined) DSN(database, user string) string { return socketDSN(j.socket, database, user) }

func socketDSN(socket, database, user string) string {
	q := url.Values{"host": {socket}, "port": {port}, "sslmode": {"disable"}}
	// Readers of such strings take a plus sign for itself, not for a space.
	query := strings.ReplaceAll(q.Encode(), "+", "%20")
	u := url.URL{Scheme: "postgres", User: url.User(user), Path: "/" + database, RawQuery: query}
	return u.String()
}

// FillCluster makes the cluster of a data folder that has none from elsewhere: fill writes it into the folder that it is given. It is then handed to
// the user that Postgres runs as. Where fill fails, nothing is left of it.
func FillCluster(dir string, fill func(cluster string) error) error {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	p, err := openPlace(dir)
	if err != nil {
		return err
	}
	defer p.close()
	cluster := filepath.Join(p.dir, "cluster")
	if _, err := os.Stat(cluster); err == nil {
		return fault.Precondition("cluster_there", "data folder %s: it has a database already", dir)
	}
	half, err := os.MkdirTemp(p.dir, "cluster.new-")
	if err != nil {
		return fmt.Errorf("make cluster: %w", err)
	}
	err = fill(half)
	if err == nil {
		err = p.own(half)
	}
	if err == nil {
		err = os.Rename(half, cluster)
	}
	if err != nil {
		return errors.Join(err, os.RemoveAll(half))
	}
	return syncPath(p.dir)
}

// own gives a folder, with all that is in it, to the user that Postgres runs as.
func (p place) own(folder string) error {
	if p.cred == nil {
		return nil
	}
	return filepath.WalkDir(folder, func(path string, _ fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		return os.Lchown(path, int(p.cred.Uid), int(p.cred.Gid))
	})
}
