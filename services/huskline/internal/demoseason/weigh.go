package demoseason

import (
	"sort"
	"time"

	"huskline/internal/weight"
)

// weigh makes the feed of the scales: two readings of each ticket, then containers of what the runs gave, as many as the size asks for. One
// line in forty comes twice, and lines arrive a little out of order.
func (p *plant) weigh() {
	var all []reading
	for _, d := range p.out.deliveries {
		all = append(all,
			reading{scale: d.scale, at: d.at.Add(-d.visit), digits: d.gross.String(), unit: "LBR", kind: "gross", reference: d.lot},
			reading{scale: d.scale, at: d.at, digits: d.tare.String(), unit: "LBR", kind: "tare", reference: d.lot})
	}
	ofLot := map[string]*stock{}
	for _, s := range p.lots {
		ofLot[s.id] = s
	}
	each := max(1, (p.size.Readings-len(all))/max(1, len(p.out.outputs)))
	for _, o := range p.out.outputs {
		if o.role == "main" {
			all = append(all, p.boxes(ofLot[o.lot], 2*each)...)
		}
	}
	p.number(all)
	for i := 0; i < len(all); i++ {
		p.out.readings = append(p.out.readings, all[i])
		if p.rng.IntN(40) == 0 {
			p.out.readings = append(p.out.readings, all[max(0, i-p.rng.IntN(30))])
		}
	}
	for n := len(p.out.readings) / 12; n > 0; n-- {
		i := p.rng.IntN(len(p.out.readings))
		j := min(len(p.out.readings)-1, i+p.rng.IntN(20))
		p.out.readings[i], p.out.readings[j] = p.out.readings[j], p.out.readings[i]
	}
}

// boxes are net readings of the containers of one lot, at most limit; the check scale of the kitchen shows kilograms.
func (p *plant) boxes(s *stock, limit int) []reading {
	scale, size, unit := "PACK-1", 30*lb, "LBR"
	switch s.id[0] {
	case 'C':
		scale, size = "BIN-1", 1_000*lb
	case 'F':
		scale, size, unit = "CHECK-1", 25*lb, "KGM"
	}
	var all []reading
	for left := s.made; left > 0 && len(all) < limit; left -= size {
		w := min(left, size)
		digits := w.String()
		if unit == "KGM" { // 1 lb is 0.45359237 kg exactly; the scale shows grams
			digits = weight.FormatDecimal(int64(w)*45_359_237/100_000_000/1_000, 3, 3)
		}
		at := s.born.Add(-time.Duration(40*(limit-len(all))) * time.Second)
		all = append(all, reading{scale: scale, at: at, digits: digits, unit: unit, kind: "net", reference: s.id})
	}
	return all
}

// number puts readings into time order and counts them, per scale.
func (p *plant) number(all []reading) {
	sort.SliceStable(all, func(i, j int) bool { return all[i].at.Before(all[j].at) })
	seq := map[string]int64{}
	for i := range all {
		seq[all[i].scale]++
		all[i].seq = seq[all[i].scale]
	}
}
