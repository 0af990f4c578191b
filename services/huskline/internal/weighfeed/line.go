package weighfeed

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "huskline/proto/huskline/intake/v1"

	"huskline/internal/fault"
	"huskline/internal/weight"
)

// columns are the fields of a reading, by the names that a header row and a JSON object use; the last five may be left out.
var columns = []string{"scale", "seq", "time", "reading", "unit", "kind", "reference", "in_motion", "high_resolution", "center_of_zero", "range"}

// seqColumn is the one that a device without numbers of its own leaves out.
const seqColumn = 1

// mustHave is how many of the columns have to be there.
const mustHave = 6

// kinds are what a reading weighed.
var kinds = map[string]intakev1.ReadingKind{
	"gross": intakev1.ReadingKind_READING_KIND_GROSS,
	"tare":  intakev1.ReadingKind_READING_KIND_TARE,
	"net":   intakev1.ReadingKind_READING_KIND_NET,
}

// raw is a reading as text, in the order of columns.
type raw [11]string

// reading turns text into a message, a unit in its usual spelling into its code. Digits, unit and scale are else left as they came: what they may be is
// intake's to judge, reading by reading.
func (r raw) reading(ownNumbers bool) (*intakev1.Reading, error) {
	for i, cell := range r {
		if !utf8.ValidString(cell) {
			return nil, fault.Invalid("not_utf8", "field %s: %q is not UTF-8", columns[i], cell)
		}
	}
	seq, err := strconv.ParseInt(r[1], 10, 64)
	if ownNumbers && r[1] == "" {
		seq, err = 0, nil
	} else if err != nil || r[1] != strconv.FormatInt(seq, 10) {
		return nil, fault.Invalid("sequence_malformed", "field seq: %q: only a whole number in digits 0-9 is allowed", r[1])
	}
	if ownNumbers && r[1] != "" && seq < 1 {
		return nil, fault.Invalid("sequence_below_one", "sequence %d: a scale counts 1, 2, 3 …", seq)
	}
	var at time.Time
	if err := at.UnmarshalText([]byte(r[2])); err != nil {
		return nil, fault.Invalid("time_malformed", "field time: %q: only RFC 3339 with a zone is allowed, such as 2024-10-18T07:21:00Z", r[2])
	}
	kind, ok := kinds[r[5]]
	if !ok {
		return nil, fault.Invalid("kind_unknown", "field kind: %q: only gross, tare and net are allowed", r[5])
	}
	out := &intakev1.Reading{Scale: r[0], Sequence: seq, Time: timestamppb.New(at), Digits: r[3], Unit: weight.Code(r[4]), Kind: kind, Reference: r[6]}
	if err := r.status(out); err != nil {
		return nil, err
	}
	return out, nil
}

// status reads what the scale said of itself, where it did.
func (r raw) status(out *intakev1.Reading) error {
	const first = 7
	for i, flag := range []*bool{&out.InMotion, &out.HighResolution, &out.CenterOfZero} {
		switch r[first+i] {
		case "", "false":
		case "true":
			*flag = true
		default:
			return fault.Invalid("flag_malformed", "field %s: %q: only true and false are allowed", columns[first+i], r[first+i])
		}
	}
	if text := r[len(r)-1]; text != "" {
		n, err := strconv.ParseInt(text, 10, 32)
		if err != nil || n < 1 || text != strconv.FormatInt(n, 10) {
			return fault.Invalid("range_malformed", "field range: %q: only a whole number from 1 is allowed", text)
		}
		out.Range = int32(n)
	}
	return nil
}

// header maps the columns of a CSV feed: where each stands, -1 where it is absent, as the optional one may be.
func header(line, optional string) ([]int, error) {
	names, err := cells(line)
	if err != nil {
		return nil, fault.Invalid("header_malformed", "line 1: the header row: %v", err)
	}
	place := slices.Repeat([]int{-1}, len(columns))
	for i, name := range names {
		at := slices.Index(columns, name)
		switch {
		case at < 0:
			return nil, fault.Invalid("column_unknown", "line 1: column %q: known are %s", name, strings.Join(columns, ", "))
		case place[at] >= 0:
			return nil, fault.Invalid("column_twice", "line 1: column %q stands twice", name)
		}
		place[at] = i
	}
	for at := range mustHave {
		if place[at] < 0 && columns[at] != optional {
			return nil, fault.Invalid("column_missing", "line 1: column %q is required", columns[at])
		}
	}
	return place, nil
}

// fromCSV reads one line by the places of its columns. A line stands for itself: a quote never reaches into the next.
func fromCSV(line string, place []int) (r raw, err error) {
	got, err := cells(line)
	if err != nil {
		return r, fault.Invalid("line_malformed", "%v", err)
	}
	width := 0
	for _, p := range place {
		if p >= 0 {
			width++
		}
	}
	if len(got) != width {
		return r, fault.Invalid("line_malformed", "the line has %d cells, the header row %d", len(got), width)
	}
	for i, p := range place {
		if p >= 0 {
			r[i] = got[p]
		}
	}
	return r, nil
}

func cells(line string) ([]string, error) {
	c := csv.NewReader(strings.NewReader(line))
	got, err := c.Read()
	if err != nil {
		return nil, fmt.Errorf("not CSV: %w", err)
	}
	return got, nil
}

// fromJSON reads one object, which may lack the optional field. A number is taken digit by digit as it stands, never by way of a float.
func fromJSON(line, optional string) (r raw, err error) {
	if !utf8.ValidString(line) {
		return r, fault.Invalid("not_utf8", "the line is not UTF-8")
	}
	d := json.NewDecoder(strings.NewReader(line))
	d.UseNumber()
	if open, err := d.Token(); err != nil || open != json.Delim('{') {
		return r, fault.Invalid("line_malformed", "not a JSON object")
	}
	seen := map[string]bool{}
	for d.More() {
		if err := r.field(d, seen); err != nil {
			return r, err
		}
	}
	if _, err := d.Token(); err != nil {
		return r, fault.Invalid("line_malformed", "not a JSON object: %v", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return r, fault.Invalid("line_malformed", "more than one JSON value on the line")
	}
	for at := range mustHave {
		if !seen[columns[at]] && columns[at] != optional {
			return r, fault.Invalid("field_missing", "field %s is required", columns[at])
		}
	}
	return r, nil
}

// field reads one name and its value. A name that comes twice is refused: either value may be the one that was meant.
func (r *raw) field(d *json.Decoder, seen map[string]bool) error {
	key, err := d.Token()
	name, ok := key.(string)
	var value any
	if err == nil && ok {
		err = d.Decode(&value)
	}
	if err != nil || !ok {
		return fault.Invalid("line_malformed", "not a JSON object: %v", err)
	}
	at := slices.Index(columns, name)
	switch {
	case at < 0:
		return fault.Invalid("field_unknown", "field %q: known are %s", name, strings.Join(columns, ", "))
	case seen[name]:
		return fault.Invalid("field_twice", "field %s stands twice", name)
	}
	seen[name] = true
	switch v := value.(type) {
	case string:
		r[at] = v
		return nil
	case json.Number:
		r[at] = v.String()
		return nil
	case bool:
		if strings.Contains(name, "_") {
			r[at] = strconv.FormatBool(v)
			return nil
		}
	}
	return fault.Invalid("field_malformed", "field %s: only text or a number is allowed", name)
}

// Parser reads the lines of one feed, which its first line says to be CSV or JSON. The zero value is ready.
type Parser struct {
	OwnNumbers bool // a line may have no sequence: its reading then has 0
	begun      bool
	json       bool
	place      []int // of the columns of a CSV feed
}

// Begun tells whether the header row, or the first JSON line, was read.
func (p *Parser) Begun() bool { return p.begun }

// Line reads one line, without its end: nil for the header row and a blank one. A header row that cannot be understood leaves the parser where it was.
func (p *Parser) Line(line string) (*intakev1.Reading, error) {
	if !p.begun {
		line = strings.TrimPrefix(line, "\ufeff")
	}
	if strings.TrimSpace(line) == "" {
		return nil, nil
	}
	optional := ""
	if p.OwnNumbers {
		optional = columns[seqColumn]
	}
	if !p.begun && !isJSON([]byte(line)) {
		place, err := header(line, optional)
		p.place, p.begun = place, err == nil
		return nil, err
	}
	if !p.begun {
		p.begun, p.json = true, true
	}
	r, err := raw{}, error(nil)
	if p.json {
		r, err = fromJSON(line, optional)
	} else {
		r, err = fromCSV(line, p.place)
	}
	if err != nil {
		return nil, err
	}
	return r.reading(p.OwnNumbers)
}

// ReadObject reads one JSON object that came by itself. Where it came from a known scale it need not name it, and names no other; with scale empty it names its own.
func ReadObject(text, scale string) (*intakev1.Reading, error) {
	optional := columns[0]
	if scale == "" {
		optional = ""
	}
	r, err := fromJSON(text, optional)
	if err != nil {
		return nil, err
	}
	if r[0] != "" && scale != "" && r[0] != scale {
		return nil, fault.Invalid("scale_mismatch", "field scale: %q, and it came as %q", r[0], scale)
	}
	if scale != "" {
		r[0] = scale
	}
	return r.reading(false)
}

// isJSON tells the two kinds of feed apart by the first line.
func isJSON(first []byte) bool { return bytes.HasPrefix(bytes.TrimSpace(first), []byte("{")) }
