package cost_test

import (
	"fmt"
	"testing"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/production/internal/cost"
)

// The season of testdata, from nothing to every answer.
func BenchmarkSeason(b *testing.B) {
	facts := load(b, "season").Facts()
	for b.Loop() {
		fold(b, facts).Settle()
	}
}

// One answer from a season already folded.
func BenchmarkLotAnswer(b *testing.B) {
	book := fold(b, load(b, "season").Facts())
	for b.Loop() {
		if _, err := book.Lot("F-00001"); err != nil {
			b.Fatal(err)
		}
	}
}

// One late price in a season already folded, and the answer after it.
func BenchmarkLatePrice(b *testing.B) {
	book := fold(b, load(b, "season").Facts())
	position := int64(1 << 40)
	for b.Loop() {
		position++
		price := lot.PriceSettled{Settlement: "S", Lot: "D-00002", Purchase: money.Amount(1_000_000_000_000 + position%7)}
		at := lot.Receipt{Producer: lot.Intake, Epoch: 1, Position: position}
		if err := book.Apply(lot.Recorded{Receipt: at, Event: lot.Event{Effective: time.UnixMicro(position), Body: price}}); err != nil {
			b.Fatal(err)
		}
		if _, err := book.Lot("F-00001"); err != nil {
			b.Fatal(err)
		}
	}
}

// The largest plant's season: 60,000 deliveries of which each sixth run takes six lots, four stages of runs with four to six outputs, 1.5 million
// edges in all. One round is a season folded and evaluated; the second figure is one late price in it.
func BenchmarkLargestPlant(b *testing.B) {
	facts := largest(60_000, 1_500_000)
	b.ResetTimer()
	for b.Loop() {
		book := cost.New()
		started := time.Now()
		for _, f := range facts {
			if err := book.Apply(f); err != nil {
				b.Fatal(err)
			}
		}
		folded := time.Now()
		book.Settle()
		settled := time.Now()
		price := lot.PriceSettled{Settlement: "S", Lot: "D-000001", Purchase: 1_000_000_000}
		if err := book.Apply(lot.Recorded{Receipt: lot.Receipt{Producer: lot.Intake, Epoch: 1, Position: 1 << 40}, Event: lot.Event{Body: price}}); err != nil {
			b.Fatal(err)
		}
		book.Settle()
		b.ReportMetric(folded.Sub(started).Seconds(), "s/fold")
		b.ReportMetric(settled.Sub(folded).Seconds(), "s/evaluate")
		b.ReportMetric(time.Since(settled).Seconds()*1000, "ms/late-price")
	}
}

// largest makes deliveries and then runs of six lots into five, each stage from the lots of the one before, until there are so many edges.
func largest(deliveries, edges int) []lot.Recorded {
	var facts []lot.Recorded
	heads := map[lot.Producer]int64{}
	at := time.Date(2024, 10, 1, 0, 0, 0, 0, time.UTC)
	say := func(p lot.Producer, body lot.Body) {
		heads[p]++
		at = at.Add(time.Second)
		facts = append(facts, lot.Recorded{Receipt: lot.Receipt{Producer: p, Epoch: 1, Position: heads[p]}, Event: lot.Event{Effective: at, Body: body}})
	}
	price := money.Price(2_000_000)
	say(lot.Intake, lot.ItemChanged{Item: "K", ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: &price})
	var lots []lot.ID
	for i := range deliveries {
		id := lot.ID(fmt.Sprintf("D-%06d", i))
		say(lot.Intake, lot.Received{
			Lot: id, Source: lot.Delivery, Item: "IN", Measure: lot.ByWeight, Quantity: 500_000_000, Ownership: lot.Company, Price: &price, Purchase: 1_000_000_000 + money.Amount(i),
		})
		lots = append(lots, id)
	}
	// Each lot is drawn twice: 6 lots at a time, in overlapping runs.
	for n, run, next := 0, 0, 0; n < edges; run++ {
		id := lot.RunID(fmt.Sprintf("R-%06d", run))
		posted := lot.RunPosted{Run: id, Version: 1, Final: true}
		for i := range 6 {
			posted.Inputs = append(posted.Inputs, lot.RunInput{Line: int64(i), Lot: lots[next+i], Quantity: 1_000_003, At: at})
		}
		next += 3
		for i := range 5 {
			out := lot.ID(fmt.Sprintf("M-%06d-%d", run, i))
			lots = append(lots, out)
			posted.Outputs = append(posted.Outputs, lot.RunOutput{
				Line: int64(10 + i), Lot: out, Item: "K", Measure: lot.ByWeight, Quantity: 1_000_007 + lot.Quantity(i), Role: lot.Main, At: at,
			})
		}
		n += 11
		say(lot.Inventory, posted)
		say(lot.Production, lot.ChargePosted{Charge: string(id), Runs: []lot.RunID{id}, Amount: 123_456_789})
	}
	return facts
}
