package backup

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"huskline/internal/fault"
)

// The names in a backup's folder.
const (
	baseFolder     = "base"
	walFolder      = "wal"
	manifestFile   = "manifest"
	unfinishedFile = "unfinished"
	lockFile       = "lock"
)

// format is the version of what is written here.
const format = 1

// manifest is what a backup holds.
type manifest struct {
	Format   int       `json:"format"`
	System   string    `json:"system"` // identifier of the cluster
	Timeline int64     `json:"timeline"`
	Postgres int       `json:"postgres"` // major version
	Slot     string    `json:"slot"`
	Begin    time.Time `json:"begin"` // the earliest moment that can be restored
	End      time.Time `json:"end"`   // the latest
	Folders  []string  `json:"folders"`
	Base     []file    `json:"base"`
	Log      []file    `json:"log"` // in order
}

// file is a file of the backup.
type file struct {
	Name   string `json:"name"`
	Size   int64  `json:"size"`
	SHA256 string `json:"sha256"`
}

func (m *manifest) bytes() int64 {
	n := int64(0)
	for _, list := range [][]file{m.Base, m.Log} {
		for _, f := range list {
			n += f.Size
		}
	}
	return n
}

// write puts the manifest in place whole. All files that it names are on the disk by then.
func (m *manifest) write(target string) error {
	text, err := json.Marshal(m)
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	text = fmt.Appendf(text, "\n%x\n", sum)
	path := filepath.Join(target, manifestFile)
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("write the manifest: %w", err)
	}
	_, err = f.Write(text)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return fmt.Errorf("write the manifest: %w", err)
	}
	return syncFolder(target)
}

// readManifest reads a backup's manifest. Reasons backup_missing and backup_damaged.
func readManifest(target string) (*manifest, error) {
	text, err := os.ReadFile(filepath.Join(target, manifestFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fault.Precondition("backup_missing", "%s: holds no whole backup: there is no manifest", target)
	}
	if err != nil {
		return nil, fmt.Errorf("read the manifest: %w", err)
	}
	body, sum, _ := bytes.Cut(text, []byte("\n"))
	want := sha256.Sum256(body)
	if string(bytes.TrimSuffix(sum, []byte("\n"))) != hex.EncodeToString(want[:]) {
		return nil, damaged(target, manifestFile)
	}
	m := &manifest{}
	if err := json.Unmarshal(body, m); err != nil {
		return nil, damaged(target, manifestFile)
	}
	if m.Format != format {
		return nil, fault.Precondition("backup_format", "%s: written in format %d; this program reads format %d", target, m.Format, format)
	}
	return m, nil
}

func damaged(target, name string) error {
	return fault.Precondition("backup_damaged", "%s: file %s is missing or is not what the backup wrote; nothing was restored", target, name)
}

// copyFile copies a file and gives its digest.
func copyFile(from, to string) (file, error) {
	in, err := os.Open(from)
	if err != nil {
		return file{}, err
	}
	defer func() { _ = in.Close() }()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return file{}, err
	}
	sum := sha256.New()
	n, err := io.Copy(io.MultiWriter(out, sum), in)
	if err = errors.Join(err, out.Close()); err != nil {
		return file{}, err
	}
	return file{Size: n, SHA256: hex.EncodeToString(sum.Sum(nil))}, nil
}

func syncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
