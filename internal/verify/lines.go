package verify

import (
	"fmt"
	"slices"

	"huskline/internal/money"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
)

// checkLines works out again every figure that an event carries beside the facts it follows from.
func (b *book) checkLines(r *Report) {
	n := 0
	for _, id := range b.order {
		g := b.lots[id]
		if g.receipt == nil || g.receipt.voided {
			continue
		}
		b.checkReceipt(g, r)
		n++
	}
	r.count("receipts and final prices", n+len(b.settled))
	for _, id := range b.runIDs {
		b.checkRun(b.runs[id], r)
	}
	r.count("runs", len(b.runIDs))
	for _, c := range b.charges {
		if c.GetHoursMillionths() != 0 {
			want, err := money.Hours(c.GetHoursMillionths(), money.Price(c.GetRateMicros()))
			r.equal("charge", c.GetCharge(), said(want, err), money.Amount(c.GetAmountMicros()))
		}
		for _, id := range c.GetRuns() {
			if n := b.runs[id]; n == nil || n.opened == nil && n.version == 0 {
				r.differ("charge", c.GetCharge(), "a run that was opened", id)
			}
		}
	}
	r.count("charges", len(b.charges))
}

func said(a money.Amount, err error) string {
	if err != nil {
		return err.Error()
	}
	return a.String()
}

func (b *book) checkReceipt(g *goods, r *Report) {
	of := g.receipt.of
	if of.GetSource() == eventv1.Source_SOURCE_DELIVERY && of.GetMeasure() != eventv1.Measure_MEASURE_COUNT {
		net, err := weight.Net(weight.Mass(of.GetGrossMicropounds()), weight.Mass(of.GetTareMicropounds()))
		text := net.String()
		if err != nil {
			text = err.Error()
		}
		r.equal("net", g.id, text, weight.Mass(of.GetQuantity()))
	}
	paid := of.GetQuantity() + g.receipt.variance
	if of.PriceMicros != nil {
		r.equal("price", g.id, said(line(of.GetMeasure(), paid, of.GetPriceMicros())), money.Amount(of.GetPurchaseMicros()))
	}
	if s, ok := b.settled[g.id]; ok && g.receipt.version == 1 {
		r.equal("price", g.id+" final", said(line(of.GetMeasure(), paid, s.of.GetPriceMicros())), money.Amount(s.of.GetPurchaseMicros()))
	}
}

// line is what is paid for pounds or pieces at a price: to the cent, half up.
func line(m eventv1.Measure, quantity, price int64) (money.Amount, error) {
	if m == eventv1.Measure_MEASURE_COUNT {
		return money.Pieces(quantity, money.Price(price))
	}
	return money.CentLine(weight.Mass(quantity), money.Price(price))
}

// checkRun compares what production said of a run with the lines that inventory posted.
func (b *book) checkRun(n *run, r *Report) {
	subject := "run " + n.id
	in, out := b.runMass(n)
	if out > in && n.final && n.gain == "" {
		r.differ("run", subject, "no more out than in, or a recorded gain", fmt.Sprintf("%s lb in, %s lb out", weight.Mass(in), weight.Mass(out)))
	}
	c := n.completed
	r.equal("run", subject+" complete", n.final, c != nil)
	if c != nil && n.final {
		r.equal("run", subject+" version", n.version, c.GetVersion())
		r.equal("run", subject+" input", weight.Mass(in), weight.Mass(c.GetInputMicropounds()))
		r.equal("run", subject+" output", weight.Mass(out), weight.Mass(c.GetOutputMicropounds()))
		r.equal("run", subject+" unaccounted", weight.Mass(in-out), weight.Mass(c.GetUnaccountedMicropounds()))
	}
	if n.opened != nil && n.version > 0 {
		r.equal("run", subject+" owner", n.opened.GetOwner(), n.owner)
		r.equal("run", subject+" stage", n.opened.GetStage(), n.stage)
	}
	b.checkTable(n, r)
}

// checkTable adds up a contribution table: what an input put into outputs is no more than went in, what an output has is what came out.
func (b *book) checkTable(n *run, r *Report) {
	if len(n.contributions) == 0 {
		return
	}
	from, to := map[string]int64{}, map[string]int64{}
	for _, c := range n.contributions {
		from[c.GetInput()] += c.GetQuantity()
		to[c.GetOutput()] += c.GetQuantity()
	}
	took, gave := map[string]int64{}, map[string]int64{}
	for _, i := range n.inputs {
		took[i.GetLot()] += i.GetQuantity()
	}
	for _, o := range n.outputs {
		gave[o.GetLot()] += o.GetQuantity()
	}
	for _, id := range sorted(from) {
		if from[id] > took[id] {
			r.differ("run", "run "+n.id+" contributions of "+id, "at most "+weight.Mass(took[id]).String(), weight.Mass(from[id]))
		}
	}
	for _, id := range sorted(to) {
		r.equal("run", "run "+n.id+" contributions to "+id, weight.Mass(gave[id]), weight.Mass(to[id]))
	}
	r.count("contribution tables", 1)
}

func sorted[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// runMass is all that went into a run and all that came out of it, micropounds.
func (b *book) runMass(n *run) (in, out int64) {
	for _, i := range n.inputs {
		g := b.lot(i.GetLot())
		in += b.mass(g.item, g.measure, i.GetQuantity())
	}
	for _, o := range n.outputs {
		out += b.mass(o.GetItem(), o.GetMeasure(), o.GetQuantity())
	}
	return in, out
}
