package pgserver

import (
	"crypto/sha256"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
)

// maxSocketPath is what fits into sockaddr_un.sun_path on Linux with its closing zero; macOS and the BSDs have 104.
const maxSocketPath = 103

// makeSocketFolder makes the folder of the unix socket: in the data folder, or, where that path cannot be a socket's, under the system's temporary folder:
// when it is too long, or has a comma, which clients take for the end of a host.
func (s *Server) makeSocketFolder() error {
	s.socket = filepath.Join(s.place.dir, "run")
	if len(s.socket)+len("/.s.PGSQL."+port) > maxSocketPath || strings.Contains(s.socket, ",") {
		s.socket = shortSocketFolder(s.cfg.Dir)
		s.tmp = true
	}
	err := os.Mkdir(s.socket, 0o700)
	if os.IsExist(err) && s.tmp && !s.ours(s.socket) {
		// The name can be guessed, so somebody else may have made it.
		if s.socket, err = os.MkdirTemp("", "huskline-"); err != nil {
			return fmt.Errorf("make folder for the socket: %w", err)
		}
	}
	if err != nil && !os.IsExist(err) {
		return fmt.Errorf("make folder for the socket: %w", err)
	}
	if s.place.cred == nil {
		return nil
	}
	if err := os.Chown(s.socket, int(s.place.cred.Uid), int(s.place.cred.Gid)); err != nil {
		return fmt.Errorf("make folder for the socket: %w", err)
	}
	return nil
}

// shortSocketFolder has the same name at every start, so that a killed owner leaves one folder, not many.
func shortSocketFolder(dir string) string {
	sum := sha256.Sum256([]byte(dir))
	return filepath.Join(os.TempDir(), fmt.Sprintf("huskline-%x", sum[:8]))
}

// ours tells whether path is a folder, no link, closed to others and owned by us or by the user of Postgres.
func (s *Server) ours(path string) bool {
	info, err := os.Lstat(path)
	if err != nil || !info.IsDir() || info.Mode().Perm() != 0o700 {
		return false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return false
	}
	return int(st.Uid) == os.Geteuid() || (s.place.cred != nil && st.Uid == s.place.cred.Uid)
}

// socketSetting is the socket's folder as Postgres knows it. The setting is a list, so the name is quoted.
func (s *Server) socketSetting() string {
	folder := s.socket
	if !s.tmp {
		folder = s.place.inner("run")
	}
	return `"` + strings.ReplaceAll(folder, `"`, `""`) + `"`
}
