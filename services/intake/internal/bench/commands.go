package main

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

const commandsInFlight = 16

// measureBus compares recorded deliveries a second with NATS there and away; the two take turns, and the one that begins changes.
func measureBus(p *plant, s sizes, f *figures) {
	var with, without, ratios []float64
	record := func() float64 {
		return p.rate(s.commands, commandsInFlight, func(int) error {
			_, err := p.desk.RecordDelivery(p.ctx, delivery())
			return err
		})
	}
	away := func() float64 {
		p.three.Bus.Stop()
		defer p.three.Bus.Resume(p.host)
		return record()
	}
	for run := range s.runs {
		if run%2 == 0 {
			with, without = append(with, record()), append(without, away())
		} else {
			without, with = append(without, away()), append(with, record())
		}
		ratios = append(ratios, without[run]/with[run])
	}
	f.WithBusPerSecond, f.NoBusPerSecond, f.WithoutBus = median(with), median(without), median(ratios)
}

// measurePosts posts whole runs, each of a lot of its own, with one writer and with eight.
func measurePosts(p *plant, s sizes, f *figures) {
	var one, eight []float64
	for range s.runs {
		one = append(one, p.posts(s.commands/2, 1))
		eight = append(eight, p.posts(s.commands, 8))
	}
	f.Post1PerSecond, f.Post8PerSecond = median(one), median(eight)
}

func (p *plant) posts(n, writers int) float64 {
	lots := make([]string, n)
	var mu sync.Mutex
	var last *eventv1.Receipt
	p.rate(n, commandsInFlight, func(i int) error {
		answer, err := p.desk.RecordDelivery(p.ctx, delivery())
		if err != nil {
			return err
		}
		mu.Lock()
		defer mu.Unlock()
		lots[i] = answer.GetLot()
		if answer.GetReceipt().GetPosition() > last.GetPosition() {
			last = answer.GetReceipt()
		}
		return nil
	})
	p.known(lots)
	requests := make([]*inventoryv1.PostMovementRequest, n)
	for i, code := range lots {
		requests[i] = wholeRun(code)
	}
	return p.rate(n, writers, func(i int) error {
		_, err := p.posting.PostMovement(p.ctx, requests[i])
		return err
	})
}

// known waits until the inventory knows the lots.
func (p *plant) known(lots []string) {
	for _, code := range lots {
		_, err := p.stock.GetLot(p.ctx, &inventoryv1.GetLotRequest{Lot: code})
		p.must(err)
	}
}

// wholeRun shells a delivery: 7,120 lb in, 3,000 lb of kernel out, the rest unaccounted.
func wholeRun(code string) *inventoryv1.PostMovementRequest {
	now := timestamppb.Now()
	return &inventoryv1.PostMovementRequest{
		CommandId: uuid.NewString(), Try: 1, Effective: now, Actor: "operator",
		Movement: &inventoryv1.PostMovementRequest_Run{Run: &eventv1.RunPosted{
			Run: "R-" + code, Version: 1, Stage: "shell", Final: true,
			Inputs: []*eventv1.RunInput{{Line: 1, Lot: code, Quantity: 7_120 * pound, At: now}},
			Outputs: []*eventv1.RunOutput{{
				Line: 1, Lot: "K-" + code, Item: "HALF", Measure: eventv1.Measure_MEASURE_WEIGHT, Quantity: 3_000 * pound,
				Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, At: now,
			}},
		}},
	}
}

// measureVisible records deliveries at intake one after the other and notes how long after the answer each shows in the inventory's live view of
// balances. A lot that showed before its answer came back counts as no wait.
func measureVisible(p *plant, s sizes, f *figures) {
	ctx, cancel := context.WithCancel(p.ctx)
	defer cancel()
	view, err := p.stock.WatchBalances(ctx, &inventoryv1.WatchBalancesRequest{})
	p.must(err)
	_, err = view.Recv() // where the view begins
	p.must(err)
	type sight struct {
		lot string
		at  time.Time
		err error
	}
	seen := make(chan sight, s.visible)
	go func() {
		for {
			m, err := view.Recv()
			at := time.Now()
			for _, c := range m.GetChanges() {
				seen <- sight{lot: c.GetLot(), at: at}
			}
			if err != nil {
				seen <- sight{err: err}
				return
			}
		}
	}()
	var millis []float64
	for range s.visible {
		answer, err := p.desk.RecordDelivery(p.ctx, delivery())
		p.must(err)
		answered := time.Now()
		for {
			saw := <-seen
			p.must(saw.err)
			if saw.lot == answer.GetLot() {
				millis = append(millis, float64(max(0, saw.at.Sub(answered)).Microseconds())/1000)
				break
			}
		}
	}
	f.Visible50Millis, f.Visible99Millis = quantile(millis, 0.5), quantile(millis, 0.99)
}
