package sim

import (
	"fmt"
	"slices"
	"strings"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// Spot is where goods of a lot lie, and whose they are.
type Spot struct {
	Lot   lot.ID
	Place lot.PlaceID
	Owner lot.PartyID
}

// Lot is a lot as the ledger has it.
type Lot struct {
	ID     lot.ID
	Item   lot.ItemID
	Owner  lot.PartyID
	Made   lot.Quantity
	Voided bool
	Maker  string
}

// Run is a run as the ledger has it.
type Run struct {
	ID      lot.RunID
	Version int64
	Owner   lot.PartyID
	Final   bool
	In, Out lot.Quantity // pounds: pieces by the weight of one
	// Rest is what is left in process, by measure: what went in less what came out, and nothing once it is complete.
	Rest    [2]lot.Quantity
	Inputs  []lot.ID
	Outputs []lot.ID
}

// Flag is a hold on a lot, or one that was lifted from it.
type Flag struct {
	Hold     string
	Lot      lot.ID
	Excluded bool
	Reason   string
}

// Hold is a hold.
type Hold struct {
	ID    string
	Class lot.HoldClass
	Root  lot.ID
	Ended bool
	Part  bool // it lies on a part of its root
}

// Edge is a step from a lot to one made of it.
type Edge struct{ Parent, Child lot.ID }

// State is the ledger and the holds as they stand.
type State struct {
	Balances map[Spot]lot.Quantity
	Lots     []Lot
	Runs     []Run
	Edges    []Edge
	Holds    []Hold
	Flags    []Flag
	Frontier int
}

// State reads the tables.
func (s *Service) State() State {
	t := &tx{s: s.s}
	out := State{Balances: map[Spot]lot.Quantity{}, Frontier: s.s.frontier.Len()}
	for _, b := range s.s.balances.All() {
		out.Balances[Spot(b.spot)] = b.Quantity
	}
	for _, l := range s.s.lots.All() {
		out.Lots = append(out.Lots, Lot{l.ID, l.Item, l.Owner, l.Made, l.Voided, l.Maker})
	}
	for id := range s.s.runs.All() {
		state := t.run(id, t.units())
		r := Run{ID: id, Version: state.Version, Owner: state.Owner, Final: state.Final}
		r.In, r.Out = state.Totals()
		for _, l := range state.Lines {
			q := l.Quantity
			if l.Output {
				q = -q
			}
			if !r.Final {
				r.Rest[l.Measure-1] += q
			}
			if l.Output {
				r.Outputs = append(r.Outputs, l.Lot)
			} else {
				r.Inputs = append(r.Inputs, l.Lot)
			}
		}
		out.Runs = append(out.Runs, r)
	}
	for _, e := range t.lotEdges() {
		out.Edges = append(out.Edges, Edge{lot.ID(e.Parent), lot.ID(e.Child)})
	}
	for id, h := range s.s.holds.All() {
		out.Holds = append(out.Holds, Hold{id, h.Class, h.Root, h.Ended, h.Flag().Part})
	}
	for _, f := range s.s.flags.All() {
		out.Flags = append(out.Flags, Flag{f.Hold, f.Lot, f.excluded, f.reason})
	}
	return out
}

// Judge holds what a transaction has posted to the rules of the ledger by other means than the ledger's own: every movement sums to zero, every
// balance is the sum of its legs, and no spot ever lies below nothing, at any moment of its timeline.
func (s *Service) Judge() error {
	legs := s.s.legs.Rows()
	fresh := legs[s.judged.Get():]
	if len(fresh) == 0 {
		return nil
	}
	s.judged.Set(len(legs))
	sums, touched := map[string]lot.Quantity{}, map[stock.Spot]bool{}
	for _, l := range fresh {
		sums[fmt.Sprintf("%s by measure %d", l.Movement, l.Measure)] += l.Quantity
		if l.Spot.Lot != "" {
			touched[l.Spot] = true
		}
	}
	for movement, sum := range sums {
		if sum != 0 {
			return fmt.Errorf("legs of movement %s sum to %d", movement, sum)
		}
	}
	for spot := range touched {
		if err := s.judgeSpot(spot, legs); err != nil {
			return err
		}
	}
	return nil
}

func (s *Service) judgeSpot(spot stock.Spot, legs []stock.Leg) error {
	var own []stock.Leg
	for _, l := range legs {
		if l.Spot == spot {
			own = append(own, l)
		}
	}
	slices.SortStableFunc(own, func(a, b stock.Leg) int { return a.Key.Compare(b.Key) })
	var running lot.Quantity
	for i, l := range own {
		running += l.Quantity
		last := i == len(own)-1 || own[i+1].Key.Compare(l.Key) != 0 // what stands under one key happens at once
		if last && running < 0 {
			return fmt.Errorf("lot %s at %q lies at %d after %s of %v", spot.Lot, spot.Place, running, l.Fact, l.Key)
		}
	}
	var contained lot.Quantity
	for _, c := range s.s.containers.All() {
		if c.Quantity < 0 {
			return fmt.Errorf("container %s of lot %s holds %d", c.Code, c.Lot, c.Quantity)
		}
		if l, _ := s.s.lots.Get(spot.Lot); c.Lot == spot.Lot && c.Place == spot.Place && l.Owner == spot.Owner {
			contained += c.Quantity
		}
	}
	if contained > running {
		return fmt.Errorf("lot %s at %q: %d lie there, %d of them in containers", spot.Lot, spot.Place, running, contained)
	}
	if b, _ := s.s.balances.Get(spotKey(spot)); b.Quantity != running {
		return fmt.Errorf("lot %s at %q: its balance is %d, its legs sum to %d", spot.Lot, spot.Place, b.Quantity, running)
	}
	return nil
}

// RunAccounts is what the account of each run holds of work in process, by measure.
func (s *Service) RunAccounts() map[lot.RunID][2]lot.Quantity {
	out := map[lot.RunID][2]lot.Quantity{}
	for _, l := range s.s.legs.Rows() {
		if id, ok := strings.CutPrefix(l.Account, stock.RunAccount("")); ok {
			have := out[lot.RunID(id)]
			have[l.Measure-1] += l.Quantity
			out[lot.RunID(id)] = have
		}
	}
	return out
}
