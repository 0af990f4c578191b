package weighqueue

import (
	"slices"

	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// entry is a reading that is not answered for good.
type entry struct {
	id      uint64
	own     bool
	load    bool
	alone   bool // goes in a batch of its own
	reading *intakev1.Reading
	reason  string // why it is set aside; empty while it waits
	message string
}

// batch is readings under one command id.
type batch struct {
	id      string
	entries []*entry
}

// scaleState is what a scale's own numbering and capturing rest on.
type scaleState struct {
	next   int64 // own number to be given; 0 where none was set
	loaded bool  // a load was captured and the scale was not seen empty since
	last   *intakev1.Reading
}

// state is the fold of a file's records. Writing and reading back go through the same apply.
type state struct {
	generation int64
	lastEntry  uint64
	waiting    []*entry
	aside      []*entry
	open       []*batch
	scales     map[string]*scaleState
	origin     string
}

func newState() *state { return &state{scales: map[string]*scaleState{}} }

func (s *state) scale(code string) *scaleState {
	if s.scales[code] == nil {
		s.scales[code] = &scaleState{}
	}
	return s.scales[code]
}

// apply takes in one record. An error is a record that does not fit what came before: never a crash's doing.
func (s *state) apply(r record) error {
	switch r.Kind {
	case kindBegin:
		s.generation = r.Generation
		s.lastEntry = max(s.lastEntry, r.Entry)
	case kindReading:
		return s.come(r)
	case kindRearmed:
		s.scale(r.Scale).loaded = false
	case kindBatch:
		return s.gather(r)
	case kindAnswered:
		return s.answered(r)
	case kindSplit:
		b, err := s.closeBatch(r.Batch)
		if err != nil {
			return err
		}
		for _, e := range b.entries {
			e.alone = true
		}
		s.waiting = append(b.entries, s.waiting...)
	case kindScale:
		at := s.scale(r.Scale)
		at.next, at.loaded = r.Next, !r.Armed
		if len(r.Reading) > 0 {
			at.last = &intakev1.Reading{}
			return proto.Unmarshal(r.Reading, at.last)
		}
	case kindOrigin:
		s.origin = r.Origin
	default:
		return fault.Precondition("queue_version", "record of kind %q: only a newer huskline knows it", r.Kind)
	}
	return nil
}

func (s *state) come(r record) error {
	e := &entry{id: r.Entry, own: r.Own, load: r.Load, alone: r.Alone, reading: &intakev1.Reading{}}
	if err := proto.Unmarshal(r.Reading, e.reading); err != nil {
		return fault.Bug("entry %d holds no reading: %v", r.Entry, err)
	}
	s.lastEntry = max(s.lastEntry, e.id)
	s.waiting = append(s.waiting, e)
	if r.Origin != "" {
		s.origin = r.Origin
	}
	at := s.scale(e.reading.GetScale())
	if r.Own {
		at.next = max(at.next, e.reading.GetSequence()+1)
	}
	if r.Load {
		at.loaded, at.last = true, e.reading
	}
	return nil
}

// gather moves readings from where they wait, or stand aside, into a batch, in the order given.
func (s *state) gather(r record) error {
	byID := map[uint64]*entry{}
	for _, e := range slices.Concat(s.waiting, s.aside) {
		byID[e.id] = e
	}
	b := &batch{id: r.Batch}
	taken := map[uint64]bool{}
	for _, id := range r.Entries {
		e := byID[id]
		if e == nil || taken[id] {
			return fault.Bug("batch %s names entry %d, which does not wait", r.Batch, id)
		}
		taken[id] = true
		b.entries = append(b.entries, e)
	}
	gone := func(e *entry) bool { return taken[e.id] }
	s.waiting, s.aside = slices.DeleteFunc(s.waiting, gone), slices.DeleteFunc(s.aside, gone)
	s.open = append(s.open, b)
	return nil
}

func (s *state) answered(r record) error {
	b, err := s.closeBatch(r.Batch)
	if err != nil {
		return err
	}
	for _, a := range r.Aside {
		at := slices.IndexFunc(b.entries, func(e *entry) bool { return e.id == a.Entry })
		if at < 0 {
			return fault.Bug("answer to batch %s names entry %d, which is not in it", r.Batch, a.Entry)
		}
		e := b.entries[at]
		e.reason, e.message = a.Reason, a.Message
		s.aside = append(s.aside, e)
	}
	return nil
}

func (s *state) closeBatch(id string) (*batch, error) {
	at := slices.IndexFunc(s.open, func(b *batch) bool { return b.id == id })
	if at < 0 {
		return nil, fault.Bug("batch %s is not open", id)
	}
	b := s.open[at]
	s.open = slices.Delete(s.open, at, at+1)
	return b, nil
}

// remaining is how many readings are not answered for good.
func (s *state) remaining() int {
	n := len(s.waiting) + len(s.aside)
	for _, b := range s.open {
		n += len(b.entries)
	}
	return n
}

// records is the state as a new file tells it.
func (s *state) records() ([]record, error) {
	out := []record{{Kind: kindBegin, Generation: s.generation, Entry: s.lastEntry}, {Kind: kindOrigin, Origin: s.origin}}
	var asides []aside
	all := slices.Clone(s.waiting)
	for _, b := range s.open {
		all = append(all, b.entries...)
	}
	for _, e := range s.aside {
		all = append(all, e)
		asides = append(asides, aside{e.id, e.reason, e.message})
	}
	slices.SortFunc(all, func(a, b *entry) int { return int(int64(a.id) - int64(b.id)) })
	for _, e := range all {
		r, err := e.record("")
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	for _, b := range s.open {
		out = append(out, record{Kind: kindBatch, Batch: b.id, Entries: b.ids()})
	}
	for _, a := range asides {
		out = append(out, record{Kind: kindBatch, Batch: asideBatch, Entries: []uint64{a.Entry}}, record{Kind: kindAnswered, Batch: asideBatch, Aside: []aside{a}})
	}
	for code, at := range s.scales {
		r := record{Kind: kindScale, Scale: code, Next: at.next, Armed: !at.loaded}
		if at.last != nil {
			var err error
			if r.Reading, err = proto.Marshal(at.last); err != nil {
				return nil, err
			}
		}
		out = append(out, r)
	}
	return out, nil
}

// asideBatch stands for the batch in which a reading was refused that is set aside in a file written anew.
const asideBatch = "aside"

func (b *batch) ids() []uint64 {
	out := make([]uint64, len(b.entries))
	for i, e := range b.entries {
		out[i] = e.id
	}
	return out
}

// record is an entry as the file tells it. Scales' own states stand in a new file after all entries, so that they hold.
func (e *entry) record(origin string) (record, error) {
	message, err := proto.Marshal(e.reading)
	return record{Kind: kindReading, Entry: e.id, Own: e.own, Load: e.load, Alone: e.alone, Reading: message, Origin: origin}, err
}
