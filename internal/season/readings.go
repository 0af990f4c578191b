package season

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
)

// batchLines is how many lines of weighings.csv one batch holds.
const batchLines = 2000

// reading names a row of weighings.csv: (scale, seq) is one reading, however often it is sent.
type reading struct {
	scale string
	seq   int64
}

// readings says weighings.csv in batches from the top. The digests are of this package's own row hashes, so that they tell batches apart
// without being intake's.
func (t *translator) readings() ([]fact, error) {
	known := map[reading]bool{}
	rows := t.tables["weighings"]
	var out []fact
	for n := 0; n*batchLines < len(rows); n++ {
		part := rows[n*batchLines : min((n+1)*batchLines, len(rows))]
		body := lot.ReadingsStored{Batch: fmt.Sprintf("weighings-%d", n+1), Lines: int64(len(part)), Historic: true}
		hashes := map[reading][]byte{}
		var last time.Time
		for i, row := range part {
			c := &cells{row: row}
			name, at := reading{c.text("scale"), c.decimal("seq", 0, 0)}, c.instant("time")
			if c.err != nil {
				return nil, fmt.Errorf("season: weighings.csv: line %d: %w", n*batchLines+i+2, c.err)
			}
			if at.After(last) {
				last = at
			}
			if !known[name] {
				known[name] = true
				hashes[name] = rowHash(row)
			}
		}
		body.Stored, body.Scales = int64(len(hashes)), scales(hashes)
		f := fact{Event: event(last, body), key: fmt.Sprintf("readings %04d", n), order: last, class: classLater}
		if n > 0 {
			f.after = []string{fmt.Sprintf("readings %04d", n-1)}
		}
		out = append(out, f)
	}
	return out, nil
}

func rowHash(row Row) []byte {
	sum := sha256.Sum256([]byte(strings.Join([]string{
		row["scale"], row["seq"], row["time"], row["reading"], row["unit"], row["kind"], row["reference"],
	}, "\x00")))
	return sum[:16]
}

func scales(hashes map[reading][]byte) []lot.ScaleReadings {
	names := make([]reading, 0, len(hashes))
	for name := range hashes {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b reading) int {
		if c := strings.Compare(a.scale, b.scale); c != 0 {
			return c
		}
		return int(a.seq - b.seq)
	})
	var out []lot.ScaleReadings
	digest := sha256.New()
	for i, name := range names {
		if i == 0 || names[i-1].scale != name.scale {
			out, digest = append(out, lot.ScaleReadings{Scale: name.scale}), sha256.New()
		}
		s := &out[len(out)-1]
		if n := len(s.Ranges); n > 0 && s.Ranges[n-1].Last == name.seq-1 {
			s.Ranges[n-1].Last = name.seq
		} else {
			s.Ranges = append(s.Ranges, lot.SequenceRange{First: name.seq, Last: name.seq})
		}
		s.Count++
		digest.Write(hashes[name])
		s.Digest = digest.Sum(nil)
	}
	return out
}
