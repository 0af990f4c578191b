package stock

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Tolerance is how far the draws of a bin lot may go over its book at a spot, and what ends it.
type Tolerance struct {
	Place lot.Quantity // all together, as the bin is registered; 0: not at all
	Used  lot.Quantity // by the gains that stand
	// Came are the entries of any lot at the place, from the moment on at which this lot first came there: what adds to them, at the least.
	Came    []Entry
	Emptied []Emptied // sights of this lot's end at the place
}

// Emptied is the sight of an empty bin, also where its book held nothing any more.
type Emptied struct {
	Name string
	Spot Spot
	At   time.Time
}

// OverTx is asked only when a draw on a bin lot goes over its book.
type OverTx interface {
	// OverBook gives the tolerance of a spot, with what ended it up to a time, and the account of counts as it is registered. It lets nothing come
	// into the bin by an order until the transaction ends.
	OverBook(ctx context.Context, spot Spot, until time.Time) (Tolerance, lot.Account, error)
}

// GainReason is the registered reason of what draws take over the book.
const GainReason = "count"

// gainPrefix leads the names of gains; no adjustment of another kind has such a name.
const gainPrefix = "over-book/"

// gain is what draws of a fact took over the book of a bin lot.
type gain struct {
	draw     Draw
	key      Key
	quantity lot.Quantity
}

// mayGoOver tells whether a draw is one that is weighed out of a bin: its lot a bin lot kept by weight, its goods loose. What is only found
// missing, or written off, is measured against the book, and so is what was drawn before title to all that was there passed.
func (d Draw) mayGoOver(portions []Portion) bool {
	return d.Use != 0 && d.Use != ForDestruction && d.Lot.Source == FromPour && d.Lot.Measure == lot.ByWeight &&
		len(portions) == 1 && portions[0].Container == ""
}

// nameOfGain is made of natural keys: the draw's fact and line, and the correction set that states it anew.
func (b *Book) nameOfGain(d Draw) string {
	name := gainPrefix + d.Fact
	if d.Line != "" {
		name += "/" + d.Line
	}
	if b.correcting {
		name += "/" + b.change.Movement
	}
	return name
}

// isGain tells a leg of a gain from others; it stands under the fact that drew, so that whatever takes back the draw takes back its gain.
func (l Leg) isGain() bool { return l.Key.Order == GainOrder }

// CloseWithGains closes a book whose draws may have gone over the book of bin lots, and puts what says their gains before the other events: whoever
// makes the effects again then finds the goods there.
func (b *Book) CloseWithGains(ctx context.Context, tx Tx, events []lot.Event) ([]lot.Event, error) {
	if err := b.Close(ctx, tx); err != nil {
		return nil, err
	}
	return append(b.gained, events...), nil
}

// cover adds gains to pending where draws of this book go over the book of bin lots inside the tolerance. What it leaves is short.
//
// A gain is what is lacking at the worst moment from the draw on, also where that moment is a later draw that an earlier one now makes short:
// the draw that is booked now is the one that does not fit.
func (b *Book) cover(ctx context.Context, tx Tx, pending, later map[Spot][]Entry) error {
	var gains []*gain
	account := lot.Account{}
	for _, spot := range slices.SortedFunc(maps.Keys(b.overs), Spot.Compare) {
		opening := b.opening(spot, later)
		s := worst(opening, merge(slices.Concat(later[spot], pending[spot])), pending[spot])
		if s == nil {
			continue
		}
		of, as, err := tx.OverBook(ctx, spot, lastOf(b.overs[spot]))
		if err != nil {
			return err
		}
		account = as
		used := of.Used + b.gainsHere(spot)
		most := max(of.Place, of.Used) // a set may always state again what stands
		for s != nil && most > 0 {
			d := lastBefore(b.overs[spot], s.at.Key)
			if d == nil {
				break // nothing that this book draws made it short
			}
			g := gainOf(&gains, b.nameOfGain(*d), *d)
			g.quantity += s.lacking
			if ended := b.ended(*d, spot, of); ended != "" && g.quantity > b.stood(*d, spot) {
				return b.overEnded(*d, s, ended)
			}
			used += s.lacking
			if used > most {
				return b.overTolerance(*d, s, of, used)
			}
			pending[spot] = merge(append(pending[spot], Entry{spot, g.key, s.lacking}))
			s = worst(opening, merge(slices.Concat(later[spot], pending[spot])), pending[spot])
		}
	}
	for _, g := range gains {
		b.post(g, account)
	}
	return nil
}

// gainsHere is what the book itself adds to the gains of a spot, which a correction set takes back.
func (b *Book) gainsHere(spot Spot) lot.Quantity {
	var sum lot.Quantity
	for _, l := range b.change.Legs {
		if l.Spot == spot && l.isGain() {
			sum += l.Quantity
		}
	}
	return sum
}

// lastBefore is the last draw at or before a moment; nil where there is none.
func lastBefore(draws []Draw, k Key) *Draw {
	var last *Draw
	for i, d := range draws {
		if d.Key.Compare(k) <= 0 && (last == nil || d.Key.Compare(last.Key) >= 0) {
			last = &draws[i]
		}
	}
	return last
}

func gainOf(gains *[]*gain, name string, d Draw) *gain {
	for _, g := range *gains {
		if g.key.Name == name {
			return g
		}
	}
	g := &gain{draw: d, key: GainKey(d.Key.At, name)}
	*gains = append(*gains, g)
	return g
}

// post adds the legs of a gain and says it.
func (b *Book) post(g *gain, account lot.Account) {
	d := g.draw
	b.Once(AdjustmentFact(g.key.Name))
	b.Put(d.Lot, d.Place, g.quantity, g.key, d.Fact)
	b.Post(account.Name, d.Lot.Measure, -g.quantity, g.key, d.Fact)
	b.gained = append(b.gained, lot.Event{Lots: []lot.ID{d.Lot.ID}, Effective: g.key.At, Body: lot.Adjusted{
		Adjustment: g.key.Name, Lot: d.Lot.ID, Place: d.Place, Delta: g.quantity, Reason: GainReason, Account: account, DrawnBy: d.Fact,
	}})
}

func (b *Book) overTolerance(d Draw, s *shortage, of Tolerance, used lot.Quantity) error {
	return fault.Precondition("bin_over_tolerance", "%s; draws of the lot may go over its book by %s in all, and would by %s", overBook(d, s),
		Amount(of.Place, d.Lot.Measure), Amount(used, d.Lot.Measure))
}

// overBook says what takes more than the book of a bin lot has.
func overBook(d Draw, s *shortage) string {
	m := d.Lot.Measure
	later := ""
	if s.at.Key.Compare(d.Key) != 0 {
		later = d.Fact + " takes " + Amount(d.Quantity, m) + " at " + Stamp(d.Key.At) + ", and "
	}
	return fmt.Sprintf("bin lot %s%s: %s%s takes %s at %s, when the book has %s", d.Lot.ID, at(d.Place), later, s.at.Key.Name, Amount(-s.at.Quantity, m),
		Stamp(s.at.Key.At), Amount(max(0, s.had), m))
}

// TakenBack are the gains that a correction set took back with the draws that made them, each as it stands from now on: as nothing. What the
// set names itself is left out.
func (b *Book) TakenBack(named []lot.Adjusted) []lot.Adjusted {
	var out []lot.Adjusted
	for _, l := range b.undone {
		if slices.ContainsFunc(named, func(a lot.Adjusted) bool { return a.Adjustment == l.Key.Name }) {
			continue
		}
		out = append(out, lot.Adjusted{
			Adjustment: l.Key.Name, Lot: l.Spot.Lot, Place: l.Spot.Place, Reason: GainReason, Account: lot.Account{Name: GainReason}, DrawnBy: l.Fact,
		})
	}
	slices.SortFunc(out, func(x, y lot.Adjusted) int { return cmp.Compare(x.Adjustment, y.Adjustment) })
	return out
}

// statedHere tells whether a leg is of a gain that this very set stated: it is there already when a set is made again after the database went
// back to an earlier moment.
func (b *Book) statedHere(l Leg) bool {
	return l.isGain() && strings.HasSuffix(l.Key.Name, "/"+b.change.Movement)
}

// FreeName refuses the name of a gain for an adjustment by itself: a gain goes with its draw.
func FreeName(name string) error {
	if strings.HasPrefix(name, gainPrefix) {
		return fault.Invalid("adjustment_reserved", "adjustment %s: names that begin with %q are of count gains that draws made; correct the draw", name, gainPrefix)
	}
	return nil
}
