package trade

import (
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// Entry is a command that was answered OK.
type Entry struct {
	Request Command
	Answer  proto.Message
}

// Journal holds every answer, in memory and in a file beside the plant. It is safe for concurrent use.
type Journal struct {
	mu       sync.Mutex
	file     *os.File
	entries  []Entry
	ok       map[string]int // by the request's name
	refusals map[string]int // by name and reason
	unknowns map[string]int // tries without an answer, by kind of failure
	wrongs   []string
	drills   [2]int // complete, incomplete and saying so
}

// OpenJournal begins a journal in a file.
func OpenJournal(path string) (*Journal, error) {
	f, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	return &Journal{file: f, ok: map[string]int{}, refusals: map[string]int{}, unknowns: map[string]int{}}, nil
}

// Close closes the file.
func (j *Journal) Close() error { return j.file.Close() }

// line is one answer in the file.
type line struct {
	Time    time.Time       `json:"time"`
	Trader  string          `json:"trader"`
	Command string          `json:"command"`
	Request json.RawMessage `json:"request"`
	Answer  json.RawMessage `json:"answer,omitempty"`
	Refused string          `json:"refused,omitempty"`
	Tries   int             `json:"tries"`
}

func (j *Journal) write(l line) {
	text, err := json.Marshal(l)
	if err == nil {
		_, err = j.file.Write(append(text, '\n'))
	}
	if err != nil {
		j.wrongs = append(j.wrongs, fmt.Sprintf("the journal cannot be written: %v", err))
	}
}

func asJSON(m proto.Message) json.RawMessage {
	text, err := protojson.Marshal(m)
	if err != nil {
		return json.RawMessage(`"unprintable"`)
	}
	return text
}

func (j *Journal) accepted(trader string, e Entry, tries int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.entries = append(j.entries, e)
	j.ok[nameOf(e.Request)]++
	j.write(line{Time: time.Now().UTC(), Trader: trader, Command: nameOf(e.Request), Request: asJSON(e.Request), Answer: asJSON(e.Answer), Tries: tries})
}

func (j *Journal) refused(trader string, req Command, err error, tries int) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.refusals[nameOf(req)+" "+fault.ReasonOf(err)]++
	j.write(line{Time: time.Now().UTC(), Trader: trader, Command: nameOf(req), Request: asJSON(req), Refused: err.Error(), Tries: tries})
}

// unknown counts a try without an answer. What is told apart is whether the service itself said that it may be repeated.
func (j *Journal) unknown(err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	reason := fault.ReasonOf(err)
	if reason == "" {
		reason, _, _ = strings.Cut(err.Error(), "\n")
		reason = reason[:min(len(reason), 90)]
	}
	j.unknowns[reason]++
}

// wrong notes what must not be.
func (j *Journal) wrong(format string, args ...any) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.wrongs = append(j.wrongs, fmt.Sprintf(format, args...))
}

// Entries are all commands that were answered OK so far.
func (j *Journal) Entries() []Entry {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.Clone(j.entries)
}

// Deliveries are the lots of all deliveries so far.
func (j *Journal) Deliveries() (lots []string) {
	for _, e := range j.Entries() {
		if d, ok := e.Request.(*intakev1.RecordDeliveryRequest); ok {
			lots = append(lots, d.GetDelivery().GetLot())
		}
	}
	return lots
}

// Wrongs are what traders found that must not be.
func (j *Journal) Wrongs() []string {
	j.mu.Lock()
	defer j.mu.Unlock()
	return slices.Clone(j.wrongs)
}

// Accepted is how many commands were answered OK so far.
func (j *Journal) Accepted() int {
	j.mu.Lock()
	defer j.mu.Unlock()
	return len(j.entries)
}

// Summary prints what was answered how often.
func (j *Journal) Summary() string {
	j.mu.Lock()
	defer j.mu.Unlock()
	var b strings.Builder
	for _, part := range []struct {
		title  string
		counts map[string]int
	}{{"answered OK", j.ok}, {"refused", j.refusals}, {"tries without an answer", j.unknowns}} {
		fmt.Fprintf(&b, "%s:\n", part.title)
		for _, name := range slices.Sorted(maps.Keys(part.counts)) {
			fmt.Fprintf(&b, "  %8d  %s\n", part.counts[name], name)
		}
	}
	fmt.Fprintf(&b, "drills: %d complete, %d incomplete and saying so\n", j.drills[0], j.drills[1])
	return b.String()
}
