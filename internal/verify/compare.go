package verify

import (
	"context"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"sync"
	"time"

	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// compare asks the services for everything they answer about lots, runs and the plant. A question that is not answered is a difference, and the
// next is asked; an error means that ctx ended.
func compare(ctx context.Context, s Services, b *book, r *Report) error {
	var spreading map[string]bool
	answered := ask(ctx, r, "hold", "all holds", func(ctx context.Context) (err error) {
		spreading, err = b.compareHolds(ctx, s.Inventory, r)
		return err
	})
	if answered { // which holds are still on their way, only the service knows
		b.checkHolds(r, spreading)
	}
	ask(ctx, r, "feed", "totals of the weigh feed", func(ctx context.Context) error {
		feed, err := s.Intake.GetFeedTotals(ctx, &intakev1.GetFeedTotalsRequest{})
		if err == nil {
			b.compareFeed(feed, r)
		}
		return err
	})
	ask(ctx, r, "lot", "all lots", func(ctx context.Context) error { return b.compareLots(ctx, s.Inventory, r) })
	var born []string
	for _, id := range b.order {
		if g := b.lots[id]; g.item != "" && !g.voided {
			born = append(born, id)
		}
	}
	origins, back := b.origins(), b.cameBack()
	each(ctx, r, born, func(id string, r *Report) {
		ask(ctx, r, "drill", id, func(ctx context.Context) error { return b.compareDrill(ctx, s.Inventory, id, back, r) })
		ask(ctx, r, "origins", id, func(ctx context.Context) error { return b.compareOrigins(ctx, s.Inventory, id, origins[id], r) })
		ask(ctx, r, "lot cost", id, func(ctx context.Context) error { return b.compareLotCost(ctx, s.Production, id, r) })
	})
	each(ctx, r, b.runIDs, func(id string, r *Report) {
		ask(ctx, r, "run cost", "run "+id, func(ctx context.Context) error { return b.compareRunCost(ctx, s.Production, id, r) })
	})
	ask(ctx, r, "balance", "the plant", func(ctx context.Context) error { return b.compareBalance(ctx, s.Production, r) })
	askQuarantines(ctx, s, r)
	return ctx.Err()
}

// patience is how long one question may take.
const patience = 30 * time.Second

// ask puts one question with a deadline of its own. What goes wrong is a difference of its subject, unless ctx has ended.
func ask(ctx context.Context, r *Report, check, subject string, question func(context.Context) error) (answered bool) {
	if ctx.Err() != nil {
		return false
	}
	limited, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	err := question(limited)
	if err != nil && ctx.Err() == nil {
		r.differ(check, subject, "an answer", err)
	}
	return err == nil
}

func (b *book) compareFeed(feed *intakev1.GetFeedTotalsResponse, r *Report) {
	r.equal("feed", "lines", b.feedLines, feed.GetLines())
	r.equal("feed", "distinct readings", b.feedKept, feed.GetDistinct())
}

// askers is how many questions are under way at one time.
const askers = 8

// each asks about every id, several at a time, and puts what differs into the report in the order of ids.
func each(ctx context.Context, r *Report, ids []string, about func(string, *Report)) {
	reports := make([]Report, len(ids))
	next := make(chan int)
	var group sync.WaitGroup
	for range askers {
		group.Go(func() {
			for i := range next {
				about(ids[i], &reports[i])
			}
		})
	}
	for i := range ids {
		if ctx.Err() != nil {
			break
		}
		next <- i
	}
	close(next)
	group.Wait()
	for i := range reports {
		r.Differences = append(r.Differences, reports[i].Differences...)
		for _, c := range reports[i].Compared {
			r.count(c.Name, int(c.N))
		}
	}
}

// pageSize is how many lots or holds are asked for at one time: the most that a page may have.
const pageSize = 1000

func (b *book) compareHolds(ctx context.Context, client inventoryv1.InventoryServiceClient, r *Report) (map[string]bool, error) {
	spreading := map[string]bool{}
	said := map[string]*inventoryv1.HoldState{}
	for token := ""; ; {
		a, err := client.ListHolds(ctx, &inventoryv1.ListHoldsRequest{EndedToo: true, PageSize: pageSize, PageToken: token})
		if err != nil {
			return nil, fmt.Errorf("holds: %w", err)
		}
		r.equal("holds", "missing", "[]", list(a.GetMissing()))
		for _, h := range a.GetHolds() {
			said[h.GetHold()] = h
			spreading[h.GetHold()] = h.GetSpreading()
		}
		if token = a.GetNextPageToken(); token == "" {
			break
		}
	}
	for _, h := range b.holds {
		got := said[h.id]
		if got == nil {
			r.differ("hold", h.id, "a hold on "+h.root, "none")
			continue
		}
		r.equal("hold", h.id+" root", h.root, got.GetRoot())
		r.equal("hold", h.id+" class", h.class, got.GetClass())
		r.equal("hold", h.id+" containers and fill window", h.part, scope{got.GetContainers(), got.GetFillFrom(), got.GetFillTo()})
		r.equal("hold", h.id+" ended", h.ended, got.GetEnded())
		if !h.ended {
			r.equal("hold", h.id+" lots", list(sorted(h.lots)), list(slices.Sorted(slices.Values(got.GetLots()))))
			r.equal("hold", h.id+" excluded", list(sorted(h.excluded)), list(slices.Sorted(slices.Values(got.GetExcluded()))))
		}
		delete(said, h.id)
	}
	for _, id := range sorted(said) {
		r.differ("hold", id, "no hold", "one on "+said[id].GetRoot())
	}
	r.count("holds", len(b.holds))
	return spreading, nil
}

func list(of []string) string { return "[" + strings.Join(of, " ") + "]" }

func (b *book) compareLots(ctx context.Context, client inventoryv1.InventoryServiceClient, r *Report) error {
	seen := map[string]bool{}
	for token := ""; ; {
		a, err := client.ListLots(ctx, &inventoryv1.ListLotsRequest{PageSize: pageSize, PageToken: token})
		if err != nil {
			return fmt.Errorf("lots: %w", err)
		}
		r.equal("lots", "missing", "[]", list(a.GetMissing()))
		for _, l := range a.GetLots() {
			seen[l.GetLot()] = true
			b.compareLot(l, r)
		}
		if token = a.GetNextPageToken(); token == "" {
			break
		}
	}
	for _, id := range b.order {
		if g := b.lots[id]; g.item != "" && !g.voided && !seen[id] {
			r.differ("lot", id, "a lot of "+g.item, "none")
		}
	}
	r.count("lots answered", len(seen))
	return nil
}

func (b *book) compareLot(l *inventoryv1.LotState, r *Report) {
	id := l.GetLot()
	g := b.lots[id]
	if g == nil || g.item == "" {
		r.differ("lot", id, "no lot", "one of "+l.GetItem())
		return
	}
	r.equal("lot", id+" voided", g.voided, l.GetVoided())
	if g.voided {
		return
	}
	r.equal("lot", id+" item", g.item, l.GetItem())
	r.equal("lot", id+" measure", g.measure, l.GetMeasure())
	r.equal("lot", id+" owner", g.owner, l.GetOwner())
	r.equal("lot", id+" made", quantity(g, g.made), quantity(g, l.GetMade()))
	r.equal("lot", id+" born", g.born, l.GetBorn().AsTime())
	r.equal("lot", id+" on hand", quantity(g, g.onHand), quantity(g, l.GetOnHand()))
	piles := map[pile]int64{}
	for _, leg := range g.legs {
		piles[pile{leg.place, leg.owner}] += leg.quantity
	}
	for _, have := range l.GetBalances() {
		p := pile{have.GetPlace(), have.GetOwner()}
		r.equal("lot", fmt.Sprintf("%s at %q of %q", id, p.place, p.owner), quantity(g, piles[p]), quantity(g, have.GetQuantity()))
		delete(piles, p)
	}
	for p, n := range piles {
		if n != 0 {
			r.differ("lot", fmt.Sprintf("%s at %q of %q", id, p.place, p.owner), quantity(g, n), "nothing")
		}
	}
	r.equal("lot", id+" holds", list(b.holdsOn(id)), list(slices.Sorted(slices.Values(l.GetHolds()))))
}

// holdsOn are the holds that stand on a lot, sorted.
func (b *book) holdsOn(id string) []string {
	var on []string
	for _, h := range b.holds {
		if h.lots[id] {
			on = append(on, h.id)
		}
	}
	slices.Sort(on)
	return on
}

// cameBack is what came back of each shipment line.
func (b *book) cameBack() map[lineKey]int64 {
	back := map[lineKey]int64{}
	for _, c := range b.returned {
		back[lineKey{c.of.GetShipment(), c.of.GetLine()}] += c.of.GetQuantity()
	}
	return back
}

// shareBound is how far a share of an origin may be off, in parts of 10^18: each step of the services rounds to one part, and no season has a
// million steps between a lot and its origin.
const shareBound = 1_000_000

func (b *book) compareOrigins(ctx context.Context, client inventoryv1.InventoryServiceClient, id string, want map[string]*big.Int, r *Report) error {
	a, err := client.Origins(ctx, &inventoryv1.OriginsRequest{Lot: id})
	if err != nil {
		return fmt.Errorf("origins of %s: %w", id, err)
	}
	var sum int64
	got := map[string]bool{}
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(18), nil)
	for _, o := range a.GetOrigins() {
		sum += o.GetShare()
		got[o.GetLot()] = true
		if from := b.lots[o.GetLot()]; from != nil && from.receipt != nil {
			r.equal("origins", id+" from "+o.GetLot()+" item and party", from.item+" "+from.receipt.of.GetParty(), o.GetItem()+" "+o.GetParty())
		}
		exact := new(big.Int)
		if want[o.GetLot()] != nil {
			exact.Quo(want[o.GetLot()], scale)
		}
		off := new(big.Int).Sub(exact, big.NewInt(o.GetShare()))
		if off.CmpAbs(big.NewInt(shareBound)) > 0 {
			r.differ("origins", id+" from "+o.GetLot(), exact, o.GetShare())
		}
	}
	for origin, share := range want {
		if exact := new(big.Int).Quo(share, scale); !got[origin] && exact.Cmp(big.NewInt(shareBound)) > 0 {
			r.differ("origins", id+" from "+origin, exact, "none")
		}
	}
	r.equal("origins", id+" sum of shares", scale, sum)
	r.equal("origins", id+" missing", "[]", list(a.GetMissing()))
	r.count("origins", 1)
	return nil
}
