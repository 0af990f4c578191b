package demoseason

import (
	"sort"
	"time"

	"huskline/internal/money"
	"huskline/internal/weight"
)

// draw is what a run takes of a lot; at is how far into the run its dumping began, in thousandths, below 0 where nobody noted it.
type draw struct {
	from *stock
	w    weight.Mass
	at   int64
}

// made is what a run gives; at is how far into the run its last container was full, below 0 where nobody noted it.
type made struct {
	prefix, item, role string
	w                  weight.Mass
	at                 int64
}

// job is a run to be done as soon as its line is free.
type job struct {
	stage, recipe, owner string
	ready                time.Time
	perHour              int64 // pounds
	crew                 int64
	draws                []draw
	gives                []made
}

// do runs a job: takes its inputs, keeps its outputs and writes the run down. The new lots come in the order of gives.
func (p *plant) do(j job) []*stock {
	var total weight.Mass
	for _, d := range j.draws {
		total += d.w
	}
	length := max(15*time.Minute, time.Duration(int64(total/lb)*3_600/j.perHour)*time.Second)
	line, start := p.book(j.stage, j.ready, length)
	r := run{id: p.code("R"), stage: j.stage, line: line, start: start, end: start.Add(length), recipe: j.recipe,
		machineHours: int64(length / (36 * time.Second)), laborRate: money.Price(p.between(1_550, 1_950)) * 10_000,
		machineRate: money.Price(p.between(2_200, 5_800)) * 10_000, other: money.Amount(p.between(600, 8_400)) * money.Cent}
	r.laborHours = r.machineHours * j.crew
	p.out.runs = append(p.out.runs, r)
	into := func(thousandths int64) time.Time {
		return start.Add(length * time.Duration(thousandths) / 1000).Truncate(time.Second)
	}
	var from []*stock
	for _, d := range j.draws {
		row := runInput{run: r.id, lot: d.from.id, weight: d.w}
		at := start
		if d.at >= 0 {
			at = into(d.at)
			row.from, row.to = at, into(min(990, d.at+400))
		}
		p.take(d.from, d.w, at)
		p.out.inputs = append(p.out.inputs, row)
		from = append(from, d.from)
	}
	var lots []*stock
	for _, g := range j.gives {
		row := runOutput{run: r.id, lot: p.code(g.prefix), item: g.item, weight: g.w, role: g.role}
		born := r.end
		if g.at >= 0 {
			born = into(g.at)
			row.from, row.to = into(g.at/2), born
		}
		if g.role == "main" && j.stage == "shell" {
			row.moisture = p.between(38, 52)
		}
		p.out.outputs = append(p.out.outputs, row)
		lots = append(lots, p.keep(&stock{id: row.lot, item: g.item, owner: j.owner, born: born, made: g.w, from: from}))
	}
	return lots
}

// give adds an output unless nothing comes of it.
func give(to []made, m made) []made {
	if m.w <= 0 {
		return to
	}
	return append(to, m)
}

// bin is a walk-in bin being filled: one item at a time.
type bin struct {
	lot    *stock
	closed time.Time
}

// fillBins pours the walk-in tickets into bins, one series for each item. A bin is drawn when it is full enough; what is left of it is poured
// into the next, which is a lot of its own.
func (p *plant) fillBins() {
	for _, itemID := range []string{"IN-IMP", "IN-NAT"} {
		var b *bin
		for _, d := range p.out.deliveries {
			if d.class != walkIn || d.item != itemID {
				continue
			}
			ticket := p.keep(&stock{id: d.lot, item: d.item, born: d.at, made: d.gross - d.tare, walkIn: true})
			if b == nil {
				b = &bin{lot: &stock{id: p.code("P"), item: itemID}}
			}
			at := p.later(d.at, 8, 70)
			if !at.After(b.closed) {
				at = p.later(b.closed, 2, 9)
			}
			p.pour(b, ticket, ticket.left, at)
			if b.lot.made > 4_500*lb {
				b = p.drawBin(b)
			}
		}
		if b != nil {
			p.drawBin(b)
		}
	}
}

func (p *plant) pour(b *bin, from *stock, w weight.Mass, at time.Time) {
	p.take(from, w, at)
	b.lot.from = append(b.lot.from, from)
	b.lot.made += w
	b.closed = at
	p.out.pours = append(p.out.pours, pour{id: p.code("PR"), at: at, bin: b.lot.id, lot: from.id, weight: w})
}

// drawBin closes a bin and cleans most or all of it. It returns the next bin, with the remainder on its ground, or nil.
func (p *plant) drawBin(b *bin) *bin {
	s := b.lot
	s.born = b.closed
	p.keep(s)
	if s.made < 120*lb {
		return nil
	}
	w := s.made
	if s.id == "P-00001" || p.rng.IntN(3) > 0 { // the first always leaves some
		w = p.share(s.made, 760, 960, lb/2)
	}
	at := p.clean([]draw{{s, w, -1}}, p.later(s.born, 40, 900), "")
	if s.left == 0 {
		return nil
	}
	next := &bin{lot: &stock{id: p.code("P"), item: s.item}}
	p.pour(next, s, s.left, p.later(at, 5, 40))
	return next
}

// cleanAndShell cleans the other deliveries as they came, contract loads by twos, and shells what came of them.
func (p *plant) cleanAndShell() {
	var pending []draw
	for _, d := range p.out.deliveries {
		s := &stock{id: d.lot, item: d.item, born: d.at, made: d.gross - d.tare}
		switch d.class {
		case custom:
			s.owner = d.seller
			p.keep(s)
			p.clean([]draw{{s, s.left, -1}}, p.later(s.born, 300, 4_000), s.owner)
		case grower, ownOrchard:
			p.keep(s)
			p.clean([]draw{{s, s.left, -1}}, p.later(s.born, 300, 3_000), "")
		case contract:
			p.keep(s)
			pending = append(pending, draw{s, s.left, int64(len(pending)) * 480})
			if len(pending) == 2 {
				p.clean(pending, p.later(s.born, 30, 400), "")
				pending = nil
			}
		}
	}
	if len(pending) > 0 {
		p.clean(pending, p.later(pending[0].from.born, 30, 400), "")
	}
}

// clean takes off leaves, sticks and stones and sizes what is left, then sends it to the sheller. It returns when the run began. Of a long run
// the sized nuts are full, and cracked, before it ends.
func (p *plant) clean(in []draw, ready time.Time, owner string) time.Time {
	var total weight.Mass
	for _, d := range in {
		total += d.w
	}
	trash := p.share(total, 9, 58, lb/2)
	rest := total - trash - p.share(total, 1, 3, lb/1000)
	large, medium := p.between(420, 600), p.between(240, 320)
	if in[0].from.item == "IN-NAT" {
		large, medium = p.between(80, 180), p.between(300, 420)
	}
	fill := int64(-1)
	if total > 30_000*lb {
		fill = p.between(700, 940)
	}
	l, m := parts(rest, large, 1000, lb/2), parts(rest, medium, 1000, lb/2)
	gives := give(nil, made{"C", "CL-L", "main", l, fill})
	gives = give(gives, made{"C", "CL-M", "main", m, fill})
	gives = give(gives, made{"C", "CL-S", "main", (rest - l - m) / (lb / 2) * (lb / 2), fill})
	gives = give(gives, made{"T", "TRASH", "waste", trash, -1})
	lots := p.do(job{stage: "clean", owner: owner, ready: ready, perHour: 20_000, crew: p.between(2, 5), draws: in, gives: gives})
	started := p.out.runs[len(p.out.runs)-1].start
	p.shell(lots, owner)
	return started
}

// shell cracks and shells the cleaned lots of one run: everything of a custom client's, most of the company's own.
func (p *plant) shell(cleaned []*stock, owner string) {
	var in []draw
	var total weight.Mass
	var ready time.Time
	for _, s := range cleaned {
		if s.item == "TRASH" {
			continue
		}
		w := s.left
		if owner == "" && s.item == "CL-S" && p.rng.IntN(2) == 0 {
			w = p.share(s.left, 600, 950, lb/2)
		}
		if w <= 0 {
			continue
		}
		in = append(in, draw{s, w, -1})
		total += w
		if s.born.After(ready) {
			ready = s.born
		}
	}
	if len(in) == 0 {
		return
	}
	p.do(job{stage: "shell", owner: owner, ready: p.later(ready, 20, 600), perHour: 6_000, crew: p.between(4, 9), draws: in,
		gives: p.shelled(total, owner, cleaned[0].walkIn)})
}

// shelled is what comes of cracking: 40 to 46 percent kernel, of which 70 to 77 percent halves, as a market note of 2024 has it; the
// rest is shell, oil stock and what dust and drying take. Small lots are sorted into fewer classes.
func (p *plant) shelled(total weight.Mass, owner string, small bool) []made {
	step := lb / 10
	kernel := p.share(total, 400, 460, step)
	oil := p.share(kernel, 18, 34, step)
	lost := p.share(total, 4, 16, lb/1000)
	halves, granules := p.share(kernel, 700, 770, step), p.share(kernel, 15, 35, step)
	pieces := kernel - oil - halves - granules
	early := int64(-1)
	if total > 30_000*lb {
		early = p.between(300, 800)
	}
	var gives []made
	if owner != "" || small && total < 3_000*lb {
		gives = give(gives, made{"N", "PH-JMB", "main", halves, -1})
		gives = give(gives, made{"N", "PP-LRG", "main", pieces, -1})
	} else {
		mammoth, jumbo := p.share(halves, 120, 240, step), p.share(halves, 330, 420, step)
		large, medium := p.share(pieces, 380, 460, step), p.share(pieces, 300, 380, step)
		gives = give(gives, made{"N", "PH-MAM", "main", mammoth, early})
		gives = give(gives, made{"N", "PH-JMB", "main", jumbo, early})
		gives = give(gives, made{"N", "PH-LRG", "main", halves - mammoth - jumbo, early})
		gives = give(gives, made{"N", "PP-LRG", "main", large, -1})
		gives = give(gives, made{"N", "PP-MED", "main", medium, -1})
		gives = give(gives, made{"N", "PP-SML", "main", pieces - large - medium, -1})
	}
	gives = give(gives, made{"N", "PP-GRN", "main", granules, -1})
	gives = give(gives, made{"Y", "OILSTK", "byproduct", oil, -1})
	return give(gives, made{"Y", "SHELL", "byproduct", (total - kernel - lost) / (lb / 2) * (lb / 2), -1})
}

// sortKernels sends lots of halves over the sorting table: broken ones become pieces. Lots of runs that are still going are taken first.
func (p *plant) sortKernels() {
	halves := append(append([]*stock{}, p.byItem["PH-MAM"]...), p.byItem["PH-JMB"]...)
	sort.SliceStable(halves, func(i, j int) bool { return halves[i].made > halves[j].made })
	count := max(8, p.size.Deliveries/6)
	for _, s := range halves[:min(count, len(halves))] {
		w := p.share(s.left, 350, 800, lb/10)
		if w < 20*lb {
			continue
		}
		pieces, oil := p.share(w, 20, 48, lb/1000), p.share(w, 2, 7, lb/1000)
		gives := give(nil, made{"N", s.item, "main", w - pieces - oil - p.share(w, 1, 3, lb/1000), -1})
		gives = give(gives, made{"N", "PP-LRG", "main", pieces, -1})
		gives = give(gives, made{"Y", "OILSTK", "byproduct", oil, -1})
		p.do(job{stage: "sort", ready: p.later(s.born, 10, 90), perHour: 4_500, crew: p.between(5, 8), draws: []draw{{s, w, -1}}, gives: gives})
	}
}

// blendKernels makes two lots of one class out of three, and says how many pounds of each went into which.
func (p *plant) blendKernels() {
	for range max(2, p.size.Deliveries/30) {
		t := p.at(int(p.between(40, 66)))
		var in []draw
		for range 12 {
			s := p.find([]string{"PH-LRG"}, 60*lb, t, func(s *stock) bool { return !drawn(in, s) })
			if s == nil || len(in) == 3 {
				break
			}
			in = append(in, draw{s, p.share(s.left, 300, 700, lb/10), -1})
		}
		if len(in) < 2 {
			continue
		}
		p.blend(in, t)
	}
}

func drawn(in []draw, s *stock) bool {
	for _, d := range in {
		if d.from == s {
			return true
		}
	}
	return false
}

func (p *plant) blend(in []draw, t time.Time) {
	first, second := make([]weight.Mass, len(in)), make([]weight.Mass, len(in))
	var toFirst, toSecond weight.Mass
	for i, d := range in {
		kept := d.w - p.share(d.w, 1, 3, lb/1000)
		first[i] = p.share(kept, 200, 800, lb/10)
		second[i] = kept - first[i]
		toFirst += first[i]
		toSecond += second[i]
	}
	lots := p.do(job{stage: "blend", ready: t, perHour: 5_000, crew: 3, draws: in, gives: []made{
		{"N", in[0].from.item, "main", toFirst, -1}, {"N", in[0].from.item, "main", toSecond, -1}}})
	r := p.out.runs[len(p.out.runs)-1].id
	for i, d := range in {
		p.out.contributions = append(p.out.contributions, contribution{r, d.from.id, lots[0].id, first[i]},
			contribution{r, d.from.id, lots[1].id, second[i]})
	}
}
