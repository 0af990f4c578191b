package verify

import (
	"cmp"
	"strings"
	"time"

	eventv1 "huskline/proto/huskline/event/v1"
)

// binLog is what inventory said of bins, in its order, so that a count gain can be judged by what was accepted before it.
type binLog struct {
	said    int // events so far
	came    []coming
	emptied []sight
	gains   []gained
}

// moment is the place of a fact in the order of facts.
type moment struct {
	at   int64 // microseconds
	rank int
	name string
}

func (m moment) before(o moment) bool {
	return cmp.Or(cmp.Compare(m.at, o.at), cmp.Compare(m.rank, o.rank), strings.Compare(m.name, o.name)) < 0
}

// coming is goods of a lot that an order brought to a place, as it was said once.
type coming struct {
	moment
	lot, place string
	said       int
	pour       bool
	version    int64 // of a run
}

// sight is a bin lot seen empty.
type sight struct {
	lot, place, name string
	at               int64
	said             int
}

// gained is a count gain as it was said once.
type gained struct {
	lot, place, draw string
	at, quantity     int64
	said             int
}

// note keeps what an event of inventory says of bins, once the facts have taken it in.
func (l *binLog) note(f *facts, e *eventv1.Event, at time.Time) {
	l.said++
	switch body := e.GetBody().(type) {
	case *eventv1.Event_LotPoured:
		l.pour(f, body.LotPoured)
	case *eventv1.Event_RunPosted:
		l.run(body.RunPosted)
	case *eventv1.Event_LotMoved:
		m := body.LotMoved
		l.come(coming{moment: moment{at.UnixMicro(), rankMove, m.GetMovement()}, lot: m.GetLot(), place: m.GetToPlace()})
	case *eventv1.Event_LotReturned:
		c := body.LotReturned
		l.come(coming{moment: moment{at.UnixMicro(), rankReceipt, c.GetReturnId()}, lot: c.GetLot(), place: c.GetPlace()})
	case *eventv1.Event_BinEmptied:
		b := body.BinEmptied
		l.emptied = append(l.emptied, sight{b.GetBinLot(), b.GetPlace(), b.GetEmptying(), at.UnixMicro(), l.said})
	case *eventv1.Event_LotAdjusted:
		if a := body.LotAdjusted; a.GetDrawnBy() != "" {
			l.gains = append(l.gains, gained{a.GetLot(), a.GetPlace(), a.GetDrawnBy(), at.UnixMicro(), a.GetDelta(), l.said})
		}
	case *eventv1.Event_LotsCorrected:
		for _, p := range body.LotsCorrected.GetPours() {
			l.pour(f, p)
		}
		for _, p := range body.LotsCorrected.GetRuns() {
			l.run(p)
		}
	}
}

func (l *binLog) pour(f *facts, p *eventv1.LotPoured) {
	m := moment{f.pours[p.GetPour()].at.UnixMicro(), rankMove, p.GetPour()}
	if p.GetQuantity() != 0 {
		l.come(coming{moment: m, lot: p.GetBinLot(), place: p.GetBinPlace(), pour: true})
	}
}

func (l *binLog) run(p *eventv1.RunPosted) {
	for _, o := range p.GetOutputs() {
		m := moment{o.GetAt().AsTime().UnixMicro(), rankRun, p.GetRun()}
		l.come(coming{moment: m, lot: o.GetLot(), place: o.GetPlace(), version: p.GetVersion()})
	}
}

func (l *binLog) come(c coming) {
	if c.said = l.said; c.place != "" {
		l.came = append(l.came, c)
	}
}

// endedGain says why a gain could not have been accepted, empty: it could. Its lot had been seen empty before the draw, or an order had brought another lot to the
// bin after what was poured last of this one. Deliveries, purchases and counts are left aside: when they became known to inventory beside a draw, no event tells.
// So is what a correction has changed since. One that is stated again stands as long as it did.
func (b *book) endedGain(a *adjustment) string {
	l, g := &b.log, gained{a.of.GetLot(), a.of.GetPlace(), a.of.GetDrawnBy(), a.at.UnixMicro(), a.of.GetDelta(), b.log.said}
	for _, was := range l.gains {
		if was.lot == g.lot && was.place == g.place && was.draw == g.draw && was.at == g.at && was.quantity >= g.quantity {
			g.said = min(g.said, was.said)
		}
	}
	for _, e := range l.emptied {
		if e.lot == g.lot && e.place == g.place && e.at <= g.at && e.said < g.said {
			return "the lot was seen empty before (" + e.name + ")"
		}
	}
	draw, last := g.moment(), moment{}
	for _, c := range l.came {
		if c.lot == g.lot && c.place == g.place && c.rank == rankMove && c.before(draw) && last.before(c.moment) {
			last = c.moment
		}
	}
	for _, c := range l.came {
		if c.lot != g.lot && c.place == g.place && c.said < g.said && c.before(draw) && last.before(c.moment) && b.stands(c) {
			return "lot " + c.lot + " had come there (" + c.name + ")"
		}
	}
	return ""
}

// moment is that of the draw.
func (g gained) moment() moment {
	kind, name, _ := strings.Cut(g.draw, "/")
	m := moment{g.at, rankMove, name}
	switch kind {
	case "run":
		m.rank = rankRun
	case "shipment":
		m.rank, m.name = rankShipment, name[:max(0, strings.LastIndexByte(name, '/'))]
	}
	return m
}

// stands tells whether what came is what stands today of its fact.
func (b *book) stands(c coming) bool {
	switch {
	case c.rank == rankRun:
		return b.runs[c.name].version == c.version
	case c.pour:
		p := b.pours[c.name]
		return p.of.GetBinLot() == c.lot && p.of.GetBinPlace() == c.place && p.of.GetQuantity() != 0
	}
	return true
}
