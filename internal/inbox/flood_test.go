package inbox_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
)

// BenchmarkFlood takes in what gathered while the bus was away, with effects that are written one by one and with effects that are put off; 2,000 events a
// second are asked for.
func BenchmarkFlood(b *testing.B) {
	const n = 20_000
	for _, tc := range []struct {
		name  string
		later func(lot.Recorded) string
	}{
		{"one by one", nil},
		{"put off", func(lot.Recorded) string { return effect }},
	} {
		b.Run(tc.name, func(b *testing.B) {
			p := newProducer("intake")
			for i := range n {
				p.say(b, nil, lotN(i))
			}
			for b.Loop() {
				bench := newBench(b)
				bench.later = tc.later
				in, stop := bench.start(p)
				bench.wait(in, p)
				stop()
				require.Equal(b, []int64{n}, query[int64](bench, `select count(*) from effects`))
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
		})
	}
}
