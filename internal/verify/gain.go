package verify

import (
	"fmt"
	"time"
)

// draw names goods that a fact took out of a lot at a moment.
type draw struct {
	fact, lot string
	at        int64 // microseconds, as the ledger keeps time
}

// checkGains holds every count gain that a draw over the book of a bin lot made to that draw: it stands as long as the draw does, at its moment,
// is no more than what was drawn, and was made while the bin's tolerance was not known to have ended for the lot.
func (b *book) checkGains(r *Report) {
	drawn := map[draw]int64{}
	for id, g := range b.lots {
		for _, l := range g.legs {
			switch l.kind {
			case dumped:
				drawn[draw{"run/" + l.run.id, id, l.at.UnixMicro()}] -= l.quantity
			case pouredOut:
				drawn[draw{"pour/" + l.key, id, l.at.UnixMicro()}] -= l.quantity
			case movedOut:
				drawn[draw{"move/" + l.key, id, l.at.UnixMicro()}] -= l.quantity
			}
		}
	}
	for key, l := range b.shipLegs {
		drawn[draw{fmt.Sprintf("shipment/%s/%d", key.shipment, key.line), l.lot, l.at.UnixMicro()}] -= l.quantity
	}
	for _, name := range sorted(b.adjusted) {
		a := b.adjusted[name]
		if a.of.GetDrawnBy() == "" || a.of.GetDelta() == 0 {
			continue
		}
		took := drawn[draw{a.of.GetDrawnBy(), a.of.GetLot(), a.at.UnixMicro()}]
		if a.of.GetDelta() < 0 || a.of.GetDelta() > took {
			g := b.lot(a.of.GetLot())
			r.differ("stock", a.of.GetLot()+" gain "+name, "at most the "+quantity(g, took)+" that "+a.of.GetDrawnBy()+" took at "+a.at.Format(time.RFC3339Nano),
				quantity(g, a.of.GetDelta()))
		}
		if why := b.endedGain(a); why != "" {
			r.differ("stock", a.of.GetLot()+" gain "+name, "none: "+why, quantity(b.lot(a.of.GetLot()), a.of.GetDelta()))
		}
	}
}
