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
	rows            map[string]snapshot.Row
	ends            map[int64]end
}

// end is where an epoch ended.
type end struct {
	position int64
	hash     string
}

func placeKey(epoch, position int64) string { return fmt.Sprintf("%d/%d", epoch, position) }

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
	l := &ownLog{rows: map[string]snapshot.Row{}, ends: map[int64]end{}}
	rows := byPosition(j.db.Table("events").All())
	previous, recorded, epoch, position := zeroHash, int64(0), int64(0), int64(0)
	last := map[int64]end{}
	for _, row := range rows {
		j.rows++
		at, n := row.Int("epoch"), row.Int("position")
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
		l.rows[placeKey(at, n)] = row
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
	own := link(&eventv1.Envelope{PreviousHash: row.Bytes("previous_hash"), RecordedMicros: row.Int("recorded_micros"),
		Payload: j.decode(row.Text("payload")).bytes}, row.Int("epoch"), row.Int("position"))
	j.equal(row, "hash", hexCell(own))
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
	for _, row := range byPosition(j.db.Table("epochs_ended").All()) {
		epoch := row.Int("epoch")
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
	if e, ok := l.rows[placeKey(l.epoch, l.position)]; ok {
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
		if kept[producer][epoch] != position {
			j.differ(row, "position", kept[producer][epoch], position)
		}
		hash := zeroHash
		switch own, ok := l.rows[placeKey(epoch, position)]; {
		case ok:
			hash = own.Text("hash")
		case position == 0 && epoch > 1:
			hash = l.ends[epoch-1].hash
		case position > 0 && l.beyond(epoch, position):
			continue
		}
		j.equal(row, "hash", hash)
	}
	for _, row := range j.db.Table("witnesses").All() {
		l := j.logs[row.Text("producer")]
		if l == nil {
			continue
		}
		if own, ok := l.rows[placeKey(row.Int("epoch"), row.Int("position"))]; ok {
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

// beyond tells whether a place lies after all that was read of the producer.
func (l *ownLog) beyond(epoch, position int64) bool {
	return epoch > l.epoch || epoch == l.epoch && position > l.position
}

// inboxEvents compares each kept event with the one that was said, and gives the last position kept of each producer and epoch.
func (j *judge) inboxEvents() map[string]map[int64]int64 {
	kept := map[string]map[int64]int64{}
	ids := map[string]bool{}
	for _, row := range byPosition(j.db.Table("inbox_events").All()) {
		j.rows++
		producer, epoch, position := row.Text("producer"), row.Int("epoch"), row.Int("position")
		if kept[producer] == nil {
			kept[producer] = map[int64]int64{}
		}
		if want := kept[producer][epoch] + 1; position != want {
			j.differ(row, "position", want, position)
		}
		kept[producer][epoch] = position
		l := j.logs[producer]
		if l == nil {
			j.differ(row, "producer", "a producer that is read", producer)
			continue
		}
		own, ok := l.rows[placeKey(epoch, position)]
		if !ok && l.beyond(epoch, position) {
			continue
		}
		if !ok {
			j.differ(row, "position", "an event of "+producer, "none is there")
			continue
		}
		for _, column := range []string{"event_id", "type", "recorded_micros", "previous_hash", "hash", "payload"} {
			if row.Text(column) != own.Text(column) {
				j.differ(row, column, "as "+producer+" has it: "+brief(own.Text(column)), brief(row.Text(column)))
			}
		}
		id := producer + "\x00" + row.Text("event_id")
		if row.Bool("repeated") != ids[id] {
			j.differ(row, "repeated", ids[id], row.Bool("repeated"))
		}
		ids[id] = true
	}
	return kept
}

// brief keeps a payload out of a report.
func brief(text string) string {
	const most = 80
	if len(text) > most {
		return text[:most] + "…"
	}
	return text
}
