package stock

import (
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
)

// Parent is a lot that goods were drawn from to make another, with the holds on it.
type Parent struct {
	Lot   lot.ID
	Flags []Flag
	Drawn time.Time // zero where unknown
}

// FromExcluded leads the reason of an exclusion that is no decision of its own: everything that the lot is made from is free of the hold.
const FromExcluded = "made from lot "

// notHeld is why a hold on a parent does not reach what is made from it; empty: it does.
func (p Parent) notHeld(f Flag) string {
	switch {
	case f.Excluded:
		return FromExcluded + string(p.Lot) + ", which is excluded"
	case f.Before(p.Drawn):
		return BeforeHeld(p.Lot)
	}
	return ""
}

// BeforeHeld is why a hold on a part of a lot does not reach what was made before that part came to be.
func BeforeHeld(parent lot.ID) string {
	return FromExcluded + string(parent) + " before the first fill of it that is held"
}

// HandDown puts the safety holds of what a lot is made from on it and says so. Those of all classes go along where `all` is set: the same goods
// under a new code. A hold that lies on none of its parents, and was lifted from one by quality, is lifted from it too, which is said likewise, so that
// every descendant of a safety hold is held or excluded with a reason.
func (b *Book) HandDown(child *Lot, parents []Parent, all bool, at time.Time) []lot.Event {
	var events []lot.Event
	for _, p := range parents {
		for _, f := range p.Flags {
			if p.notHeld(f) == "" && b.reaches(p.Lot, f, all) && b.reach(child.ID, f) {
				events = append(events, HeldEvent(f, child.ID, at))
			}
		}
	}
	for _, p := range parents {
		for _, f := range p.Flags {
			if why := p.notHeld(f); why != "" && f.Class == lot.SafetyHold && !b.marked(child.ID, f.Hold) {
				events = append(events, b.Spare(f, child.ID, why, at))
			}
		}
	}
	slices.SortStableFunc(events, func(x, y lot.Event) int { return strings.Compare(holdOf(x), holdOf(y)) })
	return events
}

func holdOf(e lot.Event) string {
	if h, ok := e.Body.(lot.Held); ok {
		return h.Hold
	}
	return e.Body.(lot.HoldEnded).Hold
}

// reaches tells whether a class of hold goes down. A commercial hold on a part goes along with goods of that part only.
func (b *Book) reaches(parent lot.ID, f Flag, all bool) bool {
	if f.Class == lot.SafetyHold {
		return true
	}
	return all && (!f.Part || slices.Contains(b.heldDrawn, Marked{f.Hold, parent}))
}

// reach puts a hold on a lot that does not have it, also on one that was only excluded because all it was made from had been. It tells whether
// it did.
func (b *Book) reach(child lot.ID, f Flag) bool {
	f.Excluded, f.Inherited = false, false
	if f.Root != child {
		f.Part, f.Containers, f.FillFrom, f.FillTo, f.Since = false, nil, time.Time{}, time.Time{}, time.Time{}
	}
	for i, have := range b.known.Flags[child] {
		if have.Hold != f.Hold {
			continue
		}
		if !have.Inherited {
			return false
		}
		b.known.Flags[child][i] = f
		b.Mark(f.Hold, child)
		return true
	}
	b.known.Flags[child] = append(b.known.Flags[child], f)
	b.Mark(f.Hold, child)
	return true
}

// Spare notes that a hold does not reach a lot, and says why.
func (b *Book) Spare(f Flag, child lot.ID, why string, at time.Time) lot.Event {
	f.Excluded, f.Inherited = true, true
	b.known.Flags[child] = append(b.known.Flags[child], f)
	b.change.Spared = append(b.change.Spared, Spared{Marked{f.Hold, child}, why})
	return lot.Event{Lots: []lot.ID{child}, Effective: at, Body: lot.HoldEnded{Hold: f.Hold, Lot: child, Excluded: true, Reason: why}}
}

func (b *Book) marked(id lot.ID, hold string) bool {
	return slices.ContainsFunc(b.known.Flags[id], func(f Flag) bool { return f.Hold == hold })
}

// HeldEvent says that a hold lies on a lot.
func HeldEvent(f Flag, id lot.ID, at time.Time) lot.Event {
	lots := []lot.ID{id}
	if f.Root != id {
		lots = append(lots, f.Root)
	}
	return lot.Event{Lots: lots, Effective: at, Body: lot.Held{
		Hold: f.Hold, Class: f.Class, Root: f.Root, Lot: id, Reason: f.Reason, Recall: f.Recall,
	}}
}
