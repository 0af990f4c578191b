package weighqueue

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
)

// format is the first line of a queue file; version is its second word's number.
const (
	formatName = "huskline-weigh-queue"
	version    = 1
)

// The bounds of a record. A batch's answer with a message for each of its readings stays well under the largest.
const (
	frameBytes = 8
	maxRecord  = 1 << 20
)

// The kinds of record.
const (
	kindBegin    = "begin"    // the first of a file
	kindReading  = "reading"  // a reading came
	kindRearmed  = "rearmed"  // the scale was seen empty after its last load
	kindBatch    = "batch"    // readings go under one command id
	kindAnswered = "answered" // a batch was answered; what was refused is set aside
	kindSplit    = "split"    // a batch was refused as a whole; its readings go one by one
	kindScale    = "scale"    // how a scale stands: next own number, armed, last load
	kindOrigin   = "origin"   // how far the source was read
)

// record is one entry of the file; which fields are there depends on its kind.
type record struct {
	Kind       string   `json:"kind"`
	Generation int64    `json:"generation,omitempty"` // of the file: 1, and one more each time that it is written anew
	Entry      uint64   `json:"entry,omitempty"`
	Own        bool     `json:"own,omitempty"`  // numbered here
	Load       bool     `json:"load,omitempty"` // a load that settled on a scale: the next waits for the empty scale
	Alone      bool     `json:"alone,omitempty"`
	Reading    []byte   `json:"reading,omitempty"` // a Reading message
	Origin     string   `json:"origin,omitempty"`
	Batch      string   `json:"batch,omitempty"`
	Entries    []uint64 `json:"entries,omitempty"`
	Aside      []aside  `json:"aside,omitempty"`
	Scale      string   `json:"scale,omitempty"`
	Next       int64    `json:"next,omitempty"`
	Armed      bool     `json:"armed,omitempty"`
}

// aside is why a reading was refused.
type aside struct {
	Entry   uint64 `json:"entry"`
	Reason  string `json:"reason"`
	Message string `json:"message"`
}

// castagnoli is the polynomial of CRC-32C.
func castagnoli() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

// encode frames records: length and checksum of length and payload, little-endian, then the payload.
func encode(records ...record) ([]byte, error) {
	var out []byte
	for _, r := range records {
		payload, err := json.Marshal(r)
		if err != nil {
			return nil, fmt.Errorf("encode a %s record: %w", r.Kind, err)
		}
		if len(payload) > maxRecord {
			return nil, fmt.Errorf("encode a %s record: %d bytes, at most %d are allowed", r.Kind, len(payload), maxRecord)
		}
		out = binary.LittleEndian.AppendUint32(out, uint32(len(payload)))
		out = binary.LittleEndian.AppendUint32(out, checksum(out[len(out)-4:], payload))
		out = append(out, payload...)
	}
	return out, nil
}

func checksum(length, payload []byte) uint32 {
	return crc32.Update(crc32.Checksum(length, castagnoli()), castagnoli(), payload)
}

// errTorn is a record that is not whole: what the file holds from here on is no record.
var errTorn = errors.New("no whole record")

// decode reads the next record and how many bytes it takes; io.EOF at a clean end.
func decode(r *bufio.Reader) (record, int64, error) {
	var out record
	var frame [frameBytes]byte
	if _, err := io.ReadFull(r, frame[:]); err != nil {
		if errors.Is(err, io.ErrUnexpectedEOF) {
			return out, 0, errTorn
		}
		return out, 0, err
	}
	n := binary.LittleEndian.Uint32(frame[:4])
	if n == 0 || n > maxRecord {
		return out, 0, errTorn
	}
	payload := make([]byte, n)
	if _, err := io.ReadFull(r, payload); err != nil {
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return out, 0, errTorn
		}
		return out, 0, err
	}
	if checksum(frame[:4], payload) != binary.LittleEndian.Uint32(frame[4:]) {
		return out, 0, errTorn
	}
	if err := json.Unmarshal(payload, &out); err != nil {
		return out, 0, errTorn
	}
	return out, frameBytes + int64(n), nil
}
