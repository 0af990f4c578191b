package feed_test

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"huskline/internal/feed"
	"huskline/internal/lot"
)

// plant is the truth that the feed is held against: what each producer said, per epoch.
type plant struct {
	events map[lot.Producer]map[int64][]feed.Entry[string]
	epoch  map[lot.Producer]int64
	ends   map[lot.Producer]map[int64]feed.End
}

var producers = []lot.Producer{lot.Intake, lot.Inventory, lot.Production}

func newPlant() *plant {
	p := &plant{events: map[lot.Producer]map[int64][]feed.Entry[string]{}, epoch: map[lot.Producer]int64{}, ends: map[lot.Producer]map[int64]feed.End{}}
	for _, name := range producers {
		p.events[name], p.ends[name], p.epoch[name] = map[int64][]feed.Entry[string]{}, map[int64]feed.End{}, 1
	}
	return p
}

func (p *plant) head(name lot.Producer) (lot.Receipt, feed.Hash) {
	epoch := p.epoch[name]
	said := p.events[name][epoch]
	at := lot.Receipt{Producer: name, Epoch: epoch, Position: int64(len(said))}
	if len(said) == 0 {
		return at, p.ends[name][epoch-1].Hash
	}
	return at, said[len(said)-1].Hash
}

func (p *plant) say(name lot.Producer, id string, lots []lot.ID, after []lot.Receipt, fault string) {
	at, previous := p.head(name)
	at.Position++
	e := feed.Entry[string]{Receipt: at, Previous: previous, Lots: lots, After: after, Fault: fault, Value: id}
	e.Hash = sha256.Sum256(fmt.Appendf(nil, "%x %v %s", previous, at, id))
	p.events[name][at.Epoch] = append(p.events[name][at.Epoch], e)
}

// restore puts a producer back to position kept of its epoch and lets it take back what was lost.
func (p *plant) restore(name lot.Producer, kept int) {
	epoch := p.epoch[name]
	all := p.events[name][epoch]
	end := feed.End{Position: int64(kept)}
	if kept > 0 {
		end.Hash = all[kept-1].Hash
	} else {
		end.Hash = p.ends[name][epoch-1].Hash
	}
	p.ends[name][epoch] = end
	p.epoch[name] = epoch + 1
	for _, e := range all[kept:] {
		p.say(name, e.Value, e.Lots, e.After, e.Fault)
	}
}

// model judges every step that the feed takes.
type model struct {
	t       *rapid.T
	p       *plant
	f       *feed.Feed[string]
	cursor  map[lot.Producer]lot.Receipt
	settled map[lot.Producer][]string // ids in order, each once
	held    map[lot.ID]bool
	limit   int
}

func draw(t *rapid.T) *plant {
	p := newPlant()
	for i := range rapid.IntRange(1, 60).Draw(t, "events") {
		name := rapid.SampledFrom(producers).Draw(t, "producer")
		var after []lot.Receipt
		for _, other := range producers {
			if at, _ := p.head(other); other != name && at.Position > 0 && rapid.Bool().Draw(t, "after") {
				after = append(after, at)
			}
		}
		lots := rapid.SliceOfNDistinct(rapid.SampledFrom([]lot.ID{"a", "b", "c", "d", "e", "f", "g"}), 0, 2, rapid.ID).Draw(t, "lots")
		fault := ""
		if rapid.IntRange(0, 14).Draw(t, "poison") == 0 {
			fault = "poison"
		}
		p.say(name, fmt.Sprint("event ", i), lots, after, fault)
	}
	return p
}

func newModel(t *rapid.T, p *plant) *model {
	m := &model{t: t, p: p, cursor: map[lot.Producer]lot.Receipt{}, settled: map[lot.Producer][]string{}, held: map[lot.ID]bool{}}
	for _, name := range producers {
		m.cursor[name] = lot.Receipt{Producer: name, Epoch: 1}
	}
	m.f = feed.New[string](feed.Config{Self: "self", Producers: producers, Buffer: rapid.SampledFrom([]int{3, 8, 300}).Draw(t, "buffer"), Batch: 5}, nil, nil)
	m.limit = rapid.IntRange(0, 5).Draw(t, "limit")
	return m
}

// offer lets through some envelopes of the newest epoch in any order and number, some of them forged by whoever can write to the bus.
func (m *model) offer() {
	name := rapid.SampledFrom(producers).Draw(m.t, "offer of")
	said := m.p.events[name][m.p.epoch[name]]
	if len(said) == 0 {
		return
	}
	e := said[rapid.IntRange(0, len(said)-1).Draw(m.t, "position")]
	switch rapid.IntRange(0, 9).Draw(m.t, "forgery") {
	case 0:
		e.Previous[0]++
		e.Value = "forged link"
	case 1:
		e.Forged = true
		e.Value = "forged content"
	case 2:
		e.Position += 1000
		e.Value = "forged position"
	}
	m.f.Offer(e)
}

func (m *model) step(name lot.Producer) feed.Act {
	step := m.f.Next(name, m.limit)
	switch step.Act {
	case feed.Settle:
		m.settle(step.Decisions)
	case feed.Pull:
		require.Equal(m.t, m.cursor[name], step.From)
		for _, e := range m.p.events[name][step.From.Epoch][step.From.Position:] {
			if end, closed := m.p.ends[name][e.Epoch]; closed && e.Position > end.Position {
				break
			}
			e.Pulled = true
			m.f.Offer(e)
		}
		m.f.Pulled(step.From)
	case feed.Ask:
		at, hash := m.p.head(name)
		m.f.Answer(at, hash, m.p.ends[name])
	case feed.Turn:
		m.cursor[name] = step.To.Receipt
		m.f.Turned(step.To)
	}
	return step.Act
}

func (m *model) settle(decisions []feed.Decision[string]) {
	for i, d := range decisions {
		e := d.Entry
		name := e.Producer
		require.Equal(m.t, m.cursor[name].Position+1, e.Position, "positions apply 1, 2, 3 …")
		require.Equal(m.t, m.p.events[name][e.Epoch][e.Position-1].Value, e.Value, "nothing forged is let through")
		m.cursor[name] = e.Receipt
		if slices.Contains(m.settled[name], e.Value) {
			decisions[i].Verdict = feed.Repeated
			if d.Verdict != feed.Apply {
				m.f.Settled(decisions[:i+1])
				return
			}
			continue
		}
		for _, a := range e.After {
			if a.Epoch == m.p.epoch[a.Producer] {
				require.GreaterOrEqual(m.t, m.cursor[a.Producer].Position, a.Position, "%s settles after %v", e.Value, a)
			}
		}
		want := feed.Apply
		if slices.ContainsFunc(e.Lots, func(id lot.ID) bool { return m.held[id] }) {
			want = feed.Wait
		}
		if e.Fault != "" {
			want = feed.Refuse
		}
		require.Equal(m.t, want, d.Verdict, "%s of lots %v, held %v", e.Value, e.Lots, m.held)
		if want != feed.Apply {
			for _, id := range e.Lots {
				m.held[id] = true
			}
		}
		m.settled[name] = append(m.settled[name], e.Value)
	}
	m.f.Settled(decisions)
}

func (m *model) drain() {
	for _, name := range producers {
		at, hash := m.p.head(name)
		m.f.Head(at, hash)
	}
	for idle := 0; idle < 2000; idle++ {
		var acts []feed.Act
		for _, name := range producers {
			acts = append(acts, m.step(name))
		}
		if !slices.ContainsFunc(acts, func(a feed.Act) bool { return a != feed.Idle }) {
			return
		}
		for _, name := range producers {
			at, hash := m.p.head(name)
			m.f.Head(at, hash)
		}
	}
	m.t.Fatal("the feed does not come to rest")
}

// TestAnyArrival catches: a cursor that skips a gap (drop the `break` on a missing position), `after` ignored (unreached returning nil), a waiting
// event that does not block its own lots, an envelope of the bus taken without its link.
func TestAnyArrival(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := newModel(t, draw(t))
		for range rapid.IntRange(0, 80).Draw(t, "arrivals") {
			if rapid.Bool().Draw(t, "offer") {
				m.offer()
			} else {
				m.step(rapid.SampledFrom(producers).Draw(t, "step of"))
			}
		}
		m.drain()
		m.complete()
	})
}

// TestRestore catches: an epoch left before its end, or at a dead position; an `after` that names a lost event waited for in vain.
func TestRestore(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		m := newModel(t, draw(t))
		for range rapid.IntRange(0, 40).Draw(t, "before") {
			m.step(rapid.SampledFrom(producers).Draw(t, "step of"))
		}
		name := rapid.SampledFrom(producers).Draw(t, "restored")
		m.p.restore(name, rapid.IntRange(0, len(m.p.events[name][1])).Draw(t, "kept"))
		for range rapid.IntRange(0, 40).Draw(t, "arrivals") {
			if rapid.Bool().Draw(t, "offer") {
				m.offer()
			} else {
				m.step(rapid.SampledFrom(producers).Draw(t, "step of"))
			}
		}
		m.drain()
		m.complete()
	})
}

func (m *model) complete() {
	for _, name := range producers {
		at, _ := m.p.head(name)
		require.Equal(m.t, at, m.cursor[name], "cursor of %s", name)
		var want []string
		for epoch := int64(1); epoch <= at.Epoch; epoch++ {
			for _, e := range m.p.events[name][epoch] {
				if !slices.Contains(want, e.Value) {
					want = append(want, e.Value)
				}
			}
		}
		require.Equal(m.t, want, m.settled[name], "events of %s in order", name)
	}
}
