package checker

import (
	"context"

	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// mostDrills bounds the lots that are drilled; a plant of a fault run has fewer.
const mostDrills = 2_000

// reachReceipts walks up from each finished batch, and then asks the plant for the drill of each lot: what it says forward and backward must be
// inverse, pair by pair, and be what the edges say.
func reachReceipts(ctx context.Context, s *state, f *Finding) {
	l, finished := s.lineage(), s.finishedItems()
	source := map[string]string{}
	for _, r := range s.table("inventory", "lots") {
		if !r.Bool("voided") {
			source[r.Text("lot")] = r.Text("source")
		}
	}
	for _, r := range s.table("inventory", "lots") {
		lot := r.Text("lot")
		if r.Bool("voided") || !finished[r.Text("item")] {
			continue
		}
		f.Checked++
		above := reach(lot, l.fedBy)
		above[lot] = true
		for a := range above {
			if up := l.fedBy(a); len(up) == 0 && source[a] != "delivery" && source[a] != "ingredient" {
				f.broken("inventory", r.ID(), "it comes from lot %s, of %q, and that from nothing", a, source[a])
			}
		}
	}
	if s.plant.Clients == nil {
		f.partly("no doors were given: drills were not asked for")
		return
	}
	if !s.atRest {
		f.partly("drills were not asked for: the plant was not at rest")
		return
	}
	s.drills(ctx, l, source, f)
	sortViolations(f)
}

func (s *state) drills(ctx context.Context, l *lineage, source map[string]string, f *Finding) {
	forward, backward := map[string]map[string]bool{}, map[string]map[string]bool{}
	for lot := range source {
		if len(forward) == mostDrills {
			f.partly("%d of %d lots were drilled", mostDrills, len(source))
			break
		}
		a, err := s.plant.Clients.Inventory.Drill(ctx, &inventoryv1.DrillRequest{Lot: lot})
		if err != nil {
			f.broken("inventory", "lots(lot="+lot+")", "its drill is not answered: %v", err)
			continue
		}
		if len(a.GetMissing()) > 0 {
			f.partly("drills said that they lack %v", a.GetMissing())
			continue
		}
		forward[lot], backward[lot] = map[string]bool{}, map[string]bool{}
		for _, d := range a.GetAffected() {
			forward[lot][d.GetLot()] = true
		}
		for _, d := range a.GetAncestors() {
			backward[lot][d.GetLot()] = true
		}
	}
	for lot, down := range forward {
		f.Checked++
		for d := range down {
			if backward[d] != nil && !backward[d][lot] {
				f.broken("inventory", "lots(lot="+d+")", "the drill of %s names it, its own does not name %s among what it came from", lot, lot)
			}
		}
		for a := range backward[lot] {
			if forward[a] != nil && !forward[a][lot] {
				f.broken("inventory", "lots(lot="+lot+")", "its drill names %s among what it came from, that one's does not name it", a)
			}
		}
		for d := range reach(lot, l.makes) {
			if source[d] != "" && !down[d] {
				f.broken("inventory", "lots(lot="+d+")", "it was made from %s, whose drill does not name it", lot)
			}
		}
	}
}

// proof asks for the plant's balance, whose proof lines must have no difference.
func (s *state) proof(ctx context.Context, f *Finding) {
	if s.plant.Clients == nil || !s.atRest {
		f.partly("the plant's own proof lines were not asked for")
		return
	}
	a, err := s.plant.Clients.Production.GetBalance(ctx, &productionv1.GetBalanceRequest{})
	if err != nil {
		f.broken("production", "balance", "it is not answered: %v", err)
		return
	}
	for _, line := range a.GetProof() {
		f.Checked++
		if line.GetLeft() != line.GetRight() {
			f.broken("production", "balance("+line.GetName()+")", "%s: %d on the left, %d on the right", line.GetText(), line.GetLeft(), line.GetRight())
		}
	}
	if len(a.GetMissing()) > 0 {
		f.partly("the balance lacks %v", a.GetMissing())
	}
}
