package verify

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	eventv1 "huskline/proto/huskline/event/v1"
)

// small is a chain of the first events of a producer of the second season.
func small(t testing.TB, producer string, n int) *chain {
	t.Helper()
	for _, c := range chained(t, loadSeason(t, "season-2").Facts()) {
		if c.producer == producer {
			last := c.envelopes[n-1]
			return &chain{producer: producer, envelopes: c.envelopes[:n],
				head: &eventv1.Head{At: &eventv1.Receipt{Producer: producer, Epoch: 1, Position: int64(n)}, Hash: last.Hash}}
		}
	}
	t.Fatalf("no producer %s", producer)
	return nil
}

func with(c *chain, i int, change func(*eventv1.Envelope)) *chain {
	out := *c
	out.envelopes = slices.Clone(c.envelopes)
	out.envelopes[i] = proto.Clone(c.envelopes[i]).(*eventv1.Envelope)
	change(out.envelopes[i])
	return &out
}

func named(r *Report, place string) bool {
	return slices.ContainsFunc(r.Differences, func(d Difference) bool {
		return d.Check == "chain" && (d.Subject == place || strings.HasPrefix(d.Subject, place+" "))
	})
}

// TestEveryChangedByteIsNamed changes each byte of each event of a sound chain, in every field of its envelope, and asks for the event by name.
// Leaving out any part of the hash, the comparison with the predecessor, the type or the positions makes it fail; each was tried.
func TestEveryChangedByteIsNamed(t *testing.T) {
	t.Parallel()
	for _, producer := range []string{"intake", "inventory", "production"} {
		c := small(t, producer, 10)
		sound := &Report{}
		c.check(sound)
		require.Empty(t, sound.Differences)
		for i, e := range c.envelopes {
			place := producer + "/1/" + digits(i+1)
			for what, change := range changes(e) {
				r := &Report{}
				with(c, i, change).check(r)
				if !named(r, place) {
					t.Errorf("%s with %s changed is not named: %+v", place, what, r.Differences)
				}
			}
		}
	}
}

func digits(n int) string {
	return strings.TrimLeft(string(rune('0'+n/10))+string(rune('0'+n%10)), "0")
}

// changes are all changes of one byte of an envelope.
func changes(e *eventv1.Envelope) map[string]func(*eventv1.Envelope) {
	out := map[string]func(*eventv1.Envelope){}
	flip := func(b []byte, at int) []byte {
		b = slices.Clone(b)
		b[at] ^= 1
		return b
	}
	for i := range e.Payload {
		out["payload byte "+digits(i%100)+" of "+e.Type+string(rune('a'+i/100))] = func(e *eventv1.Envelope) { e.Payload = flip(e.Payload, i) }
	}
	for i := range e.Hash {
		out["hash byte "+digits(i)] = func(e *eventv1.Envelope) { e.Hash = flip(e.Hash, i) }
		out["previous hash byte "+digits(i)] = func(e *eventv1.Envelope) { e.PreviousHash = flip(e.PreviousHash, i) }
	}
	for i := range e.Type {
		out["type byte "+digits(i)] = func(e *eventv1.Envelope) { e.Type = string(flip([]byte(e.Type), i)) }
	}
	for i := range e.Producer {
		out["producer byte "+digits(i)] = func(e *eventv1.Envelope) { e.Producer = string(flip([]byte(e.Producer), i)) }
	}
	for bit := range 63 {
		out["epoch bit "+digits(bit)] = func(e *eventv1.Envelope) { e.Epoch ^= 1 << bit }
		out["position bit "+digits(bit)] = func(e *eventv1.Envelope) { e.Position ^= 1 << bit }
		out["recorded bit "+digits(bit)] = func(e *eventv1.Envelope) { e.RecordedMicros ^= 1 << bit }
	}
	return out
}

// TestForgeriesWithNewHashes are changes by somebody who can reckon hashes: the next link or the head gives them away.
func TestForgeriesWithNewHashes(t *testing.T) {
	t.Parallel()
	c := small(t, "inventory", 8)
	relink := func(e *eventv1.Envelope) { e.Hash = link(e, e.Epoch, e.Position) }
	table := []struct {
		name  string
		want  string
		chain func() *chain
	}{
		{"payload of another event", "inventory/1/4", func() *chain {
			return with(c, 2, func(e *eventv1.Envelope) { e.Payload = c.envelopes[5].Payload; e.Type = c.envelopes[5].Type; relink(e) })
		}},
		{"the last event", "inventory head", func() *chain {
			return with(c, 7, func(e *eventv1.Envelope) { e.RecordedMicros++; relink(e) })
		}},
		{"one event gone", "inventory/1/3", func() *chain {
			out := *c
			out.envelopes = append(slices.Clone(c.envelopes[:2]), c.envelopes[3:]...)
			return &out
		}},
		{"the last event gone", "inventory head", func() *chain {
			out := *c
			out.envelopes = c.envelopes[:7]
			return &out
		}},
		{"two events changed round", "inventory/1/3", func() *chain {
			out := *c
			out.envelopes = slices.Clone(c.envelopes)
			out.envelopes[2], out.envelopes[3] = out.envelopes[3], out.envelopes[2]
			return &out
		}},
		{"an event said twice", "inventory/1/4", func() *chain {
			out := *c
			out.envelopes = slices.Insert(slices.Clone(c.envelopes), 3, c.envelopes[2])
			return &out
		}},
		{"a time before its predecessor's", "inventory/1/5", func() *chain {
			return with(c, 4, func(e *eventv1.Envelope) { e.RecordedMicros = 1; relink(e) })
		}},
	}
	for _, row := range table {
		r := &Report{}
		row.chain().check(r)
		if !named(r, row.want) {
			t.Errorf("%s: %s is not named: %+v", row.name, row.want, r.Differences)
		}
	}
}

// TestASecondEpochGoesOn: after a restore the chain continues in a new epoch, and an event taken back under its old id counts once.
func TestASecondEpochGoesOn(t *testing.T) {
	t.Parallel()
	c := small(t, "intake", 6)
	c.earlier = []*eventv1.Head{{At: &eventv1.Receipt{Producer: "intake", Epoch: 1, Position: 6}, Hash: c.head.Hash}}
	previous := c.head.Hash
	for i := range 2 {
		e := proto.Clone(c.envelopes[4+i]).(*eventv1.Envelope)
		e.Epoch, e.Position, e.PreviousHash = 2, int64(i+1), previous
		e.RecordedMicros = c.envelopes[5].RecordedMicros + 1
		e.Hash = link(e, e.Epoch, e.Position)
		previous = e.Hash
		c.envelopes = append(c.envelopes, e)
	}
	c.head = &eventv1.Head{At: &eventv1.Receipt{Producer: "intake", Epoch: 2, Position: 2}, Hash: previous}
	r := &Report{}
	if facts := c.check(r); len(facts) != 6 || !r.OK() {
		t.Errorf("%d facts, want 6; differences %+v", len(facts), r.Differences)
	}
	c.earlier[0].At.Position = 7
	r = &Report{}
	c.check(r)
	if r.OK() {
		t.Error("an epoch that ended a position too early is not noticed")
	}
}
