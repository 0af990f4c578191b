package plant

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// diskBytes holds the plant of the longest storm; filling it up costs nothing.
const diskBytes = 3 << 30

// Disk is where Postgres and NATS store: an ext4 file system in a file of its own, whose power can be cut, or a plain folder.
type Disk struct {
	Dir    string // where to store
	Absent error  // why it is a plain folder; nil: it is a file system of its own
	image  string
	loop   string
}

// errPlain is what a plain folder answers.
var errPlain = errors.New("the plant lies in a plain folder")

// OpenDisk makes a file system in a folder, or says in Absent why it could not and uses the folder as it is.
func OpenDisk(dir string) (*Disk, error) {
	d := &Disk{Dir: filepath.Join(dir, "disk"), image: filepath.Join(dir, "disk.img")}
	if err := os.MkdirAll(d.Dir, 0o755); err != nil {
		return nil, err
	}
	if d.Absent = d.format(); d.Absent == nil {
		d.Absent = d.Mount()
	}
	return d, nil
}

// Fill leaves no room, at once.
func (d *Disk) Fill() error {
	if d.Absent != nil {
		return fmt.Errorf("fill the disk: %w", errPlain)
	}
	return d.fill(filepath.Join(d.Dir, "ballast"))
}

// Free takes away what Fill put there.
func (d *Disk) Free() error {
	if err := os.Remove(filepath.Join(d.Dir, "ballast")); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}
