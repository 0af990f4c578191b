package season

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
)

// fact is an event before it has a place in its producer's sequence.
type fact struct {
	producer lot.Producer
	lot.Event
	key   string    // natural key, the last tie-break
	order time.Time // when it began: what its neighbours in the sequence are compared by
	class int       // at one instant: receipts and returns, runs, pours, adjustments, shipments, then the rest
	makes []lot.ID  // born by it: it comes before every fact that uses them
	uses  []lot.ID
	after []string // keys of facts of the same producer that come first
}

// The classes of facts at one instant.
const (
	classBasis = iota
	classReceipt
	classRun
	classPour
	classAdjustment
	classShipment
	classLater
)

// Facts says the season as its three producers would: each one's events are dense from position 1 in epoch 1 and in an order in which every
// fact follows those it rests on. The producers follow one another: intake, inventory, production. Identifiers and recorded times are a
// function of the folder, so that two loads give the same facts.
func (s *Season) Facts() []lot.Recorded {
	recorded := s.lastTime()
	heads := map[lot.Producer]int64{}
	var out []lot.Recorded
	for i, f := range s.facts {
		heads[f.producer]++
		var after []lot.Receipt
		for _, p := range rests[f.producer] {
			after = append(after, lot.Receipt{Producer: p, Epoch: 1, Position: heads[p]})
		}
		out = append(out, lot.Recorded{
			Receipt:    lot.Receipt{Producer: f.producer, Epoch: 1, Position: heads[f.producer]},
			EventID:    eventID(recorded, i),
			RecordedAt: recorded.Add(time.Duration(i) * time.Microsecond),
			Actor:      "import",
			After:      after,
			Event:      f.Event,
		})
	}
	return out
}

// rests says whose events each producer had applied, all of them, before it said its own.
var rests = map[lot.Producer][]lot.Producer{
	lot.Inventory:  {lot.Intake},
	lot.Production: {lot.Intake, lot.Inventory},
}

// eventID has the form of a UUIDv7 (RFC 9562, 5.7) whose random part is the event's number.
func eventID(at time.Time, n int) string {
	ms := uint64(at.UnixMilli())
	return fmt.Sprintf("%08x-%04x-7000-8000-%012x", ms>>16&0xffffffff, ms&0xffff, n)
}

func (s *Season) lastTime() time.Time {
	var last time.Time
	for _, f := range s.facts {
		if f.Effective.After(last) {
			last = f.Effective
		}
	}
	return last
}

// compare is the order of facts that do not rest on one another.
func (f fact) compare(g fact) int {
	return cmp.Or(f.order.Compare(g.order), cmp.Compare(f.class, g.class), strings.Compare(f.key, g.key))
}

// sequence puts the facts of one producer in an order in which each follows those it rests on, otherwise by time, class and key.
func sequence(facts []fact) ([]fact, error) {
	slices.SortFunc(facts, fact.compare)
	makers, keys := map[lot.ID][]int{}, map[string]int{}
	for i, f := range facts {
		keys[f.key] = i
		for _, id := range f.makes {
			makers[id] = append(makers[id], i)
		}
	}
	out := make([]fact, 0, len(facts))
	state := make([]int, len(facts)) // 0 not begun, 1 being placed, 2 placed
	var place func(i int) error
	place = func(i int) error {
		switch state[i] {
		case 1:
			return fmt.Errorf("season: %s rests on itself", facts[i].key)
		case 2:
			return nil
		}
		state[i] = 1
		first := []int{}
		for _, id := range facts[i].uses {
			first = append(first, makers[id]...)
		}
		for _, key := range facts[i].after {
			if j, ok := keys[key]; ok {
				first = append(first, j)
			}
		}
		slices.Sort(first)
		for _, j := range first {
			if err := place(j); err != nil {
				return err
			}
		}
		state[i] = 2
		out = append(out, facts[i])
		return nil
	}
	for i := range facts {
		if err := place(i); err != nil {
			return nil, err
		}
	}
	return out, nil
}
