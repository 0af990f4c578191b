package sim

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/lot"
)

// plant is what the callers know, all of them together, of what was accepted.
type plant struct {
	left    int // commands still to be sent
	ops     []*op
	refused map[string]int // by reason

	ledger    *ledger // by the accepted commands alone
	lots      []*knownLot
	runs      []*knownRun
	shipments []*knownShipment
	adjusted  []*knownAdjustment
	holds     []*knownHold
	names     int
}

type knownLot struct {
	id         lot.ID
	item       string
	owner      lot.PartyID
	seller     bool // title has not passed
	place      lot.PlaceID
	born       time.Time
	ticket     bool // it came in at the gate
	bin        bool
	gone       bool
	counted    bool     // kept by count
	containers []string // that were filled, each once
}

type knownRun struct {
	id         lot.RunID
	start, end time.Time
	open       bool
	owner      lot.PartyID
	inputs     []*runLine
	outputs    []*runLine
	table      []lot.Contribution
}

type runLine struct {
	lot      *knownLot
	place    lot.PlaceID
	code     string // of a container
	quantity lot.Quantity
	role     lot.Role
	at       time.Time
}

type knownShipment struct {
	id    string
	kind  lot.ShipmentKind
	to    lot.PartyID
	of    *knownLot
	place lot.PlaceID
	q     lot.Quantity
	at    time.Time
}

type knownAdjustment struct {
	id     string
	of     *knownLot
	place  lot.PlaceID
	delta  lot.Quantity
	reason string
}

type knownHold struct {
	id     string
	root   *knownLot
	recall bool
	ended  bool
	spent  []string // dispositions
}

// accept takes note of an accepted command.
func (p *plant) accept(o *op, answer proto.Message) {
	o.answer, o.refusal = answer, nil
	if o.facts != nil {
		p.ledger.put(o.facts(answer)...)
	}
	if o.then != nil {
		o.then(answer)
	}
}

// name makes a new name of a kind.
func (p *plant) name(kind string) string {
	p.names++
	return fmt.Sprintf("%s-%d", kind, p.names)
}

// draw makes the next command. Some kinds need what only others make; then nothing is sent.
func (p *plant) draw(w *World) *op {
	kinds := []struct {
		weight int
		make   func(w *World) *op
	}{
		{14, deliver}, {6, correctDelivery}, {2, voidDelivery}, {3, settle}, {4, buy}, {1, reprice},
		{14, recordRun}, {4, pack}, {5, correctRun}, {5, openRun}, {9, dump}, {9, fill}, {6, completeRun}, {3, postCharge},
		{5, move}, {4, adjust}, {9, ship}, {4, takeBack}, {7, placeHold}, {3, exclude}, {7, dispose}, {2, releaseHold}, {4, pour}, {2, emptyBin},
	}
	total := 0
	for _, k := range kinds {
		total += k.weight
	}
	for range 8 {
		at := w.rng.IntN(total)
		for _, k := range kinds {
			if at -= k.weight; at < 0 {
				if o := k.make(w); o != nil {
					return o
				}
				break
			}
		}
	}
	return deliver(w)
}

// accepted is some command that was accepted.
func (p *plant) accepted(w *World) *op {
	if len(p.ops) == 0 {
		return nil
	}
	if o := p.ops[w.rng.IntN(len(p.ops))]; o.answer != nil {
		return o
	}
	return nil
}

// pick is some known lot that fits.
func (p *plant) pick(w *World, fits func(l *knownLot) bool) *knownLot {
	var all []*knownLot
	for _, l := range p.lots {
		if !l.gone && fits(l) {
			all = append(all, l)
		}
	}
	if len(all) == 0 {
		return nil
	}
	return all[w.rng.IntN(len(all))]
}

func (p *plant) anyLot(w *World) *knownLot { return p.pick(w, func(*knownLot) bool { return true }) }

// lies is what the callers believe to lie of a lot where they believe it to be.
func (p *plant) lies(l *knownLot) lot.Quantity { return p.ledger.lies(spot{l.id, l.place}) }

// some is a quantity of a lot: mostly a part of what lies there, at times all of it or more.
func (p *plant) some(w *World, l *knownLot) lot.Quantity {
	lies := p.lies(l)
	switch w.rng.IntN(12) {
	case 0:
		return lies + lot.Quantity(1+w.rng.Int64N(5_000_000))
	case 1, 2, 3:
		return max(lies, 1)
	}
	return max(lies*lot.Quantity(1+w.rng.Int64N(9))/10, 1)
}

func (p *plant) add(l *knownLot) *knownLot {
	p.lots = append(p.lots, l)
	return l
}

func (p *plant) lot(id string) *knownLot {
	i := slices.IndexFunc(p.lots, func(l *knownLot) bool { return string(l.id) == id })
	if i < 0 {
		return nil
	}
	return p.lots[i]
}

func isKernel(item string) bool { return strings.HasPrefix(item, "K") }
