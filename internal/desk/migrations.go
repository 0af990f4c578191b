package desk

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"time"

	"huskline/internal/access"
	"huskline/internal/command"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	"huskline/internal/restore"
	"huskline/internal/seal"
)

// runRole stands in migrations where the name of the service's run-time role belongs.
const runRole = "@RUN_ROLE@"

// migrationsFolder is where an embedded file system has its migrations.
const migrationsFolder = "migrations"

// firstHead is the head of a producer that has said nothing yet, so that a service can record from its first command on.
const firstHead = `-- +goose Up
insert into head (producer, epoch, position, recorded_micros, previous_hash, hash)
values ('%s', 1, 0, 0, decode(repeat('00', 32), 'hex'), decode(repeat('00', 32), 'hex')) on conflict do nothing;
insert into relay_cursor (epoch, position) values (1, 0) on conflict do nothing;
`

// Migrations is one set of a service's own migrations (its folder "migrations", numbered from 00101) and those of what every service is
// made of, with the name of the run-time role and the producer's first head in place. Two files of one name, or a folder that cannot be read, show when the set is opened.
func Migrations(self lot.Producer, own fs.FS) fs.FS {
	return merged{
		sets: []fs.FS{seal.Migrations, outbox.Migrations, inbox.Migrations, command.Migrations, access.Migrations, restore.Migrations, own},
		head: fmt.Appendf(nil, firstHead, self),
		role: []byte(postgres.RunRole(string(self))),
	}
}

// merged is the files of several folders as one folder.
type merged struct {
	sets []fs.FS
	head []byte
	role []byte
}

// headFile comes after the tables of the outbox and before the service's own.
const headFile = "00100_head.sql"

// Open opens the folder itself or one of its files.
func (m merged) Open(name string) (fs.File, error) {
	switch name {
	case ".":
		return m.folder()
	case headFile:
		return open(name, m.head), nil
	}
	for _, set := range m.sets {
		text, err := fs.ReadFile(set, migrationsFolder+"/"+name)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		return open(name, bytes.ReplaceAll(text, []byte(runRole), m.role)), nil
	}
	return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
}

func (m merged) folder() (fs.File, error) {
	entries := []fs.DirEntry{fs.FileInfoToDirEntry(info{name: headFile, size: int64(len(m.head))})}
	for _, set := range m.sets {
		some, err := fs.ReadDir(set, migrationsFolder)
		if err != nil {
			return nil, err
		}
		for _, e := range some {
			if slices.ContainsFunc(entries, func(o fs.DirEntry) bool { return o.Name() == e.Name() }) {
				return nil, fmt.Errorf("migrations: %s is there twice", e.Name())
			}
			f, err := m.Open(e.Name())
			if err != nil {
				return nil, err
			}
			stat, err := f.Stat()
			if err != nil {
				return nil, err
			}
			entries = append(entries, fs.FileInfoToDirEntry(stat))
		}
	}
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return cmp.Compare(a.Name(), b.Name()) })
	return &folder{entries: entries}, nil
}

func open(name string, text []byte) fs.File {
	return &file{info: info{name: name, size: int64(len(text))}, Reader: bytes.NewReader(text)}
}

type info struct {
	name string
	size int64
	dir  bool
}

// Name is the file's name.
func (i info) Name() string { return i.name }

// Size is the length of its text.
func (i info) Size() int64 { return i.size }

// Mode is read-only.
func (i info) Mode() fs.FileMode {
	if i.dir {
		return fs.ModeDir | 0o555
	}
	return 0o444
}

// ModTime is not known.
func (i info) ModTime() time.Time { return time.Time{} }

// IsDir tells the folder from its files.
func (i info) IsDir() bool { return i.dir }

// Sys is nothing.
func (i info) Sys() any { return nil }

type file struct {
	*bytes.Reader
	info info
}

// Stat is what is known of the file.
func (f *file) Stat() (fs.FileInfo, error) { return f.info, nil }

// Close has nothing to give back.
func (f *file) Close() error { return nil }

type folder struct {
	entries []fs.DirEntry
	read    int
}

// Stat is what is known of the folder.
func (d *folder) Stat() (fs.FileInfo, error) { return info{name: ".", dir: true}, nil }

// Read is not for folders.
func (d *folder) Read([]byte) (int, error) { return 0, fs.ErrInvalid }

// Close has nothing to give back.
func (d *folder) Close() error { return nil }

// ReadDir lists the files, n at a time where n is above zero.
func (d *folder) ReadDir(n int) ([]fs.DirEntry, error) {
	rest := d.entries[d.read:]
	if n <= 0 {
		d.read = len(d.entries)
		return rest, nil
	}
	if len(rest) == 0 {
		return nil, io.EOF
	}
	rest = rest[:min(n, len(rest))]
	d.read += len(rest)
	return rest, nil
}
