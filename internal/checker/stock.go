package checker

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/internal/snapshot"
)

// legsSumToZero adds up each movement by measure.
func legsSumToZero(_ context.Context, s *state, f *Finding) {
	type key struct{ movement, measure string }
	sums := map[key]int64{}
	first := map[key]snapshot.Row{}
	for _, r := range s.table("inventory", "legs") {
		k := key{r.Text("movement"), r.Text("measure")}
		if _, ok := first[k]; !ok {
			first[k] = r
		}
		sums[k] += r.Int("quantity")
	}
	f.Checked = len(sums)
	for k, sum := range sums {
		if sum != 0 {
			f.broken("inventory", "legs(movement="+k.movement+")", "its legs of measure %s add up to %d, want 0", k.measure, sum)
		}
	}
	sortViolations(f)
}

func sortViolations(f *Finding) {
	slices.SortStableFunc(f.Violations, func(a, b Violation) int {
		return cmp.Or(strings.Compare(a.Service, b.Service), strings.Compare(a.Row, b.Row))
	})
}

// spot is where goods of a lot lie, and whose they are.
type spot struct{ lot, place, owner string }

// String is the key of the balance row.
func (k spot) String() string {
	return fmt.Sprintf("balances(lot=%s place=%s owner=%s)", k.lot, k.place, k.owner)
}

// moment is the order of a leg among those of its spot.
type moment struct {
	at    time.Time
	order int64
	name  string
}

func (m moment) compare(o moment) int {
	return cmp.Or(m.at.Compare(o.at), cmp.Compare(m.order, o.order), strings.Compare(m.name, o.name))
}

// nothingBelowZero walks each spot by effective time, legs of one key together, and looks at the kept balances.
func nothingBelowZero(_ context.Context, s *state, f *Finding) {
	piles := map[spot]map[moment]int64{}
	for _, r := range s.table("inventory", "legs") {
		if r.Null("lot") {
			continue
		}
		k := spot{r.Text("lot"), r.Text("place"), r.Text("owner")}
		if piles[k] == nil {
			piles[k] = map[moment]int64{}
		}
		piles[k][moment{r.Time("effective"), r.Int("key_order"), r.Text("key_name")}] += r.Int("quantity")
	}
	for k, moments := range piles {
		f.Checked++
		keys := make([]moment, 0, len(moments))
		for m := range moments {
			keys = append(keys, m)
		}
		slices.SortFunc(keys, moment.compare)
		sum := int64(0)
		for _, m := range keys {
			if sum += moments[m]; sum < 0 {
				f.broken("inventory", k.String(), "stands at %d after %s of %s", sum, m.name, m.at.Format(time.RFC3339Nano))
				break
			}
		}
	}
	for _, r := range s.table("inventory", "balances") {
		if n := r.Int("quantity"); n < 0 {
			f.broken("inventory", r.ID(), "the kept balance is %d", n)
		}
	}
	sortViolations(f)
}
