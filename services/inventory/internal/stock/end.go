package stock

import (
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// A bin's tolerance is for what its scales and its book do not know of the lot that lies in it. It ends, for draws from then on, when the lot was
// seen at its end, and when another lot came in on top of it: what is then taken over the book is the other's, or nobody knows whose.

// ended says why nothing may be taken over the book by a draw any more; empty: it still may. The moment of the draw decides, not that of its
// recording. Of what happens at one instant the order of facts decides, save that a bin seen empty at the very instant was empty.
func (b *Book) ended(d Draw, spot Spot, of Tolerance) string {
	for _, e := range of.Emptied {
		if e.Spot == spot && !e.At.After(d.Key.At) {
			return "it was seen empty at " + Stamp(e.At) + " (" + EmptyingFact(e.Name) + ")"
		}
	}
	came := slices.DeleteFunc(b.came(spot.Place, of.Came), func(e Entry) bool { return !e.Key.earlier(d.Key) })
	var poured Key
	for _, e := range came {
		if e.Spot.Lot == spot.Lot && e.Key.Order/2 == int16(Transfer) && poured.earlier(e.Key) {
			poured = e.Key
		}
	}
	for _, e := range came {
		if e.Spot.Lot != spot.Lot && poured.earlier(e.Key) {
			return "lot " + string(e.Spot.Lot) + " came there at " + Stamp(e.Key.At) + " (" + e.Key.Name + "), after what was poured last of this lot"
		}
	}
	return ""
}

// earlier tells whether a fact comes before another in the order of facts, whatever it adds or takes: one is not before itself.
func (k Key) earlier(o Key) bool {
	k.Order, o.Order = k.Order/2*2, o.Order/2*2
	return k.Compare(o) < 0
}

// came is what came to a place once this book is written, in order. Title passes to what lies there already.
func (b *Book) came(place lot.PlaceID, known []Entry) []Entry {
	var all []Entry
	for _, e := range known {
		if e.Spot.Place == place && e.Key.brings() {
			all = append(all, e)
		}
	}
	for _, l := range b.change.Legs {
		if l.Spot.Lot != "" && l.Spot.Place == place && l.Key.brings() {
			all = append(all, Entry{l.Spot, l.Key, l.Quantity})
		}
	}
	sums := map[Spot][]Entry{}
	for spot, entries := range bySpot(all) {
		sums[spot] = merge(entries)
	}
	all = all[:0]
	for _, entries := range sums {
		all = append(all, entries...)
	}
	slices.SortFunc(all, func(x, y Entry) int {
		if c := x.Key.Compare(y.Key); c != 0 {
			return c
		}
		return x.Spot.Compare(y.Spot)
	})
	return slices.DeleteFunc(all, func(e Entry) bool { return e.Quantity <= 0 })
}

// brings tells whether the legs of a key bring goods to their place, or take back what brought them.
func (k Key) brings() bool { return k.Order%2 == 0 && k.Order/2 != int16(OwnerChange) }

// lastOf is when the last of draws was.
func lastOf(draws []Draw) time.Time {
	var last time.Time
	for _, d := range draws {
		if d.Key.At.After(last) {
			last = d.Key.At
		}
	}
	return last
}

// stood is the gain of a draw that a correction set takes back and states again: what was accepted once may be said again.
func (b *Book) stood(d Draw, spot Spot) lot.Quantity {
	var sum lot.Quantity
	for _, l := range b.undone {
		if l.Fact == d.Fact && l.Spot == spot && l.Key.At.Equal(d.Key.At) {
			sum += l.Quantity
		}
	}
	return sum
}

func (b *Book) overEnded(d Draw, s *shortage, why string) error {
	return fault.Precondition("stock_short", "%s; no draw of the lot may go over its book there any more: %s", overBook(d, s), why)
}
