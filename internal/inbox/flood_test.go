package inbox_test

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// BenchmarkFlood takes in what gathered while the bus was away; 2,000 events a second are asked for.
func BenchmarkFlood(b *testing.B) {
	const n = 20_000
	p := newProducer("intake")
	for i := range n {
		p.say(b, nil, lotN(i))
	}
	for b.Loop() {
		bench := newBench(b)
		in, stop := bench.start(p)
		bench.wait(in, p)
		stop()
		require.Equal(b, []int64{n}, query[int64](bench, `select count(*) from effects`))
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
