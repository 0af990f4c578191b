package stock

import (
	"context"
	"slices"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// maxPounds and maxPieces bound one leg and what a lot is made with: a billion pounds, a billion pieces. Sums over a whole plant so stay far
// inside 64 bits, and the genealogy holds to the same bounds.
const (
	maxPounds lot.Quantity = 1_000_000_000_000_000
	maxPieces lot.Quantity = 1_000_000_000
)

// inBounds refuses quantities that no plant has.
func (b *Book) inBounds() error {
	for _, l := range b.change.Legs {
		if l.Quantity > maxPounds || l.Quantity < -maxPounds {
			return fault.Invalid("quantity_out_of_range", "%s: %s, at most %s at once are allowed", l.Fact, Amount(l.Quantity, l.Measure), Amount(maxPounds, l.Measure))
		}
	}
	for _, l := range b.change.Lots {
		limit := maxPounds
		if l.Measure == lot.ByCount {
			limit = maxPieces
		}
		if l.Made > limit {
			return fault.Invalid("quantity_out_of_range", "lot %s: it would be made with %s, at most %s are allowed", l.ID, Amount(l.Made, l.Measure),
				Amount(limit, l.Measure))
		}
	}
	return nil
}

// Close judges the book and writes it. A refusal says how much there was and when; the transaction must then be given up.
func (b *Book) Close(ctx context.Context, tx Tx) error {
	if err := b.inBounds(); err != nil {
		return err
	}
	if err := b.balanced(); err != nil {
		return err
	}
	if err := b.containersHold(); err != nil {
		return err
	}
	if b.known.Spreading && len(b.issued) > 0 && !b.known.Accepted {
		held, err := tx.HeldAbove(ctx, b.issued)
		if err != nil {
			return err
		}
		if held.Hold != "" {
			return fault.Precondition("lot_held", "goods made from lot %s leave, on which hold %s lies that is spreading to them", held.Lot, held.Hold)
		}
	}
	pending := b.pending()
	var since []Since
	for spot, entries := range pending {
		if b.backdated(spot, entries) {
			since = append(since, Since{spot, entries[0].Key.At})
		}
	}
	var later map[Spot][]Entry
	if len(since) > 0 {
		slices.SortFunc(since, func(x, y Since) int { return x.Spot.Compare(y.Spot) })
		entries, err := tx.Timeline(ctx, since)
		if err != nil {
			return err
		}
		later = bySpot(entries)
	}
	if err := b.cover(ctx, tx, pending, later); err != nil {
		return err
	}
	if err := b.settle(pending, later); err != nil {
		return err
	}
	return tx.Write(ctx, &b.change)
}

// balanced is conservation: what leaves one side of a movement comes to another.
func (b *Book) balanced() error {
	sums := map[lot.Measure]lot.Quantity{}
	for _, l := range b.change.Legs {
		sums[l.Measure] += l.Quantity
	}
	for m, sum := range sums {
		if sum != 0 {
			return fault.Bug("movement %s: its legs add up to %s and not to nothing", b.change.Movement, Amount(sum, m))
		}
	}
	return nil
}

func (b *Book) pending() map[Spot][]Entry {
	var entries []Entry
	for _, l := range b.change.Legs {
		if l.Spot.Lot != "" {
			entries = append(entries, Entry{l.Spot, l.Key, l.Quantity})
		}
	}
	out := bySpot(entries)
	for spot := range out {
		out[spot] = merge(out[spot])
	}
	return out
}

func bySpot(entries []Entry) map[Spot][]Entry {
	out := map[Spot][]Entry{}
	for _, e := range entries {
		out[e.Spot] = append(out[e.Spot], e)
	}
	return out
}

// merge sorts entries of one spot by key and adds up those under one key.
func merge(entries []Entry) []Entry {
	slices.SortStableFunc(entries, func(x, y Entry) int { return x.Key.Compare(y.Key) })
	var out []Entry
	for _, e := range entries {
		if n := len(out); n > 0 && out[n-1].Key.Compare(e.Key) == 0 {
			out[n-1].Quantity += e.Quantity
			continue
		}
		out = append(out, e)
	}
	return out
}

func (b *Book) backdated(spot Spot, entries []Entry) bool {
	have, ok := b.known.Balances[spot]
	return ok && entries[0].Key.Compare(have.Latest) < 0
}

// settle finds the first moment at which a spot would lie below nothing, and otherwise the new balances.
func (b *Book) settle(pending, later map[Spot][]Entry) error {
	spots := make([]Spot, 0, len(pending))
	for spot := range pending {
		spots = append(spots, spot)
	}
	slices.SortFunc(spots, Spot.Compare)
	for _, spot := range spots {
		have, known := b.known.Balances[spot]
		opening := b.opening(spot, later)
		all := merge(slices.Concat(later[spot], pending[spot]))
		if s := worst(opening, all, pending[spot]); s != nil {
			return b.short(spot, s)
		}
		next := have
		for _, e := range pending[spot] {
			next.Quantity += e.Quantity
			if !known || e.Key.Compare(next.Latest) > 0 {
				next.Latest, known = e.Key, true
			}
		}
		b.change.Balances[spot] = next
	}
	return nil
}

// opening is what lay at a spot before its later entries.
func (b *Book) opening(spot Spot, later map[Spot][]Entry) lot.Quantity {
	opening := b.known.Balances[spot].Quantity
	for _, e := range later[spot] {
		opening -= e.Quantity
	}
	return opening
}

// shortage is the first moment below nothing.
type shortage struct {
	at      Entry        // where the running sum falls below zero
	had     lot.Quantity // before it
	lacking lot.Quantity // how far below zero it then lies
	most    lot.Quantity // how far below zero it would ever lie from there on
	draw    Entry        // what draws: the first leg of ours that takes; the moment itself where none does
}

// worst is the running minimum: nil where the sum never lies below zero.
func worst(opening lot.Quantity, all, ours []Entry) *shortage {
	var found *shortage
	running := opening
	for _, e := range all {
		had := running
		running += e.Quantity
		if running >= 0 {
			continue
		}
		if found == nil {
			found = &shortage{at: e, had: had, lacking: -running}
		}
		found.most = max(found.most, -running)
	}
	if found == nil {
		return nil
	}
	found.draw = found.at
	for _, e := range ours {
		if e.Quantity < 0 && e.Key.Compare(found.at.Key) <= 0 {
			found.draw = e
		}
	}
	return found
}

func (b *Book) short(spot Spot, s *shortage) error {
	m := lot.ByWeight
	if l := b.known.Lots[spot.Lot]; l != nil {
		m = l.Measure
	}
	where := ""
	if spot.Place != "" {
		where = " at " + string(spot.Place)
	}
	if s.draw.Key.Compare(s.at.Key) == 0 {
		return fault.Precondition("stock_short", "lot %s%s: %s takes %s at %s, when there was %s", spot.Lot, where, s.at.Key.Name,
			Amount(-s.at.Quantity, m), Stamp(s.at.Key.At), Amount(max(0, s.had), m))
	}
	later := ""
	if s.most > s.lacking {
		later = ", and later " + Amount(s.most, m)
	}
	return fault.Precondition("stock_short",
		"lot %s%s: %s changes it by %s at %s, which leaves %s when %s takes %s at %s: %s too little%s", spot.Lot, where, s.draw.Key.Name,
		Amount(s.draw.Quantity, m), Stamp(s.draw.Key.At), Amount(s.had, m), s.at.Key.Name, Amount(-s.at.Quantity, m), Stamp(s.at.Key.At),
		Amount(s.lacking, m), later)
}

// MayBeBehind tells whether a refusal might not stand once all that other producers said is known: the lot, item or party may be told
// already, or pounds may have come in.
func MayBeBehind(err error) bool {
	switch fault.ReasonOf(err) {
	case "lot_unknown", "item_unknown", "party_unknown", "stock_short", "bin_over_tolerance", "title_not_passed", "owner_mixed", "owner_wrong":
		return true
	}
	return false
}
