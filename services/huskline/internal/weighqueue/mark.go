package weighqueue

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
)

// mark says how many bytes of a queue file count. It has two slots, written in turn, so that a write that a power cut tears leaves the other.
type mark struct {
	file  *os.File
	turn  uint64
	there bool // a slot is whole
	point
}

// point is what a slot says.
type point struct {
	generation int64
	length     int64
}

const slotBytes = 64

// openMark reads the slots; neither whole is no error: the file may be new.
func openMark(path string) (*mark, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	m := &mark{file: f}
	for slot := range int64(2) {
		buf := make([]byte, slotBytes)
		if _, err := f.ReadAt(buf, slot*slotBytes); err != nil && !errors.Is(err, io.EOF) {
			return nil, errors.Join(err, f.Close())
		}
		turn, p, ok := parseSlot(string(buf))
		if ok && (!m.there || turn > m.turn) {
			m.turn, m.point, m.there = turn, p, true
		}
	}
	return m, nil
}

func parseSlot(text string) (turn uint64, p point, ok bool) {
	var sum uint32
	if _, err := fmt.Sscanf(text, "%016x %016x %016x %08x\n", &turn, &p.generation, &p.length, &sum); err != nil {
		return 0, p, false
	}
	return turn, p, text == slotText(turn, p)
}

func slotText(turn uint64, p point) string {
	body := fmt.Sprintf("%016x %016x %016x ", turn, p.generation, p.length)
	return fmt.Sprintf("%s%08x\n%*s", body, crc32.Checksum([]byte(body), castagnoli()), slotBytes-len(body)-9, "")
}

// set says that so much counts from now on, and returns once that is on the disk.
func (m *mark) set(p point) error {
	turn := m.turn + 1
	if _, err := m.file.WriteAt([]byte(slotText(turn, p)), int64(turn%2)*slotBytes); err != nil {
		return err
	}
	if err := m.file.Sync(); err != nil {
		return err
	}
	m.turn, m.point, m.there = turn, p, true
	return nil
}
