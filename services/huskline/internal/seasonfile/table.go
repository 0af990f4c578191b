package seasonfile

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// maxRecord bounds one row, in bytes: a quote that is never closed must not swallow a file of millions of lines into memory. No row of the
// season's files comes near it.
const maxRecord = 1 << 20

// byteOrderMarks are the marks of encodings that are not UTF-8, refused by name.
var byteOrderMarks = []struct{ mark, name string }{
	{"\xff\xfe", "UTF-16 (little endian)"},
	{"\xfe\xff", "UTF-16 (big endian)"},
}

// utf8Mark is what some spreadsheets put before UTF-8; it is skipped.
const utf8Mark = "\xef\xbb\xbf"

// table reads one file row by row. A row that is no CSV, or has too many or too few cells, is listed and passed over.
type table struct {
	schema schema
	faults *Faults
	csv    *csv.Reader
	guard  *guard
	index  []int // per column of the schema (required, then optional): its place in the file, -1 where absent
	skip   int64 // bytes before the first that csv sees
	cells  []string
	record record
}

// errRecordTooLong ends a file whose quotes do not close.
var errRecordTooLong = errors.New("record too long")

// guard fails the reading once more than a whole record's worth was read beyond the last record handed out.
type guard struct {
	r     io.Reader
	read  int64
	limit int64
}

func (g *guard) Read(p []byte) (int, error) {
	if g.read > g.limit {
		return 0, errRecordTooLong
	}
	n, err := g.r.Read(p)
	g.read += int64(n)
	return n, err
}

// newTable reads the header row. It returns nil, having listed why, where no row of the file can be understood.
func newTable(s schema, r io.Reader, faults *Faults) (*table, error) {
	t := &table{schema: s, faults: faults}
	buffered := bufio.NewReaderSize(r, 64<<10)
	head, err := buffered.Peek(len(utf8Mark))
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	for _, m := range byteOrderMarks {
		if bytes.HasPrefix(head, []byte(m.mark)) {
			faults.add(Where{File: s.file, Line: 1}, "", "encoding", "the file is in %s; only UTF-8 is read", m.name)
			return nil, nil
		}
	}
	if bytes.HasPrefix(head, []byte(utf8Mark)) {
		t.skip = int64(len(utf8Mark))
		_, _ = buffered.Discard(len(utf8Mark))
	}
	t.guard = &guard{r: buffered, limit: 2 * maxRecord}
	t.csv = csv.NewReader(t.guard)
	t.csv.ReuseRecord = true
	t.csv.FieldsPerRecord = -1
	return t, t.header()
}

// header maps the columns of the file to those of the schema, in whatever order they come.
func (t *table) header() error {
	at := Where{File: t.schema.file, Line: 1}
	head, err := t.csv.Read()
	switch {
	case errors.Is(err, io.EOF):
		t.faults.add(at, "", "header_missing", "the file is empty; a header row is required: %s", strings.Join(t.schema.required, ","))
		t.index = nil
		return nil
	case err != nil:
		return t.broken(err)
	}
	known := slices.Concat(t.schema.required, t.schema.optional)
	t.index = slices.Repeat([]int{-1}, len(known))
	fine := true
	for i, name := range head {
		place := slices.Index(known, name)
		switch {
		case place < 0:
			t.faults.add(at, clip(name), "column_unknown", "no such column; known are %s", strings.Join(known, ","))
			fine = false
		case t.index[place] >= 0:
			t.faults.add(at, name, "column_twice", "the column stands twice in the header row")
			fine = false
		default:
			t.index[place] = i
		}
	}
	for i, name := range t.schema.required {
		if t.index[i] < 0 {
			t.faults.add(at, name, "column_missing", "the column is required; the header row does not have it")
			fine = false
		}
	}
	if !fine {
		t.index = nil
		return nil
	}
	t.cells = make([]string, len(known))
	t.record = record{table: t, width: len(head)}
	return nil
}

// next is the next row that has the right number of cells, nil at the end of the file.
func (t *table) next() (*record, error) {
	for t.index != nil {
		t.guard.limit = t.csv.InputOffset() + 2*maxRecord
		cells, err := t.csv.Read()
		if errors.Is(err, io.EOF) {
			return nil, nil
		}
		if err != nil {
			if err := t.broken(err); err != nil {
				return nil, err
			}
			continue
		}
		line, _ := t.csv.FieldPos(0)
		at := Where{File: t.schema.file, Line: line}
		if len(cells) != t.record.width {
			t.faults.add(at, "", "ragged_row", "the row has %d cells, the header row %d", len(cells), t.record.width)
			continue
		}
		t.record.row = row{Where: at}
		t.take(cells)
		return &t.record, nil
	}
	return nil, nil
}

// take puts the cells into the schema's order and lists text that is not UTF-8 or carries control characters.
func (t *table) take(cells []string) {
	for i, place := range t.index {
		if place < 0 {
			t.cells[i] = ""
			continue
		}
		cell := cells[place]
		t.cells[i] = cell
		if plain(cell) {
			continue
		}
		switch {
		case !utf8.ValidString(cell):
			t.record.fail(t.name(i), "not_utf8", "%q is not UTF-8", clip(cell))
		case strings.ContainsFunc(cell, forbidden):
			t.record.fail(t.name(i), "control_character", "%q holds a control character; only line breaks and tabs are allowed", clip(cell))
		}
	}
}

func (t *table) name(column int) string {
	if n := len(t.schema.required); column >= n {
		return t.schema.optional[column-n]
	}
	return t.schema.required[column]
}

// broken lists a row that is no CSV. What follows it is read on, as far as the quotes allow. Any other error is the disk's.
func (t *table) broken(err error) error {
	if errors.Is(err, errRecordTooLong) {
		line, _ := t.lastLine()
		t.faults.add(Where{File: t.schema.file, Line: line}, "", "row_too_long", "the row is longer than %d bytes: is a quote not closed?", maxRecord)
		t.index = nil
		return nil
	}
	var parse *csv.ParseError
	if !errors.As(err, &parse) {
		return fmt.Errorf("read %s: %w", t.schema.file, err)
	}
	t.faults.add(Where{File: t.schema.file, Line: parse.StartLine}, "", "not_csv", "column %d: %s (RFC 4180)", parse.Column, parse.Err)
	return nil
}

// lastLine is the line on which the last complete row began.
func (t *table) lastLine() (line int, ok bool) {
	if t.record.Line == 0 {
		return 1, false
	}
	return t.record.Line, true
}

// plain tells quickly that text is printable ASCII, which nearly every cell is.
func plain(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

func forbidden(r rune) bool {
	return r < ' ' && r != '\n' && r != '\r' && r != '\t' || r >= 0x7f && r < 0xa0 || r == 0xfeff
}

// clip keeps a quoted cell readable in a fault.
func clip(s string) string {
	const most = 60
	if len(s) <= most {
		return s
	}
	return s[:most] + "…"
}
