package genealogy

import (
	"fmt"
	"runtime"
	"testing"

	"huskline/internal/lot"
)

// largestPlant is a season of the largest plant: 60,000 deliveries, 30 million pounds, 1.5 million run lines. Deliveries of 500 lb are cleaned in
// runs of 12, what comes of them is shelled and sorted, and the halves are packed; each run joins neighbours, so that a trace spreads.
func largestPlant() []lot.Recorded {
	var facts []lot.Recorded
	say := func(b lot.Body) { facts = append(facts, lot.Recorded{Event: lot.Event{Effective: start, Body: b}}) }
	level := make([]lot.ID, 60_000)
	for i := range level {
		level[i] = lot.ID(fmt.Sprintf("D-%06d", i))
		say(came(level[i], 500*lb))
	}
	lines := 0
	for depth := 0; lines < 1_500_000; depth++ {
		var next []lot.ID
		for i := 0; i+12 <= len(level); i += 12 {
			b := lot.RunPosted{Run: lot.RunID(fmt.Sprintf("R-%d-%06d", depth, i)), Version: 1, Stage: "sort", Final: true}
			for j := range 12 {
				in := lot.RunInput{Line: int64(j + 1), Lot: level[i+j], Quantity: 490 * lb, At: start}
				id := lot.ID(fmt.Sprintf("N-%d-%06d", depth, i+j))
				b.Inputs = append(b.Inputs, in)
				b.Outputs = append(b.Outputs, lot.RunOutput{
					Line: int64(j + 1), Lot: id, Item: "K", Measure: lot.ByWeight, Quantity: 480 * lb, Role: lot.Main, At: start,
				})
				next = append(next, id)
				lines += 2
			}
			say(b)
		}
		level = append(next[6:], next[:6]...)
	}
	return facts
}

// BenchmarkLoad folds the largest plant's season. The design's aim: tens of megabytes, a second or two on one core.
func BenchmarkLoad(b *testing.B) {
	facts := largestPlant()
	var before, after runtime.MemStats
	b.ResetTimer()
	for range b.N {
		b.StopTimer()
		runtime.GC()
		runtime.ReadMemStats(&before)
		b.StartTimer()
		x := fold(b, facts)
		b.StopTimer()
		runtime.GC()
		runtime.ReadMemStats(&after)
		b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/1e6, "MB")
		b.ReportMetric(float64(len(x.legs)), "legs")
		b.ReportMetric(float64(len(x.lots)), "lots")
	}
}

// BenchmarkTrace walks from the middle of it forward, backward and to its origins.
func BenchmarkTrace(b *testing.B) {
	x := fold(b, largestPlant())
	v := x.View(always)
	for _, of := range []struct {
		name string
		ask  func() (int, error)
	}{
		{"descendants of a delivery", func() (int, error) { ids, err := v.Descendants("D-030000"); return len(ids), err }},
		{"ancestors of a late lot", func() (int, error) { ids, err := v.Ancestors("N-12-030000"); return len(ids), err }},
		{"origins of a late lot", func() (int, error) { origins, err := v.Origins("N-12-030000"); return len(origins), err }},
		{"totals", func() (int, error) { return v.Totals().Lots, nil }},
	} {
		b.Run(of.name, func(b *testing.B) {
			for range b.N {
				n, err := of.ask()
				if err != nil || n == 0 {
					b.Fatal(n, err)
				}
				b.ReportMetric(float64(n), "found")
			}
		})
	}
}
