package seasonfile

import (
	"crypto/sha256"
	"fmt"
	"io"
	"io/fs"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
)

// Weighing is a row of weighings.csv: what a scale posted, kept as it was sent.
type Weighing struct {
	row
	Scale     string
	Seq       int64
	Time      time.Time
	Reading   string // plain decimal digits in Unit
	Unit      weight.Unit
	Kind      string // KindGross, KindTare or KindNet
	Reference string // text, never looked up
}

// The kinds of a reading.
const (
	KindGross = "gross"
	KindTare  = "tare"
	KindNet   = "net"
)

var weighingKinds = []word[string]{{KindGross, KindGross}, {KindTare, KindTare}, {KindNet, KindNet}}

func (l *load) takeWeighing(r *record) {
	l.season.Weighings++
	l.clockCheck(r, weighingOf(r).Time)
}

// clockCheck refuses a reading from the future without reading its time a second time.
func (l *load) clockCheck(r *record, at time.Time) {
	if !l.latest.IsZero() && at.After(l.latest) {
		r.fail("time", "time_in_future", "%s: more than %d minutes ahead of this machine's clock", stamp(at), maxAhead/time.Minute)
	}
}

func weighingOf(r *record) Weighing {
	w := Weighing{
		Scale:     r.key("scale"),
		Seq:       r.whole("seq", 1, 1<<62),
		Time:      r.clock("time"),
		Reading:   r.text("reading"),
		Unit:      weight.Unit(weight.Code(r.text("unit"))),
		Kind:      enum(r, "kind", weighingKinds),
		Reference: r.text("reference"),
	}
	if _, err := weight.ParseUnit(string(w.Unit)); err != nil {
		r.failErr("unit", err)
	} else if _, err := weight.FromReading(w.Reading, w.Unit); err != nil {
		r.failErr("reading", err)
	} else if _, err := weight.ParseDecimal(w.Reading, 6); err != nil {
		r.failErr("reading", err)
	}
	w.row = r.row
	return w
}

// BatchRows is how many rows of weighings.csv are sent as one batch.
const BatchRows = 2000

// Batch is rows of weighings.csv that are sent as one. FirstLine and Digest (SHA-256 of the bytes they were read from) make its id: a file with
// rows added at its end gives the same batches before them.
type Batch struct {
	FirstLine int
	Digest    [sha256.Size]byte
	Rows      []Weighing
}

// Weighings reads weighings.csv once more, batch by batch, holding one batch at a time.
type Weighings struct {
	file   fs.File
	table  *table
	faults *Faults
	copied *copied
	start  int64
}

// copied keeps what was read through it until it is taken.
type copied struct {
	r    io.Reader
	kept []byte
}

func (c *copied) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.kept = append(c.kept, p[:n]...)
	return n, err
}

// OpenWeighings opens weighings.csv of a folder that Read found without fault. The caller closes it.
func OpenWeighings(folder fs.FS) (*Weighings, error) {
	f, err := folder.Open(WeighingsFile)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", WeighingsFile, err)
	}
	w := &Weighings{file: f, faults: &Faults{limit: 1}, copied: &copied{r: f}}
	t, err := newTable(schemas[fileOrder(WeighingsFile)], w.copied, w.faults)
	if err == nil && t == nil || w.faults.Any() {
		err = w.changed()
	}
	if err != nil {
		_ = f.Close() // only read from
		return nil, err
	}
	w.table = t
	w.start = t.skip + t.csv.InputOffset()
	w.copied.kept = w.copied.kept[w.start:]
	return w, nil
}

// Next is the next batch, nil at the end of the file. A fault now means that the file was changed after it was judged.
func (w *Weighings) Next() (*Batch, error) {
	b := &Batch{}
	for len(b.Rows) < BatchRows {
		r, err := w.table.next()
		if err != nil {
			return nil, err
		}
		if r == nil {
			break
		}
		b.Rows = append(b.Rows, weighingOf(r))
	}
	if w.faults.Any() {
		return nil, w.changed()
	}
	if len(b.Rows) == 0 {
		return nil, nil
	}
	end := w.table.skip + w.table.csv.InputOffset()
	b.FirstLine = b.Rows[0].Line
	b.Digest = sha256.Sum256(w.copied.kept[:end-w.start])
	w.copied.kept = append(w.copied.kept[:0:0], w.copied.kept[end-w.start:]...)
	w.start = end
	return b, nil
}

func (w *Weighings) changed() error {
	return fault.Precondition("season_changed", "%s was changed after the folder was checked: %s", WeighingsFile, w.faults.Listed[0])
}

// Close closes the file.
func (w *Weighings) Close() error { return w.file.Close() }
