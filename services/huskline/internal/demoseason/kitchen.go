package demoseason

import (
	"time"

	"huskline/internal/weight"
)

// substitutes are the kernel classes that serve where a recipe's own is short, in this order.
func substitutes(item string) []string {
	if item[:2] == "PH" {
		return []string{item, "PH-JMB", "PH-LRG", "PH-MAM"}
	}
	return []string{item, "PP-LRG", "PP-MED", "PP-SML"}
}

// cook makes batches from late October to mid December, each recipe at least once where nuts are there. The first batches are made from nuts
// of the walk-in bins.
func (p *plant) cook() {
	recipes := confections()
	count := max(len(recipes)+2, p.size.Deliveries*24/60)
	for n := range count {
		r := recipes[n%len(recipes)]
		t := p.at(21 + n*52/count)
		for range 40 {
			if p.batch(r, t, n < 6) {
				break
			}
			t = t.AddDate(0, 0, 1)
		}
	}
}

// batch cooks one batch of a recipe as of t, if all it needs is there.
func (p *plant) batch(r recipe, t time.Time, ofWalkIns bool) bool {
	size := weight.Mass(p.between(180, 620)) * lb
	need := parts(size, r.nutParts, 1000, lb/1000)
	var kernel *stock
	if ofWalkIns || p.rng.IntN(3) == 0 {
		kernel = p.find(substitutes(r.nut), need, t, func(s *stock) bool { return s.walkIn })
	}
	if kernel == nil {
		kernel = p.find(substitutes(r.nut), need, t, anyLot)
	}
	if kernel == nil {
		return false
	}
	in := []draw{{kernel, need, -1}}
	total := need
	for _, i := range r.parts {
		w := parts(size, i.parts, 1000, lb/1000)
		s := p.find([]string{i.item}, w, t, anyLot)
		if s == nil {
			return false
		}
		in = append(in, draw{s, w, -1})
		total += w
	}
	if r.id == "CF-BRT" {
		if s := p.find([]string{"CF-PRL"}, 12*lb, t, anyLot); s != nil { // broken pralines go back into the kettle
			w := p.share(s.left, 30, 80, lb/1000)
			in = append(in, draw{s, w, -1})
			total += w
		}
	}
	scrap := p.share(total, 2, 9, lb/1000)
	gives := []made{{"F", r.id, "main", total - scrap - p.share(total, 8, 32, lb/1000), -1}, {"T", "SCRAP", "waste", scrap, -1}}
	p.do(job{stage: "cook", recipe: r.id, ready: t, perHour: 240, crew: p.between(2, 4), draws: in, gives: gives})
	return true
}

// pack fills bags with kernels, puts three kinds of confections into gift tins, and packs a lot anew into other boxes.
func (p *plant) pack() {
	n := max(4, p.size.Deliveries/12)
	all := packs()
	for i := range n {
		t := p.at(24 + i*36/n)
		r := all[i%2]
		if s := p.find(substitutes(r.nut), 260*lb, t, anyLot); s != nil {
			w := weight.Mass(p.between(120, 250)) * lb
			p.packOne([]draw{{s, w, -1}}, r.id, t, w)
		}
	}
	var kinds []string
	for _, c := range confections() {
		kinds = append(kinds, c.id)
	}
	for i := range max(3, n/2) {
		t := p.at(44 + i*14/n)
		var in []draw
		var total weight.Mass
		for range 3 {
			s := p.find(kinds, 60*lb, t, func(s *stock) bool { return !drawn(in, s) })
			if s == nil {
				break
			}
			w := p.share(s.left, 180, 420, lb/1000)
			in = append(in, draw{s, w, -1})
			total += w
		}
		if len(in) == 3 {
			p.packOne(in, "GF-TIN", t, total)
		}
	}
	for i := range max(2, n/3) {
		t := p.at(58 + i*8/n)
		if s := p.find(kinds, 90*lb, t, anyLot); s != nil {
			w := p.share(s.left, 200, 400, lb/1000)
			p.packOne([]draw{{s, w, -1}}, s.item, t, w)
		}
	}
}

func (p *plant) packOne(in []draw, item string, t time.Time, total weight.Mass) {
	p.do(job{stage: "pack", ready: t, perHour: 300, crew: p.between(2, 5), draws: in, gives: []made{
		{"F", item, "main", total - p.share(total, 1, 4, lb/1000), -1}}})
}
