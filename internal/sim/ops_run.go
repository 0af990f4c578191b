package sim

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// inputs draws what a run takes in: lots of one owner, rarely of two.
func (w *World) inputs(of *knownRun) []*runLine {
	p := &w.plant
	var first *knownLot
	if len(of.inputs) > 0 {
		first = of.inputs[0].lot
	}
	var out []*runLine
	for range 1 + w.rng.IntN(3) {
		l := p.pick(w, func(l *knownLot) bool {
			same := first == nil || l.owner == first.owner || w.rng.IntN(20) == 0
			taken := func(r *runLine) bool { return r.lot == l }
			return same && !l.counted && p.lies(l) > 0 && !slices.ContainsFunc(out, taken) && !slices.ContainsFunc(of.outputs, taken) && (l.item == inShell || isKernel(l.item))
		})
		if l == nil {
			break
		}
		first = l
		line := &runLine{lot: l, place: l.place, quantity: p.some(w, l), at: of.start}
		if n := len(l.containers); n > 0 && w.rng.IntN(2) == 0 {
			line.code = l.containers[w.rng.IntN(n)]
		}
		out = append(out, line)
	}
	return out
}

// outputs draws what comes of so many pounds.
func (w *World) outputs(of *knownRun, in lot.Quantity) []*runLine {
	var out []*runLine
	left := in
	for _, kind := range []struct {
		item string
		role lot.Role
	}{{halves, lot.Main}, {pieces, lot.Main}, {shell, lot.ByProduct}, {trash, lot.Waste}} {
		q := left * lot.Quantity(1+w.rng.Int64N(6)) / 10
		if q <= 0 || kind.role != lot.Main && w.rng.IntN(2) == 0 {
			continue
		}
		left -= q
		l := &knownLot{id: lot.ID(w.plant.name("L")), item: kind.item, owner: of.owner, born: of.end}
		out = append(out, &runLine{lot: l, quantity: q, role: kind.role, at: of.end})
	}
	return out
}

func inputLine(l *runLine) *productionv1.InputLine {
	return &productionv1.InputLine{Lot: string(l.lot.id), Quantity: int64(l.quantity), Place: string(l.place), Container: l.code}
}

func outputLine(l *runLine) *productionv1.OutputLine {
	return &productionv1.OutputLine{
		Lot: string(l.lot.id), Item: l.lot.item, Quantity: int64(l.quantity), Role: lotwire.Role(l.role), Place: string(l.place), Container: l.code,
	}
}

func factsOf(r *knownRun) *productionv1.RunFacts {
	f := &productionv1.RunFacts{Run: string(r.id), Stage: stage, Start: lotwire.Time(r.start), End: lotwire.Time(r.end)}
	for _, l := range r.inputs {
		f.Inputs = append(f.Inputs, inputLine(l))
	}
	for _, l := range r.outputs {
		f.Outputs = append(f.Outputs, outputLine(l))
	}
	f.Contributions = lotwire.Contributions(r.table)
	return f
}

// lines is what a run does to stock, told by its requests.
func lines(id lot.RunID, version int64, part string, in, out []*runLine) []entry {
	legs := map[spot]lot.Quantity{}
	for _, l := range in {
		legs[spot{l.lot.id, l.place}] -= l.quantity
	}
	for _, l := range out {
		legs[spot{l.lot.id, l.place}] += l.quantity
	}
	return []entry{{"run/" + string(id), version, part, legs}}
}

func recordRun(w *World) *op {
	end := w.moment(w.now.Add(-time.Hour))
	r := &knownRun{id: lot.RunID(w.plant.name("R")), start: end.Add(-20 * time.Minute), end: end}
	if r.inputs = w.inputs(r); len(r.inputs) == 0 {
		return nil
	}
	r.owner = r.inputs[0].lot.owner
	var in lot.Quantity
	for _, l := range r.inputs {
		in += l.quantity
		if r.start.Before(l.lot.born) {
			r.start = l.lot.born
		}
	}
	if !r.end.After(r.start) {
		r.end = r.start.Add(time.Second)
	}
	if r.outputs = w.outputs(r, in); w.rng.IntN(4) == 0 {
		w.contribute(r)
	}
	return w.recorded(r)
}

// recorded is a whole run told at once.
func (w *World) recorded(r *knownRun) *op {
	req := &productionv1.RecordRunRequest{Run: factsOf(r)}
	if w.rng.IntN(2) == 0 {
		req.Run.Charges = []*eventv1.ChargePosted{charge(w)}
	}
	o := request(lot.Production, "record run", req, func(ctx context.Context, q *productionv1.RecordRunRequest) (*productionv1.RecordRunResponse, error) {
		return w.production.Commands().RecordRun(ctx, q)
	}, func(q *productionv1.RecordRunRequest) { q.Run.Inputs[0].Quantity++ })
	facts := lines(r.id, 1, "whole", r.inputs, r.outputs)
	o.facts = func(proto.Message) []entry { return facts }
	o.then = func(proto.Message) {
		w.plant.runs = append(w.plant.runs, r)
		for _, l := range r.outputs {
			w.plant.add(l.lot)
		}
	}
	return o
}

// contribute says which pounds of each input went into each output, and makes the outputs what that adds up to.
func (w *World) contribute(r *knownRun) {
	left := map[*runLine]lot.Quantity{}
	for _, in := range r.inputs {
		left[in] = in.quantity
	}
	var outputs []*runLine
	for _, out := range r.outputs {
		var sum lot.Quantity
		for _, in := range r.inputs {
			q := left[in] * lot.Quantity(w.rng.Int64N(7)) / 10
			if q <= 0 {
				continue
			}
			left[in] -= q
			sum += q
			r.table = append(r.table, lot.Contribution{Input: in.lot.id, Output: out.lot.id, Quantity: q})
		}
		if sum > 0 {
			out.quantity = sum
			outputs = append(outputs, out)
		}
	}
	r.outputs = outputs
}

// pack makes a run that packs kernels by count.
func pack(w *World) *op {
	p := &w.plant
	l := p.pick(w, func(l *knownLot) bool { return isKernel(l.item) && p.lies(l) > 4*packUnit })
	if l == nil {
		return nil
	}
	end := w.now.Truncate(time.Second)
	start := end.Add(-time.Minute)
	if start.Before(l.born) {
		start = l.born
	}
	if !end.After(start) {
		return nil
	}
	r := &knownRun{id: lot.RunID(p.name("R")), start: start, end: end, owner: l.owner}
	in := &runLine{lot: l, place: l.place, quantity: p.some(w, l), at: start}
	r.inputs = []*runLine{in}
	n := in.quantity / packUnit * lot.Quantity(8+w.rng.Int64N(3)) / 10
	if n <= 0 {
		return nil
	}
	r.outputs = []*runLine{{
		lot: &knownLot{id: lot.ID(p.name("L")), item: packs, owner: l.owner, born: end, counted: true}, quantity: n, role: lot.Main, at: end,
	}}
	return w.recorded(r)
}

func charge(w *World) *eventv1.ChargePosted {
	return lotwire.ChargePosted(lot.ChargePosted{ChargeKind: lot.Labour, HoursMillionths: 1 + w.rng.Int64N(9_000_000), Rate: 21_370_000})
}

func (p *plant) run(w *World, open bool) *knownRun {
	var all []*knownRun
	for _, r := range p.runs {
		if r.open == open {
			all = append(all, r)
		}
	}
	if len(all) == 0 {
		return nil
	}
	return all[w.rng.IntN(len(all))]
}

func correctRun(w *World) *op {
	was := w.plant.run(w, false)
	if was == nil || len(was.inputs) == 0 {
		return nil
	}
	r := &knownRun{id: was.id, start: was.start, end: was.end, owner: was.owner}
	var in, out lot.Quantity
	for _, l := range was.inputs {
		q := l.quantity + lot.Quantity(w.rng.Int64N(20_000_000)-10_000_000)
		r.inputs = append(r.inputs, &runLine{lot: l.lot, place: l.place, code: l.code, quantity: max(q, 1), role: l.role, at: l.at})
		in += max(q, 1)
	}
	for _, l := range was.outputs {
		q := max(l.quantity*lot.Quantity(85+w.rng.Int64N(20))/100, 1)
		if w.rng.IntN(8) == 0 && len(was.outputs) > 1 {
			continue
		}
		r.outputs = append(r.outputs, &runLine{lot: l.lot, place: l.place, code: l.code, quantity: q, role: l.role, at: l.at})
		out += q
	}
	req := &productionv1.CorrectRunRequest{Run: factsOf(r), Reason: "read wrong"}
	var used []entry
	if len(was.outputs) > 0 && w.rng.IntN(3) == 0 {
		req.Shipments, req.Adjustments, used = w.uses(was.outputs[w.rng.IntN(len(was.outputs))].lot)
	}
	if out > in {
		req.Run.GainReason = "scale"
	}
	o := request(lot.Production, "correct run", req, func(ctx context.Context, q *productionv1.CorrectRunRequest) (*productionv1.CorrectRunResponse, error) {
		return w.production.Commands().CorrectRun(ctx, q)
	}, func(q *productionv1.CorrectRunRequest) { q.Reason = "another" })
	facts := lines(r.id, 0, "whole", r.inputs, r.outputs)
	o.facts = func(a proto.Message) []entry {
		return versioned(append(facts, used...), a.(*productionv1.CorrectRunResponse).GetVersion())
	}
	o.then = func(proto.Message) { was.inputs, was.outputs, was.table = r.inputs, r.outputs, nil }
	return o
}

func openRun(w *World) *op {
	start := w.moment(w.now.Add(-30 * time.Minute))
	r := &knownRun{id: lot.RunID(w.plant.name("R")), start: start, open: true}
	req := &productionv1.OpenRunRequest{Run: string(r.id), Stage: stage, Start: lotwire.Time(start)}
	o := request(lot.Production, "open run", req, func(ctx context.Context, q *productionv1.OpenRunRequest) (*productionv1.OpenRunResponse, error) {
		return w.production.Commands().OpenRun(ctx, q)
	}, func(q *productionv1.OpenRunRequest) { q.Recipe = "another" })
	o.then = func(proto.Message) { w.plant.runs = append(w.plant.runs, r) }
	return o
}

func dump(w *World) *op {
	r := w.plant.run(w, true)
	if r == nil {
		return nil
	}
	in := w.inputs(r)
	if len(in) == 0 {
		return nil
	}
	l := in[0]
	l.at = w.now.Truncate(time.Second)
	m := inputLine(l)
	m.DumpedFrom = lotwire.Time(l.at)
	req := &productionv1.DumpInputRequest{Run: string(r.id), Input: m}
	o := request(lot.Production, "dump input", req, func(ctx context.Context, q *productionv1.DumpInputRequest) (*productionv1.DumpInputResponse, error) {
		return w.production.Commands().DumpInput(ctx, q)
	}, func(q *productionv1.DumpInputRequest) { q.Input.Quantity++ })
	facts := lines(r.id, 1, "dump "+w.plant.name("line"), []*runLine{l}, nil)
	o.facts = func(proto.Message) []entry { return facts }
	o.then = func(proto.Message) {
		if len(r.inputs) == 0 {
			r.owner = l.lot.owner
		}
		r.inputs = append(r.inputs, l)
	}
	return o
}

func fill(w *World) *op {
	r := w.plant.run(w, true)
	if r == nil || len(r.inputs) == 0 && w.rng.IntN(4) > 0 {
		return nil
	}
	left := lot.Quantity(w.rng.Int64N(50_000_000) + 1)
	for _, l := range r.inputs {
		left += l.quantity
	}
	for _, l := range r.outputs {
		left -= l.quantity
	}
	kind := []string{halves, pieces}[w.rng.IntN(2)]
	l := &runLine{role: lot.Main, quantity: max(left/lot.Quantity(2+w.rng.Int64N(3)), 1), at: w.now.Truncate(time.Second)}
	again := false
	if n := len(r.outputs); n > 0 && w.rng.IntN(3) == 0 {
		l.lot, again = r.outputs[w.rng.IntN(n)].lot, true
	} else {
		l.lot = &knownLot{id: lot.ID(w.plant.name("L")), item: kind, owner: r.owner, born: l.at}
	}
	if w.rng.IntN(3) == 0 {
		l.code = w.plant.name("C")
	}
	m := outputLine(l)
	m.FilledTo = lotwire.Time(l.at)
	req := &productionv1.FillOutputRequest{Run: string(r.id), Output: m}
	o := request(lot.Production, "fill output", req, func(ctx context.Context, q *productionv1.FillOutputRequest) (*productionv1.FillOutputResponse, error) {
		return w.production.Commands().FillOutput(ctx, q)
	}, func(q *productionv1.FillOutputRequest) { q.Output.Quantity++ })
	part := "fill " + w.plant.name("line")
	o.facts = func(proto.Message) []entry {
		return []entry{{"run/" + string(r.id), 1, part, map[spot]lot.Quantity{{l.lot.id, ""}: l.quantity}}}
	}
	o.then = func(proto.Message) {
		r.outputs = append(r.outputs, l)
		if l.code != "" {
			l.lot.containers = append(l.lot.containers, l.code)
		}
		if !again {
			w.plant.add(l.lot)
		}
	}
	return o
}

func completeRun(w *World) *op {
	r := w.plant.run(w, true)
	if r == nil || len(r.inputs) == 0 {
		return nil
	}
	end := w.now.Truncate(time.Second)
	req := &productionv1.CompleteRunRequest{Run: string(r.id), End: lotwire.Time(end)}
	if w.rng.IntN(2) == 0 {
		req.GainReason = "scale"
	}
	o := request(lot.Production, "complete run", req, func(ctx context.Context, q *productionv1.CompleteRunRequest) (*productionv1.CompleteRunResponse, error) {
		return w.production.Commands().CompleteRun(ctx, q)
	}, func(q *productionv1.CompleteRunRequest) { q.GainReason += "another" })
	o.then = func(proto.Message) { r.open, r.end = false, end }
	return o
}

func postCharge(w *World) *op {
	r := w.plant.run(w, w.rng.IntN(2) == 0)
	if r == nil {
		return nil
	}
	c := charge(w)
	c.Charge, c.Runs = w.plant.name("charge"), []string{string(r.id)}
	if other := w.plant.run(w, false); other != nil && other != r && w.rng.IntN(2) == 0 {
		c.Runs = append(c.Runs, string(other.id))
	}
	req := &productionv1.PostChargeRequest{Charge: c, Effective: lotwire.Time(w.now)}
	return request(lot.Production, "post charge", req, func(ctx context.Context, q *productionv1.PostChargeRequest) (*productionv1.PostChargeResponse, error) {
		return w.production.Commands().PostCharge(ctx, q)
	}, func(q *productionv1.PostChargeRequest) { q.Charge.HoursMillionths++ })
}
