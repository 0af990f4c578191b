package stock

import (
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// Source says what bore a lot.
type Source string

// The sources of a lot.
const (
	FromDelivery   Source = "delivery"
	FromIngredient Source = "ingredient"
	FromRun        Source = "run"
	FromPour       Source = "pour"
	FromReturn     Source = "return"
	FromPurchase   Source = "purchase"
)

// Lot is a lot as it stands.
type Lot struct {
	ID        lot.ID
	Item      lot.ItemID
	Measure   lot.Measure
	Owner     lot.PartyID // empty: the company
	Ownership lot.Ownership
	Source    Source
	Maker     string      // run, shipment or lot that bore it; empty for what came in at the gate
	Party     lot.PartyID // who brought it
	Made      lot.Quantity
	Born      time.Time
	Version   int64     // of its delivery
	Voided    bool      // the delivery never was, or the run never made it
	Frozen    time.Time // of a bin lot: when it was first drawn or seen empty; zero: it can still be poured into
	change    lotChange
}

type lotChange int

const (
	unchanged lotChange = iota
	changed
	born
)

// IsNew tells whether the lot is born by this book.
func (l *Lot) IsNew() bool { return l.change == born }

// Balance is what lies at a spot, with the key of its latest leg.
type Balance struct {
	Quantity lot.Quantity
	Latest   Key
}

// Flag is a hold on a lot.
type Flag struct {
	Hold     string
	Class    lot.HoldClass
	Root     lot.ID
	Reason   string
	Recall   bool
	Excluded bool // quality took the lot out: the hold does not bind it and is not handed down by it
	// Inherited is an exclusion because all that the lot is made from is excluded, not by a decision of its own.
	Inherited bool

	// Of a hold on a part of the lot that it was placed on; it holds whole lots below.
	Part       bool
	Containers []string
	FillFrom   time.Time // zero: from the beginning
	FillTo     time.Time // zero: without end
	Since      time.Time // what was drawn before it cannot be of the part; zero: unknown
}

// Window tells whether a hold lies on what was filled within a time.
func (f Flag) Window() bool { return !f.FillFrom.IsZero() || !f.FillTo.IsZero() }

func (f Flag) within(filled time.Time) bool {
	return f.Window() && !filled.Before(f.FillFrom) && (f.FillTo.IsZero() || !filled.After(f.FillTo))
}

// Covers tells whether a hold on a part of a lot lies on a container of it.
func (f Flag) Covers(c *Container) bool {
	return f.Part && (slices.Contains(f.Containers, c.Code) || f.within(c.FilledTo))
}

// Before tells whether what was drawn at a time cannot be of the part that is held.
func (f Flag) Before(drawn time.Time) bool { return f.Part && !drawn.IsZero() && drawn.Before(f.Since) }

// Fill is loose goods that a run put into a lot.
type Fill struct {
	At       time.Time
	Quantity lot.Quantity
}

// Disposition is what quality decided about held goods, with what is left of it.
type Disposition struct {
	ID       string
	Hold     string
	Lot      lot.ID
	Decision lot.Disposition
	Left     lot.Quantity
}

// Item is an item as intake last told it.
type Item struct {
	ID      lot.ItemID
	Kind    lot.ItemKind
	Measure lot.Measure
}

// Line is a line of a run, of its newest version.
type Line struct {
	Run      lot.RunID
	Version  int64
	Output   bool
	Number   int64
	Lot      lot.ID
	Item     lot.ItemID
	Role     lot.Role // of an output
	Measure  lot.Measure
	Quantity lot.Quantity
	Unit     lot.Quantity // micropounds of one piece, where kept by count
}

// Pounds is what a line weighs in its run's balance: of goods kept by count, pieces by the weight of one.
func (l Line) Pounds() lot.Quantity {
	if l.Measure == lot.ByCount {
		return l.Quantity * l.Unit
	}
	return l.Quantity
}

// RunState is a run as inventory knows it.
type RunState struct {
	ID      lot.RunID
	Version int64 // 0: not told yet
	Stage   string
	Owner   lot.PartyID
	Final   bool
	Lines   []Line // of this version
}

// Totals are the pounds in and out of a run's lines.
func (r *RunState) Totals() (in, out lot.Quantity) {
	for _, l := range r.Lines {
		if l.Output {
			out += l.Pounds()
		} else {
			in += l.Pounds()
		}
	}
	return in, out
}

// Want names what a command touches.
type Want struct {
	Runs    []lot.RunID
	Lots    []lot.ID
	Born    []lot.ID // of the lots, those that may be born: who claimed their codes is read too
	Items   []lot.ItemID
	Parties []lot.PartyID
	Places  []lot.PlaceID
	Reasons []string
}

// Known is what Lock read.
type Known struct {
	Runs         map[lot.RunID]*RunState
	Lots         map[lot.ID]*Lot
	Balances     map[Spot]Balance
	Containers   map[lot.ID][]*Container // by code, then place
	Flags        map[lot.ID][]Flag
	Fills        map[lot.ID][]Fill // of lots with a hold on a fill window
	Dispositions map[lot.ID][]*Disposition
	Claims       map[lot.ID]string // who claimed a code
	Items        map[lot.ItemID]Item
	Units        map[lot.ItemID]lot.Quantity // micropounds of one piece of items kept by count, where runs are wanted; packaging weighs nothing
	Parties      map[lot.PartyID]bool
	Places       map[lot.PlaceID]Place
	Reasons      map[string]lot.Account
	Spreading    bool // some hold has not reached all its descendants yet
	Accepted     bool // what is booked was accepted before and is made again: only what adds up is asked
}

// Place is a registered place, with the lots that lie there where it is a bin.
type Place struct {
	Bin  bool
	Lots []lot.ID
}

// Since asks for the legs of a spot from a time on.
type Since struct {
	Spot Spot
	At   time.Time
}

// Entry is what the legs of a spot under one key add up to.
type Entry struct {
	Spot     Spot
	Key      Key
	Quantity lot.Quantity
}

// Edge joins a node that went in with one that came out of it. Nodes are lots and runs.
type Edge struct {
	Parent, Child string
	Fact          string
}

// RunNode is the node of a run among lots: no lot's code has a blank.
func RunNode(id lot.RunID) string { return " " + string(id) }

// Claim is a code with who claimed it.
type Claim struct {
	Lot      lot.ID
	Claimant string
}

// Marked is a hold on a lot.
type Marked struct {
	Hold string
	Lot  lot.ID
}

// Spared is a lot that a hold does not reach, with the reason.
type Spared struct {
	Marked
	Reason string
}

// Change is all that a book writes.
type Change struct {
	Movement      string
	Facts         []string // natural keys that are used now, and never again
	Claims        []Claim
	Lots          []*Lot // born or changed
	Legs          []Leg
	Balances      map[Spot]Balance
	Containers    []*Container // touched
	Cut           []string     // facts whose edges no longer stand
	Edges         []Edge
	Runs          []*RunState
	Lines         []Line
	Contributions map[lot.RunID][]lot.Contribution // in place of the run's; nil: none
	Flags         []Marked
	Spared        []Spared           // lots that a hold does not reach
	Spread        []Marked           // lots whose descendants a hold must still reach, the lot included
	Spent         []SpentDisposition // drawn from dispositions
	Emptied       []Emptied
}

// SpentDisposition is what a movement drew from a disposition.
type SpentDisposition struct {
	ID       string
	Quantity lot.Quantity
}

// Tx is what the ledger needs of one transaction.
type Tx interface {
	OverTx
	// At is the one time of recording of the transaction.
	At() time.Time
	// Lock locks the runs, then the lots, each in key order, and reads what is known of all that is named. A run not told yet is made, at
	// version 0; a lot not there is left out.
	Lock(ctx context.Context, want Want) (*Known, error)
	// Timeline gives the legs of spots from a time on, added up by key.
	Timeline(ctx context.Context, since []Since) ([]Entry, error)
	// Write writes a change, all in one go.
	Write(ctx context.Context, c *Change) error
	// FactLegs gives the legs of facts, added up by spot or account and key, in key order. Those taken back are there with nothing, so that
	// one can tell when the fact was.
	FactLegs(ctx context.Context, facts []string) ([]Leg, error)
	// Flags gives the holds on lots without locking them.
	Flags(ctx context.Context, lots []lot.ID) (map[lot.ID][]Flag, error)
	// HeldAbove finds an ancestor of the lots, or one of them, on which a spreading hold lies; an empty hold: none.
	HeldAbove(ctx context.Context, lots []lot.ID) (Marked, error)
	// FeedsItself tells whether a node, a lot or a run, is among what it is made from. Until the transaction ends no other may ask.
	FeedsItself(ctx context.Context, node string) (bool, error)
}

// State is a lot as it is shown.
type State struct {
	Lot
	Balances   []SpotBalance
	Holds      []string
	Containers []ContainerState
}

// ContainerState is a container as it is shown, with the holds on it beside those on the whole lot.
type ContainerState struct {
	Container
	Holds []string
}

// SpotBalance is what lies at a spot.
type SpotBalance struct {
	Spot
	Quantity lot.Quantity
}

// NamedPlace is a place as it is listed.
type NamedPlace struct {
	ID   lot.PlaceID
	Name string
	Bin  bool
	Over lot.Quantity // of a bin: how far the draws of one lot may go over its book, all together
}

// Check refuses a tolerance for draws over the book of what is no bin: elsewhere goods are weighed as they come in.
func (p NamedPlace) Check() error {
	if p.Over != 0 && !p.Bin {
		return fault.Invalid("tolerance_without_bin", "place %s: draws may go over the book by %s, but it is no bin", p.ID, Amount(p.Over, lot.ByWeight))
	}
	return nil
}
