package checker

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"huskline/internal/snapshot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// said is an event as a log holds it.
type said struct {
	place
	row   snapshot.Row
	id    string
	event *eventv1.Event // nil where the payload cannot be read
}

// read decodes rows of a log, in the order of epoch and position.
func logOf(producer string, rows []snapshot.Row) []said {
	out := make([]said, 0, len(rows))
	for _, r := range rows {
		x := said{place: place{producer, r.Int("epoch"), r.Int("position")}, row: r, id: r.Text("event_id")}
		e := &eventv1.Event{}
		if proto.Unmarshal(r.Bytes("payload"), e) == nil && e.GetBody() != nil {
			x.event = e
		}
		out = append(out, x)
	}
	slices.SortFunc(out, func(a, b said) int { return cmp.Or(cmp.Compare(a.epoch, b.epoch), cmp.Compare(a.position, b.position)) })
	return out
}

// own is what a service has said.
func (s *state) own(service string) []said { return logOf(service, s.table(service, "events")) }

// once is own without what came again under its old id after a restore.
func (s *state) once(service string) []said {
	seen := map[string]bool{}
	return slices.DeleteFunc(s.own(service), func(x said) bool {
		again := seen[x.id]
		seen[x.id] = true
		return again
	})
}

// kept is what a service took of a producer, quarantined events too.
func (s *state) kept(consumer, producer string) []said {
	var rows []snapshot.Row
	for _, r := range s.table(consumer, "inbox_events") {
		if r.Text("producer") == producer {
			rows = append(rows, r)
		}
	}
	return logOf(producer, rows)
}

// aside are the places whose events are in quarantine at a service now.
func (s *state) aside(consumer string) map[place]bool {
	out := map[place]bool{}
	for _, r := range s.table(consumer, "quarantine") {
		if r.Null("release") {
			out[place{r.Text("producer"), r.Int("epoch"), r.Int("position")}] = true
		}
	}
	return out
}

// trace is the last 8 bytes, in hex, of the id of the event numbered n that a command of a service said: an event's id leads to its command.
func trace(service, commandID string, n int) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%d", service, commandID, n))
	sum[0] = sum[0]&0x3f | 0x80 // the variant of RFC 9562
	return hex.EncodeToString(sum[:8])
}

func tail(eventID string) string {
	plain := strings.ReplaceAll(eventID, "-", "")
	return plain[max(0, len(plain)-16):]
}

// denseEvents counts positions: 1, 2, 3 … to the head, and to the end of each epoch that ended; then finds the accepted command of each event.
func denseEvents(_ context.Context, s *state, f *Finding) {
	for _, name := range services() {
		ends := map[int64]int64{}
		for _, r := range s.table(name, "epochs_ended") {
			ends[r.Int("epoch")] = r.Int("position")
		}
		head := s.head(name)
		ends[head.epoch] = head.position
		have := map[place]bool{}
		for _, r := range s.table(name, "events") {
			at := place{name, r.Int("epoch"), r.Int("position")}
			have[at] = true
			f.Checked++
			if end, ok := ends[at.epoch]; !ok || at.position > end {
				f.broken(name, r.ID(), "it lies beyond the end of its epoch, %d", end)
			}
		}
		for epoch, end := range ends {
			for n := int64(1); n <= end; n++ {
				if !have[place{name, epoch, n}] {
					f.broken(name, fmt.Sprintf("events(epoch=%d position=%d)", epoch, n), "it is missing: positions are dense")
				}
			}
		}
		if len(ends) > 1 {
			f.partly("%s was restored to an earlier moment: what its lost commands said came back without them, so commands of events were not looked for", name)
			continue
		}
		s.commandsOfEvents(name, f)
	}
	sortViolations(f)
}

// commandsOfEvents finds the command of each event. A command that was lost in a restore left its events, which are noted as taken back.
func (s *state) commandsOfEvents(name string, f *Finding) {
	byTail := map[string]bool{}
	for _, x := range s.own(name) {
		byTail[tail(x.id)] = true
	}
	known := map[string]bool{}
	for _, c := range s.table(name, "commands") {
		at := place{name, c.Int("epoch"), c.Int("position")}
		if s.head(name).before(at) {
			f.broken(name, c.ID(), "its receipt %s lies beyond the head", at)
		}
		for n := 0; ; n++ {
			t := trace(name, c.Text("command_id"), n)
			if !byTail[t] {
				break
			}
			known[t] = true
		}
	}
	for _, r := range s.table(name, "taken_back") {
		known[tail(r.Text("event_id"))] = true
	}
	for _, x := range s.own(name) {
		if !known[tail(x.id)] {
			f.broken(name, x.row.ID(), "no accepted command has said it: event %s", x.id)
		}
	}
}

// eventsArrive looks at the wait for consumers, and at rest for each event at each consumer.
func eventsArrive(_ context.Context, s *state, f *Finding) {
	for _, b := range s.behind {
		if s.plant.Stopped {
			f.partly("the plant is stopped: %s, and nobody takes it in", b)
			continue
		}
		f.broken(strings.Fields(b)[0], "cursors", "%s after %v", b, s.plant.Wait)
	}
	for _, consumer := range services() {
		for _, producer := range s.producersOf(consumer) {
			took := s.kept(consumer, producer)
			times := map[string]int{}
			for _, x := range took {
				f.Checked++
				if !x.row.Bool("repeated") && x.id != "" {
					if times[x.id]++; times[x.id] == 2 {
						f.broken(consumer, x.row.ID(), "event %s took effect twice", x.id)
					}
				}
			}
			s.missing(consumer, producer, times, f)
		}
	}
	sortViolations(f)
}

// missing names what a producer said up to the consumer's cursor and the consumer does not have.
func (s *state) missing(consumer, producer string, have map[string]int, f *Finding) {
	if s.dbs[producer] == nil {
		return
	}
	at := s.cursor(consumer, producer)
	for _, x := range s.own(producer) {
		if !at.before(x.place) && have[x.id] == 0 {
			f.broken(consumer, "inbox_events("+x.place.String()+")", "event %s has not arrived and the cursor has passed it", x.id)
		}
	}
}

// cursor is how far a consumer has settled a producer.
func (s *state) cursor(consumer, producer string) place {
	at := place{producer: producer}
	for _, r := range s.table(consumer, "cursors") {
		p := place{r.Text("producer"), r.Int("epoch"), r.Int("position")}
		if p.producer == producer && at.before(p) {
			at = p
		}
	}
	return at
}

// inOrder looks at what was settled: without gaps, and not before what each event names.
func inOrder(_ context.Context, s *state, f *Finding) {
	f.partly("the order of application within a consumer leaves no trace; what an event names must have been settled too")
	for _, consumer := range services() {
		for _, producer := range s.producersOf(consumer) {
			aside := s.aside(consumer)
			last := place{producer: producer}
			for _, x := range s.kept(consumer, producer) {
				f.Checked++
				if x.epoch != last.epoch {
					last = place{producer, x.epoch, 0}
				}
				if x.position != last.position+1 {
					f.broken(consumer, x.row.ID(), "it follows position %d: one was skipped", last.position)
				}
				last = x.place
				if !aside[x.place] {
					s.settledBefore(consumer, x, f)
				}
			}
		}
	}
	sortViolations(f)
}

func (s *state) settledBefore(consumer string, x said, f *Finding) {
	for _, r := range x.event.GetAfter() {
		p := place{r.GetProducer(), r.GetEpoch(), r.GetPosition()}
		at := s.cursor(consumer, p.producer)
		if p.producer == consumer {
			at = s.head(consumer)
		}
		if at.before(p) {
			f.broken(consumer, x.row.ID(), "it was applied before %s, which it names; %s is settled", p, at)
		}
	}
}

// cursorAccounts counts, per producer and epoch, what was settled up to the cursor.
func cursorAccounts(_ context.Context, s *state, f *Finding) {
	type epochOf struct {
		producer string
		epoch    int64
	}
	for _, consumer := range services() {
		settled := map[epochOf]int64{}
		kept := map[place]bool{}
		for _, r := range s.table(consumer, "inbox_events") {
			settled[epochOf{r.Text("producer"), r.Int("epoch")}]++
			kept[place{r.Text("producer"), r.Int("epoch"), r.Int("position")}] = true
		}
		for _, r := range s.table(consumer, "cursors") {
			f.Checked++
			k := epochOf{r.Text("producer"), r.Int("epoch")}
			if n := r.Int("position"); n != settled[k] {
				f.broken(consumer, r.ID(), "the cursor stands at %d, applied, repeated and quarantined are %d", n, settled[k])
			}
			delete(settled, k)
		}
		for k, n := range settled {
			f.broken(consumer, fmt.Sprintf("cursors(producer=%s epoch=%d)", k.producer, k.epoch), "no cursor, and %d events are settled", n)
		}
		for _, r := range s.table(consumer, "quarantine") {
			if !kept[place{r.Text("producer"), r.Int("epoch"), r.Int("position")}] {
				f.broken(consumer, r.ID(), "the event in quarantine is not kept")
			}
		}
	}
	sortViolations(f)
}

// noClock looks at what clocks could have spoiled: recorded times fall nowhere along positions, since a clock that went back is held.
func noClock(_ context.Context, s *state, f *Finding) {
	f.partly("only what a clock that went back leaves behind is seen: recorded times along positions")
	for _, name := range services() {
		last := int64(0)
		for _, x := range s.own(name) {
			f.Checked++
			n := x.row.Int("recorded_micros")
			if n < last {
				f.broken(name, x.row.ID(), "recorded at %d, before its predecessor at %d", n, last)
			}
			last = n
		}
	}
}
