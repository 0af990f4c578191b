package verify

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/internal/snapshot"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
)

// readingHash is the first 16 bytes of the SHA-256 of a reading's content, each text led by its length, as the table keeps it. What the scale said of
// itself follows where it said something; it stands in the reading's note, which few have.
func readingHash(r snapshot.Row, scale string, note *snapshot.Row) [16]byte {
	buf := make([]byte, 0, 128)
	for _, text := range [...]string{scale, r.Text("digits"), r.Text("unit"), r.Text("reference")} {
		buf = binary.BigEndian.AppendUint32(buf, uint32(len(text)))
		buf = append(buf, text...)
	}
	for _, n := range [...]int64{r.Int("sequence"), r.Time("time").UnixMicro(), r.Int("kind")} {
		buf = binary.BigEndian.AppendUint64(buf, uint64(n))
	}
	if note != nil {
		said := []byte{1}
		for _, column := range [...]string{"in_motion", "high_resolution", "center_of_zero"} {
			said = append(said, map[bool]byte{true: 1}[note.Bool(column)])
		}
		said = binary.BigEndian.AppendUint32(said, uint32(note.Int("range")))
		if slices.ContainsFunc(said[1:], func(b byte) bool { return b != 0 }) {
			buf = append(buf, said...)
		}
	}
	sum := sha256.Sum256(buf)
	return [16]byte(sum[:16])
}

// noteKey names the reading that a note is of.
type noteKey struct{ scale, sequence, hash string }

func noteOf(r snapshot.Row) noteKey {
	return noteKey{r.Text("scale_id"), r.Text("sequence"), r.Text("hash")}
}

// readingNotes are the notes of readings, by what they name.
func (j *judge) readingNotes() map[noteKey]*snapshot.Row {
	out := map[noteKey]*snapshot.Row{}
	for _, r := range j.db.Table("reading_notes").All() {
		out[noteOf(r)] = &r
	}
	return out
}

func uuidText(b [16]byte) string {
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[0:4], b[4:6], b[6:8], b[8:10], b[10:16])
}

// stored is what an event says of the readings that it stored.
type storedRange struct {
	first, last int64
	historic    bool
	recorded    map[string]bool // when its rows may have been written
	place       string
}

// readings hashes and converts each reading again, and finds the event that stored it.
func (j *judge) readings() {
	scales := map[string]string{}
	for _, s := range j.db.Table("scales").All() {
		scales[s.Text("scale_id")] = s.Text("scale")
	}
	ranges, notes := j.storedRanges(), j.readingNotes()
	rows := map[string]map[int64]snapshot.Row{}
	for _, row := range j.db.Table("readings").All() {
		j.rows++
		scale := scales[row.Text("scale_id")]
		j.reading(row, scale, notes)
		if rows[scale] == nil {
			rows[scale] = map[int64]snapshot.Row{}
		}
		rows[scale][row.Int("sequence")] = row
		at, found := within(ranges[scale], row.Int("sequence"))
		if !found {
			j.differ(row, "sequence", "a number that an event stored", row.Text("sequence"))
			continue
		}
		if at.historic != row.Bool("historic") {
			j.differ(row, "historic", at.historic, row.Bool("historic"))
		}
		if len(at.recorded) > 0 && !at.recorded[row.Text("recorded")] {
			j.differ(row, "recorded", sorted(at.recorded), row.Text("recorded"))
		}
	}
	for _, row := range j.db.Table("readings_conflicts").All() {
		j.reading(row, scales[row.Text("scale_id")], notes)
	}
	j.digests(rows)
}

// within is the range that a number is in; the ranges are ascending.
func within(ranges []storedRange, n int64) (storedRange, bool) {
	i, _ := slices.BinarySearchFunc(ranges, n, func(r storedRange, n int64) int {
		if r.last < n {
			return -1
		}
		return 1
	})
	if i < len(ranges) && ranges[i].first <= n {
		return ranges[i], true
	}
	return storedRange{}, false
}

func (j *judge) reading(row snapshot.Row, scale string, notes map[noteKey]*snapshot.Row) {
	if scale == "" {
		j.differ(row, "scale_id", "a registered scale", row.Text("scale_id"))
	}
	j.equal(row, "hash", uuidText(readingHash(row, scale, notes[noteOf(row)])))
	unit, err := weight.ParseUnit(row.Text("unit"))
	if err != nil {
		j.differ(row, "unit", "a unit", row.Text("unit"))
		return
	}
	mass, err := weight.FromReading(row.Text("digits"), unit)
	if err != nil {
		j.differ(row, "digits", "a weight", row.Text("digits"))
		return
	}
	j.equal(row, "micropounds", fmt.Sprint(int64(mass)))
}

// storedEvents calls each event that stored readings, once where a restore said it again.
func (j *judge) storedEvents(each func(place string, e *eventv1.ReadingsStored)) {
	seen := map[string]bool{}
	for _, p := range byPosition(j.db.Table("events").All()) {
		row := p.row
		e := j.decode(row.Text("payload")).event
		if b, ok := e.GetBody().(*eventv1.Event_ReadingsStored); ok && !seen[e.GetId()] {
			seen[e.GetId()] = true
			each("intake "+row.ID(), b.ReadingsStored)
		}
	}
}

// storedRanges are the numbers that events stored, by scale, ascending.
func (j *judge) storedRanges() map[string][]storedRange {
	recorded := map[string]string{}
	for _, c := range j.db.Table("commands").All() {
		recorded[c.Text("command_id")] = snapshot.FormatTime(microTime(c.Int("recorded_micros")))
	}
	again := map[string]string{}
	for _, c := range j.db.Table("retold_batches").All() {
		again[c.Text("command_id")] = c.Text("recorded")
	}
	out := map[string][]storedRange{}
	j.storedEvents(func(place string, e *eventv1.ReadingsStored) {
		when := map[string]bool{}
		for _, from := range []map[string]string{recorded, again} {
			if at, ok := from[e.GetBatch()]; ok {
				when[at] = true
			}
		}
		for _, s := range e.GetScales() {
			for _, r := range s.GetRanges() {
				out[s.GetScale()] = append(out[s.GetScale()], storedRange{r.GetFirst(), r.GetLast(), e.GetHistoric(), when, place})
			}
		}
	})
	for _, ranges := range out {
		slices.SortFunc(ranges, func(a, b storedRange) int { return int(min(max(a.first-b.first, -1), 1)) })
	}
	return out
}

// digests holds the readings that each event stored against its digest. Where they differ and no row of them is wrong in itself, the event is named.
func (j *judge) digests(rows map[string]map[int64]snapshot.Row) {
	j.storedEvents(func(place string, e *eventv1.ReadingsStored) {
		for _, s := range e.GetScales() {
			sum := sha256.New()
			for _, r := range s.GetRanges() {
				for n := r.GetFirst(); n <= r.GetLast(); n++ {
					row, ok := rows[s.GetScale()][n]
					if !ok {
						j.Report.differ("row", fmt.Sprintf("intake readings of %s, sequence %d, stored by %s", s.GetScale(), n, place), "a row", "none")
						continue
					}
					sum.Write(unhex(strings.ReplaceAll(row.Text("hash"), "-", "")))
				}
			}
			if got := sum.Sum(nil); string(got) != string(s.GetDigest()) {
				j.Report.differ("row", place+" digest of "+s.GetScale(), hexText(s.GetDigest()), hexText(got))
			}
		}
	})
}

// feeds adds up the state of each scale's feed. How many lines a scale sent, repeats too, is known for all scales together alone.
func (j *judge) feeds() {
	kept, apart := map[string][]int64{}, map[string]int64{}
	for _, row := range j.db.Table("readings").All() {
		kept[row.Text("scale_id")] = append(kept[row.Text("scale_id")], row.Int("sequence"))
	}
	for _, row := range j.db.Table("readings_conflicts").All() {
		apart[row.Text("scale_id")]++
	}
	var said, counted int64
	j.storedEvents(func(_ string, e *eventv1.ReadingsStored) { said += e.GetLines() })
	rows := j.db.Table("scale_feeds").All()
	want := map[string]bool{"0": true} // of lines that named no known scale
	for _, s := range j.db.Table("scales").All() {
		want[s.Text("scale_id")] = true
	}
	for _, row := range rows {
		j.rows++
		id := row.Text("scale_id")
		if !want[id] {
			j.differ(row, "scale_id", "a registered scale", id)
		}
		delete(want, id)
		numbers := kept[id]
		slices.Sort(numbers)
		mark := int64(0)
		for _, n := range numbers {
			if n != mark+1 {
				break
			}
			mark = n
		}
		j.equal(row, "watermark", fmt.Sprint(mark))
		j.equal(row, "stored", fmt.Sprint(len(numbers)))
		j.equal(row, "conflicts", fmt.Sprint(apart[id]))
		counted += row.Int("lines")
	}
	for _, id := range sorted(want) {
		j.Report.differ("row", "intake scale_feeds(scale_id="+id+")", "a row", "none")
	}
	if said != counted {
		for _, row := range rows {
			j.differ(row, "lines", fmt.Sprintf("%d lines of all scales together, as the events say", said), fmt.Sprintf("%d together, %s here", counted, row.Text("lines")))
		}
	}
}

// microTime is a moment given in microseconds since 1970.
func microTime(n int64) time.Time { return time.UnixMicro(n) }
