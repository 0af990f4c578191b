package verify

import (
	"encoding/hex"
	"fmt"
	"strings"

	"huskline/internal/snapshot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// ownLog is what a service has said, by place.
type ownLog struct {
	epoch, position int64 // of its head
	rows            map[spot]snapshot.Row
	ends            map[int64]end
}

// end is where an epoch ended.
type end struct {
	position int64
	hash     string
}

// spot is a place in one producer's log.
type spot struct{ epoch, position int64 }

func unhex(text string) []byte {
	b, err := hex.DecodeString(strings.TrimPrefix(text, `\x`))
	if err != nil {
		return nil
	}
	return b
}

func hexCell(b []byte) string { return `\x` + hex.EncodeToString(b) }

// zeroHash is the hash before the first event.
var zeroHash = `\x` + strings.Repeat("00", 32)

// ownLog proves the events of a database link by link, and that its head and the ends of earlier epochs are what the last event of each says.
func (j *judge) ownLog() *ownLog {
	l := &ownLog{rows: map[spot]snapshot.Row{}, ends: map[int64]end{}}
	rows := byPosition(j.db.Table("events").All())
	previous, recorded, epoch, position := zeroHash, int64(0), int64(0), int64(0)
	last := map[int64]end{}
	for _, p := range rows {
		j.rows++
		row, at, n := p.row, p.epoch, p.position
		if at != epoch {
			epoch, position = at, 0
		}
		position++
		if n != position {
			j.differ(row, "position", position, n)
			position = n
		}
		j.link(row, previous, recorded)
		previous, recorded = row.Text("hash"), row.Int("recorded_micros")
		last[epoch] = end{position, previous}
		l.rows[spot{at, n}] = row
		j.body(row)
	}
	j.headRow(l, last, previous, recorded)
	return l
}

// link checks what an event's row says of its place in the chain.
func (j *judge) link(row snapshot.Row, previous string, recorded int64) {
	j.equal(row, "previous_hash", previous)
	if row.Int("recorded_micros") < recorded {
		j.differ(row, "recorded_micros", fmt.Sprintf("at or after %d", recorded), row.Text("recorded_micros"))
	}
	j.own(row)
}

// own checks an event's hash by what stands beside it.
func (j *judge) own(row snapshot.Row) {
	sum := linkOf(row.Bytes("previous_hash"), [3]int64{row.Int("epoch"), row.Int("position"), row.Int("recorded_micros")}, j.decode(row.Text("payload")).sum)
	j.equal(row, "hash", hexCell(sum))
}

// body checks the columns that follow from the payload.
func (j *judge) body(row snapshot.Row) {
	e := j.decode(row.Text("payload")).event
	if e == nil {
		j.differ(row, "payload", "an event with a body", "none that this program knows")
		return
	}
	j.equal(row, "event_id", e.GetId())
	j.equal(row, "type", typeOf(e))
}

// typeOf is the type of an event: the name of its body with hyphens.
func typeOf(e *eventv1.Event) string {
	m := e.ProtoReflect()
	if body := m.WhichOneof(m.Descriptor().Oneofs().ByName("body")); body != nil {
		return strings.ReplaceAll(string(body.Name()), "_", "-")
	}
	return ""
}

// headRow checks the one row of the head and the rows of ended epochs against the last events.
func (j *judge) headRow(l *ownLog, last map[int64]end, previous string, recorded int64) {
	ended := map[int64]bool{}
	stood := end{hash: zeroHash}
	for _, p := range byPosition(j.db.Table("epochs_ended").All()) {
		row, epoch := p.row, p.epoch
		if e, ok := last[epoch]; ok {
			stood = end{hash: e.hash, position: e.position}
		} else {
			stood.position = 0
		}
		j.equal(row, "position", fmt.Sprint(stood.position))
		j.equal(row, "hash", stood.hash)
		l.ends[epoch], ended[epoch] = stood, true
	}
	heads := j.db.Table("head").All()
	if len(heads) != 1 {
		j.Report.differ("row", j.db.Service+" head", "one row", len(heads))
		return
	}
	row := heads[0]
	j.rows++
	l.epoch, l.position = row.Int("epoch"), row.Int("position")
	for epoch := range last {
		if epoch != l.epoch && !ended[epoch] {
			j.differ(row, "epoch", fmt.Sprintf("epoch %d, or its end", epoch), l.epoch)
		}
	}
	want := last[l.epoch]
	j.equal(row, "only_row", "t")
	j.equal(row, "producer", j.db.Service)
	j.equal(row, "position", fmt.Sprint(want.position))
	j.equal(row, "hash", previous)
	j.equal(row, "recorded_micros", fmt.Sprint(recorded))
	if e, ok := l.rows[spot{l.epoch, l.position}]; ok {
		j.equal(row, "previous_hash", e.Text("previous_hash"))
	} else if l.epoch == 1 {
		j.equal(row, "previous_hash", zeroHash)
	} else if ends, ok := l.ends[l.epoch-1]; !ok || ends.hash != previous {
		j.differ(row, "epoch", "an epoch after one that ended", l.epoch)
	}
}

// keptOfOthers holds what the service kept of the others against their own logs, as far as those were read.
func (j *judge) keptOfOthers() {
	kept := j.inboxEvents()
	for _, row := range j.db.Table("cursors").All() {
		j.rows++
		producer, epoch, position := row.Text("producer"), row.Int("epoch"), row.Int("position")
		l := j.logs[producer]
		if l == nil {
			j.differ(row, "producer", "a producer that is read", producer)
			continue
		}
		last := kept[spotBy{producer, epoch}]
		if last.position != position {
			j.differ(row, "position", last.position, position)
		}
		hash := last.hash
		if last.position == 0 {
			hash = zeroHash
			if epoch > 1 {
				hash = l.ends[epoch-1].hash
			}
		}
		j.equal(row, "hash", hash)
		delete(kept, spotBy{producer, epoch})
	}
	for by, last := range kept {
		j.Report.differ("row", fmt.Sprintf("%s cursors(producer=%s epoch=%d)", j.db.Service, by.producer, by.epoch), last.position, "no row")
	}
	for _, row := range j.db.Table("witnesses").All() {
		l := j.logs[row.Text("producer")]
		if l == nil {
			continue
		}
		if own, ok := l.rows[spot{row.Int("epoch"), row.Int("position")}]; ok {
			j.equal(row, "hash", own.Text("hash"))
		} else if !l.beyond(row.Int("epoch"), row.Int("position")) {
			j.differ(row, "position", "a place of "+row.Text("producer"), "none")
		}
	}
	released := int64(0)
	for _, row := range j.db.Table("quarantine").All() {
		if !row.Null("release") {
			released = max(released, row.Int("release"))
		}
	}
	for _, row := range j.db.Table("releases").All() {
		j.rows++
		j.equal(row, "only_row", "t")
		j.equal(row, "number", fmt.Sprint(released))
	}
}

// beyond tells whether a place lies after all that was read of the producer, or after the end of an epoch whose rest was lost in a restore.
func (l *ownLog) beyond(epoch, position int64) bool {
	ended, is := l.ends[epoch]
	return epoch > l.epoch || epoch == l.epoch && position > l.position || is && position > ended.position
}

// spotBy is an epoch of a producer.
type spotBy struct {
	producer string
	epoch    int64
}

// inboxEvents compares each kept event with the one that was said, and gives the last that was kept of each producer and epoch.
func (j *judge) inboxEvents() map[spotBy]end {
	kept := map[spotBy]end{}
	ids := map[string]bool{}
	for _, p := range byPosition(j.db.Table("inbox_events").All()) {
		j.rows++
		row := p.row
		by := spotBy{row.Text("producer"), p.epoch}
		if want := kept[by].position + 1; p.position != want {
			j.differ(row, "position", want, p.position)
		}
		kept[by] = end{p.position, row.Text("hash")}
		id := by.producer + "\x00" + row.Text("event_id")
		if row.Bool("repeated") != ids[id] {
			j.differ(row, "repeated", ids[id], row.Bool("repeated"))
		}
		ids[id] = true
		j.inboxEvent(row, p, j.logs[by.producer])
	}
	return kept
}

// inboxEvent compares an event that was kept with the one that was said. One beyond what was read of its producer must fit its own hash.
func (j *judge) inboxEvent(row snapshot.Row, p placed, l *ownLog) {
	if l == nil {
		j.differ(row, "producer", "a producer that is read", row.Text("producer"))
		return
	}
	own, ok := l.rows[p.spot]
	switch {
	case ok:
		for _, column := range [...]string{"event_id", "type", "recorded_micros", "previous_hash", "hash", "payload"} {
			if row.Text(column) != own.Text(column) {
				j.differ(row, column, "as its producer has it: "+brief(own.Text(column)), brief(row.Text(column)))
			}
		}
	case l.beyond(p.epoch, p.position):
		j.own(row)
		j.body(row)
	default:
		j.differ(row, "position", "an event of its producer", "none is there")
	}
}

// brief keeps a payload out of a report.
func brief(text string) string {
	const most = 80
	if len(text) > most {
		return text[:most] + "…"
	}
	return text
}
