package genealogy

import (
	"hash/maphash"
	"strings"

	"huskline/internal/lot"
)

// codes finds the number of a lot by its code. It is an open-addressing table of numbers and part of their hashes, the codes themselves being
// in the lots: a Go map that held them too would take about three times as much for the largest plant's lots.
type codes struct {
	seed  maphash.Seed
	slots []slot // a power of two long and at most three quarters full
	used  int
	text  *strings.Builder // the codes, one behind the other; a full one is left to the strings that point into it
}

// slot is a lot's number + 1, 0 where empty, and the hash that tells nearly all other codes apart without a look at them.
type slot struct {
	hash   uint32
	number int32
}

// textChunk is how many bytes of codes are allocated at once.
const textChunk = 1 << 16

func newCodes() codes { return codes{seed: maphash.MakeSeed(), slots: make([]slot, 64)} }

func (c *codes) hash(id lot.ID) uint32 { return uint32(maphash.String(c.seed, string(id)) >> 32) }

// find gives the number of a code, none where it is new.
func (c *codes) find(lots []node, id lot.ID, hash uint32) int32 {
	mask := uint32(len(c.slots) - 1)
	for i := hash & mask; ; i = (i + 1) & mask {
		switch s := c.slots[i]; {
		case s.number == 0:
			return none
		case s.hash == hash && lots[s.number-1].id == id:
			return s.number - 1
		}
	}
}

// put notes a new code's number, growing the table where it gets full.
func (c *codes) put(n int32, hash uint32) {
	if 4*(c.used+1) > 3*len(c.slots) {
		old := c.slots
		c.slots = make([]slot, 2*len(old))
		for _, s := range old {
			if s.number != 0 {
				c.place(s)
			}
		}
	}
	c.used++
	c.place(slot{hash, n + 1})
}

func (c *codes) place(s slot) {
	mask := uint32(len(c.slots) - 1)
	i := s.hash & mask
	for c.slots[i].number != 0 {
		i = (i + 1) & mask
	}
	c.slots[i] = s
}

// keep copies a code out of the event, whose memory it would hold otherwise.
func (c *codes) keep(id lot.ID) lot.ID {
	if c.text == nil || c.text.Cap()-c.text.Len() < len(id) {
		c.text = new(strings.Builder)
		c.text.Grow(max(textChunk, len(id)))
	}
	from := c.text.Len()
	c.text.WriteString(string(id))
	return lot.ID(c.text.String()[from:])
}
