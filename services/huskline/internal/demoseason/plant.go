package demoseason

import (
	"fmt"
	"math/rand/v2"
	"sort"
	"time"

	"huskline/internal/weight"
)

// lb is one pound; gram-like steps are written as fractions of it.
const lb = weight.Pound

// stock is a lot while the season is made. All of it is there from born on; what leaves, leaves later and from what is left, so that no moment
// can be below zero whatever the order in which the season's parts were made.
type stock struct {
	id, item, owner string
	born            time.Time
	made, left      weight.Mass
	walkIn          bool     // nuts of small tickets are in it
	from            []*stock // what it was made of
	soldByMail      int
}

// plant is the business at work: what it has, what its lines are doing, what was written down.
type plant struct {
	rng     *rand.Rand
	size    Size
	out     *Season
	lots    []*stock
	byItem  map[string][]*stock // of the company
	lines   map[string][]*calendar
	numbers map[string]int
	words   words
}

// Generate makes the season of a seed and a size. The same seed and size give the same season, byte for byte.
func Generate(seed uint64, size Size) *Season {
	size.Deliveries = max(size.Deliveries, 48)
	size.Shipments = max(size.Shipments, 150)
	p := &plant{
		rng:     rand.New(rand.NewPCG(seed, 0x6875736b6c696e65)),
		size:    size,
		out:     &Season{},
		byItem:  map[string][]*stock{},
		lines:   map[string][]*calendar{},
		numbers: map[string]int{},
		words:   invented(),
	}
	p.openBooks()
	p.receiveNuts()
	p.receiveIngredients()
	p.fillBins()
	p.cleanAndShell()
	p.sortKernels()
	p.blendKernels()
	p.cook()
	p.pack()
	p.adjust()
	p.ship()
	p.takeBack()
	p.settle()
	p.weigh()
	p.name()
	return p.out
}

// code numbers things of one kind: D-00001, D-00002 …. A hyphen keeps them from looking like codes that the services give.
func (p *plant) code(prefix string) string {
	p.numbers[prefix]++
	return fmt.Sprintf("%s-%05d", prefix, p.numbers[prefix])
}

// between is a whole number from lo to hi, both included.
func (p *plant) between(lo, hi int64) int64 { return lo + p.rng.Int64N(hi-lo+1) }

// share is lo to hi thousandths of w, floored to a step.
func (p *plant) share(w weight.Mass, lo, hi int64, step weight.Mass) weight.Mass {
	return parts(w, p.between(lo, hi), 1000, step)
}

// parts is n/of of w, floored to a step.
func parts(w weight.Mass, n, of int64, step weight.Mass) weight.Mass {
	q, r := int64(w)/of, int64(w)%of
	return weight.Mass(q*n+r*n/of) / step * step
}

func (p *plant) choose(of []string) string { return of[p.rng.IntN(len(of))] }

// later is t plus lo to hi minutes, to the second.
func (p *plant) later(t time.Time, lo, hi int64) time.Time {
	return t.Add(time.Duration(p.between(lo*60, hi*60)) * time.Second)
}

// at is a working moment of the day: 13:00 to 23:00 UTC, which is morning to evening where pecans grow.
func (p *plant) at(day int) time.Time {
	return firstDay().AddDate(0, 0, day).Add(13*time.Hour + time.Duration(p.between(0, 36_000))*time.Second)
}

// firstDay is when the season opens.
func firstDay() time.Time { return time.Date(cropYear, time.October, 6, 0, 0, 0, 0, time.UTC) }

// keep puts a new lot on the books.
func (p *plant) keep(s *stock) *stock {
	s.left = s.made
	for _, f := range s.from {
		s.walkIn = s.walkIn || f.walkIn
	}
	p.lots = append(p.lots, s)
	if s.owner == "" {
		p.byItem[s.item] = append(p.byItem[s.item], s)
	}
	return s
}

// take draws w from a lot at an instant. Drawing more than is left, or before the lot is there, is a mistake of this package.
func (p *plant) take(s *stock, w weight.Mass, at time.Time) {
	if w <= 0 || w > s.left || !at.After(s.born) {
		panic(fmt.Sprintf("demoseason: take %s of %s: %s is left, born %s, taken %s", w, s.id, s.left, s.born, at))
	}
	s.left -= w
}

// find looks for a lot of the company of one of the items, born before t with at least w left; nil where there is none.
func (p *plant) find(items []string, w weight.Mass, t time.Time, like func(*stock) bool) *stock {
	var fit []*stock
	for _, i := range items {
		for _, s := range p.byItem[i] {
			if s.left >= w && s.born.Before(t) && like(s) {
				fit = append(fit, s)
				if len(fit) == 64 {
					return fit[p.rng.IntN(len(fit))]
				}
			}
		}
	}
	if len(fit) == 0 {
		return nil
	}
	return fit[p.rng.IntN(len(fit))]
}

func anyLot(*stock) bool { return true }

// calendar is when a line is busy, in time order.
type calendar struct {
	name string
	busy []span
}

type span struct{ from, to time.Time }

// book reserves a line of a stage for the earliest stretch of the given length from ready on.
func (p *plant) book(stage string, ready time.Time, length time.Duration) (string, time.Time) {
	lines := p.lines[stage]
	if lines == nil {
		for n := range 1 + p.size.Deliveries/120 {
			name := stage + "-line"
			if p.size.Deliveries >= 120 {
				name = fmt.Sprintf("%s-%d", name, n+1)
			}
			lines = append(lines, &calendar{name: name})
		}
		p.lines[stage] = lines
	}
	c := lines[p.rng.IntN(len(lines))]
	start := ready
	for _, b := range c.busy {
		if !start.Add(length).After(b.from) {
			break
		}
		if start.Before(b.to) {
			start = b.to.Add(4 * time.Minute)
		}
	}
	c.busy = append(c.busy, span{start, start.Add(length)})
	sort.Slice(c.busy, func(i, j int) bool { return c.busy[i].from.Before(c.busy[j].from) })
	return c.name, start
}
